package sqlite

import (
	"database/sql"
	"fmt"
	"time"

	"nailbridge/internal/store"
	"nailbridge/internal/store/order"
	"nailbridge/mapping/resource"
)

// History answers one page of the versions committed under q.UpTo, newest
// first, hidden ones left out. The history of one resource is ErrNotFound
// when there never was one.
func (s published) History(q store.HistoryQuery) (store.Page, error) {
	page := store.Page{Epoch: s.head.Epoch}
	if err := s.enter("history"); err != nil {
		return page, err
	}
	upTo, err := s.bound(q.UpTo, q.Epoch)
	if err != nil {
		return page, err
	}
	page.UpTo = upTo
	if q.ID != "" {
		if err := s.known(resource.Ref{Type: q.Type, ID: q.ID}); err != nil {
			return page, err
		}
	}
	if !q.Since.IsZero() && q.Epoch == "" { // a page's token has the epoch
		if err := s.notLost(q.Since); err != nil {
			return page, err
		}
	}
	p, err := s.historyPlan(q, upTo)
	if err != nil {
		return page, err
	}
	p = s.restrict(p)
	if !q.NoTotal {
		c := p.statement("count(*)")
		if _, err := s.one("history", c.sql, c.args, &page.Total); err != nil {
			return page, err
		}
	}
	if q.Count <= 0 {
		return page, nil
	}
	rows, err := s.told(p.historyPage(q))
	cut(&page, rows, q.Count)
	return page, err
}

// known is ErrNotFound for a resource that never had a version in the scope.
func (s published) known(ref resource.Ref) error {
	var n int
	within := s.within("clinic")
	found, err := s.byKey("history", `SELECT 1 FROM resource WHERE type = ? AND id = ? AND `+within.sql,
		append([]any{ref.Type, ref.ID}, within.args...), &n)
	if err == nil && !found {
		return store.ErrNotFound
	}
	return err
}

// notLost is ErrEpoch for an instant that a restore made void: who was told
// everything until then was told what is lost.
func (s *snapshot) notLost(since time.Time) error {
	const op = "history"
	at, lost := round(since, time.Millisecond, 0).up, false
	err := s.each(op, `
		SELECT coalesce(kept.seq, 0), coalesce(kept.updated, 0), made.seq, made.updated
		FROM restored r JOIN epoch e ON e.id = r.epoch
		JOIN stamp made ON made.seq = e.after + 1 LEFT JOIN stamp kept ON kept.seq = e.after`, nil,
		func(rows *sql.Rows) error {
			var kept, made order.Place
			err := rows.Scan(&kept.Seq, &kept.At, &made.Seq, &made.At)
			lost = lost || order.Lost(at, kept, made)
			return err
		})
	if err == nil && lost {
		return store.ErrEpoch
	}
	return err
}

func (s *snapshot) historyPlan(q store.HistoryQuery, upTo int64) (plan, error) {
	p := plan{span: span{0, upTo + 1}, where: []clause{{"v.hidden = 0", nil}}}
	if !q.Since.IsZero() {
		// R4 http.html#history: created at or after the instant.
		lo, err := s.firstSeq(round(q.Since, time.Millisecond, 0).up)
		if err != nil {
			return plan{}, err
		}
		p.span.lo = lo
	}
	switch {
	case q.ID != "":
		p.from = clause{"resource r CROSS JOIN version v ON v.rid = r.rid", nil}
		p.where = append(p.where, clause{"r.type = ? AND r.id = ?", []any{q.Type, q.ID}})
	case q.Type != "":
		p.from = clause{"version v INDEXED BY version_walk", nil}
		p.where = append(p.where, clause{"v.type = ?", []any{q.Type}})
	default:
		p.from = clause{"version v INDEXED BY version_feed", nil}
	}
	return p, nil
}

// revived is whether the version before a version v is a DELETE entry.
const revived = `EXISTS (SELECT 1 FROM version b WHERE b.rid = v.rid AND b.number = v.number - 1 AND b.deleted = 1)`

// historyPage is the statement of the page after q.After.
func (p plan) historyPage(q store.HistoryQuery) clause {
	if k := q.After; k != nil {
		p.span.hi = min(p.span.hi, k.Seq+1)
		p.where = append(p.where, clause{
			"(v.seq <> ? OR (v.type, v.id) < (?, ?))", []any{k.Seq, k.Ref.Type, k.Ref.ID}})
	}
	c := p.statement(versionColumns + ", " + revived)
	c.sql += "\n ORDER BY v.seq DESC, v.type DESC, v.id DESC LIMIT ?"
	c.args = append(c.args, q.Count+1)
	return c
}

// told runs the statement of a page of a history.
func (s *snapshot) told(c clause) ([]store.Version, error) {
	var out []store.Version
	err := s.each("history", c.sql, c.args, func(rows *sql.Rows) error {
		var again bool
		v, err := scanVersion(rows, &again)
		v.Revived = again
		out = append(out, v)
		return err
	})
	return out, err
}

// cut puts on a page what it holds of rows that are one more where there is more.
func cut(page *store.Page, rows []store.Version, count int) {
	if len(rows) > count {
		page.More, rows = true, rows[:count]
	}
	page.Versions = rows
}

func (s *snapshot) versions(op string, c clause) ([]store.Version, error) {
	var out []store.Version
	err := s.each(op, c.sql, c.args, func(rows *sql.Rows) error {
		v, err := scanVersion(rows)
		if err != nil {
			return fmt.Errorf("version: %w", err)
		}
		out = append(out, v)
		return nil
	})
	return out, err
}
