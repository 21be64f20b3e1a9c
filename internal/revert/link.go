package revert

import (
	"context"
	"database/sql"
	"errors"

	"nailbridge/mapping/back"
)

// link finds out what is read together.
func (s *shelf) link(ctx context.Context) error {
	if err := s.w.Flush(); err != nil {
		return err
	}
	for _, do := range []string{
		indexes,
		// A patient may be named by its address in a Bundle.
		`UPDATE res SET own = (SELECT alias.own FROM alias WHERE alias.url = res.own) WHERE own IN (SELECT url FROM alias)`,
		// Of a resource with a patient, a version that names none.
		`UPDATE res SET own = (SELECT o.own FROM res o WHERE o.ref = res.ref AND o.own IS NOT NULL ORDER BY o.own LIMIT 1), kind = 0
			WHERE kind IN (1, 2) AND EXISTS (SELECT 1 FROM res o WHERE o.ref = res.ref AND o.own IS NOT NULL)`,
	} {
		if _, err := s.conn.ExecContext(ctx, do); err != nil {
			return err
		}
	}
	for _, step := range []func(context.Context) error{s.versions, s.outside, s.single, s.provenances, s.join} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}

// versions joins the parts of which versions of one resource are.
func (s *shelf) versions(ctx context.Context) error {
	return s.numbers(ctx, `SELECT ref FROM res WHERE own IS NOT NULL GROUP BY ref HAVING min(own) <> max(own)`, func(ref int64) error {
		owners, err := s.list(`SELECT DISTINCT own FROM res WHERE ref = ? AND own IS NOT NULL`, ref)
		for _, own := range owners {
			s.union(owners[0], own)
		}
		return err
	})
}

// outside joins parts of which one refers to the other, and gives each part the loose
// resources that it refers to.
func (s *shelf) outside(ctx context.Context) error {
	return s.eachOwner(ctx, func(own int64) error {
		known, to, err := s.keysOf(own)
		for i := 0; i < len(to) && err == nil; i++ {
			if known[to[i]] || s.shared[to[i]] {
				continue
			}
			known[to[i]] = true
			var on []int64
			if on, err = s.follow(own, to[i]); err == nil {
				to = append(to, on...) // a loose one refers on
			}
		}
		return err
	})
}

// keysOf are the keys of the resources of a part, and those that they refer to.
func (s *shelf) keysOf(own int64) (known map[int64]bool, to []int64, err error) {
	known = map[int64]bool{}
	err = s.rows(`SELECT ref, coalesce(url, ref), refs FROM res WHERE own = ?`, []any{own}, func(rows *sql.Rows) error {
		var ref, url int64
		var refs []byte
		err := rows.Scan(&ref, &url, &refs)
		known[ref], known[url] = true, true
		to = append(to, unpacked(refs)...)
		return err
	})
	return known, to, err
}

// follow goes after a key that is of another part, or of a loose resource.
func (s *shelf) follow(own, key int64) (on []int64, err error) {
	var guests []int64
	err = s.rows(`SELECT id, kind, coalesce(own, 0), refs FROM res WHERE ref = ?1 UNION ALL SELECT id, kind, coalesce(own, 0), refs FROM res WHERE url = ?1`, []any{key}, func(rows *sql.Rows) error {
		var id, other int64
		var kind back.Kind
		var refs []byte
		err := rows.Scan(&id, &kind, &other, &refs)
		switch kind {
		case back.Owned:
			s.union(own, other)
		case back.Loose:
			guests, on = append(guests, id), append(on, unpacked(refs)...)
		}
		return err
	})
	for _, id := range guests {
		_, fault := s.exec(`INSERT OR IGNORE INTO guest VALUES (?, ?)`, id, own)
		err = errors.Join(err, fault)
	}
	return on, err
}

// single gives what goes with one part alone over to it.
func (s *shelf) single(ctx context.Context) error {
	_, err := s.conn.ExecContext(ctx, `UPDATE res SET kind = 0, own = (SELECT own FROM guest WHERE guest.res = res.id)
		WHERE id IN (SELECT res FROM guest GROUP BY res HAVING count(*) = 1);
		DELETE FROM guest WHERE (SELECT kind FROM res WHERE id = guest.res) = 0`)
	return err
}

// provenances gives each Provenance to the parts that it is about; one that is about
// nothing of a patient to those whose records it names, else to what has no patient.
func (s *shelf) provenances(ctx context.Context) error {
	return s.numbers(ctx, `SELECT id FROM res WHERE kind = 2`, func(id int64) error {
		var refs, records []byte
		err := s.rows(`SELECT refs, records FROM res WHERE id = ?`, []any{id}, func(rows *sql.Rows) error { return rows.Scan(&refs, &records) })
		if err != nil {
			return err
		}
		owners, err := s.ownersOf(unpacked(refs))
		if err == nil && len(owners) == 0 {
			owners, err = s.recordsOf(unpacked(records))
		}
		if len(owners) == 0 {
			owners = []int64{hash("")}
		}
		for _, own := range owners {
			_, fault := s.exec(`INSERT OR IGNORE INTO guest VALUES (?, ?)`, id, own)
			err = errors.Join(err, fault)
		}
		return err
	})
}

// ownersOf are the parts of which resources are.
func (s *shelf) ownersOf(keys []int64) (owners []int64, err error) {
	known := map[int64]bool{}
	for _, k := range keys {
		if known[k] || s.shared[k] {
			continue
		}
		found, err := s.list(`SELECT own FROM res WHERE ref = ?1 AND own IS NOT NULL UNION SELECT own FROM res WHERE url = ?1 AND own IS NOT NULL`, k)
		if err != nil {
			return nil, err
		}
		for _, own := range found {
			owners = append(owners, own)
			more, _, err := s.keysOf(own)
			if err != nil {
				return nil, err
			}
			for k := range more {
				known[k] = true
			}
		}
	}
	return owners, nil
}

// recordsOf are the parts that have encounters of some records.
func (s *shelf) recordsOf(records []int64) (owners []int64, err error) {
	for _, r := range records {
		found, err := s.list(`SELECT DISTINCT own FROM incident JOIN res ON res.id = incident.res WHERE incident.record = ?`, r)
		if err != nil {
			return nil, err
		}
		owners = append(owners, found...)
	}
	return owners, nil
}

// union has two parts read together.
func (s *shelf) union(a, b int64) {
	a, b = s.root(a), s.root(b)
	if a != b {
		s.joined[max(a, b)] = min(a, b)
	}
}

func (s *shelf) root(own int64) int64 {
	for {
		up, ok := s.joined[own]
		if !ok {
			return own
		}
		own = up
	}
}

// join has what was joined in one part.
func (s *shelf) join(ctx context.Context) error {
	if err := s.single(ctx); err != nil { // what one Provenance alone is about
		return err
	}
	for own := range s.joined {
		root := s.root(own)
		for _, do := range []string{`UPDATE res SET own = ?2 WHERE own = ?1`, `UPDATE OR REPLACE guest SET own = ?2 WHERE own = ?1`} {
			if _, err := s.exec(do, own, root); err != nil {
				return err
			}
		}
	}
	return nil
}

// numbers gives the numbers of a query one by one; in between all may be asked and
// changed. They are put in a table first, so that few are held.
func (s *shelf) numbers(ctx context.Context, query string, f func(int64) error) error {
	for _, do := range []string{`DROP TABLE IF EXISTS numbers`, `CREATE TABLE numbers (n INTEGER PRIMARY KEY, v INTEGER NOT NULL)`, `INSERT INTO numbers (v) ` + query} {
		if _, err := s.conn.ExecContext(ctx, do); err != nil {
			return err
		}
	}
	for n := 0; ; {
		type one struct{ n, v int64 }
		var some []one
		err := s.rows(`SELECT n, v FROM numbers WHERE n > ? ORDER BY n LIMIT 1000`, []any{n}, func(rows *sql.Rows) error {
			var o one
			err := rows.Scan(&o.n, &o.v)
			some = append(some, o)
			return err
		})
		if err != nil || len(some) == 0 {
			return err
		}
		for _, o := range some {
			if err := errors.Join(ctx.Err(), f(o.v)); err != nil {
				return err
			}
			n = int(o.n)
		}
	}
}
