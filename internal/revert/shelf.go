package revert

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"hash/fnv"
	"os"
	"path/filepath"

	_ "modernc.org/sqlite" // the working file

	"nailbridge/mapping/back"
)

// shelf is where resources are put away: their bodies one behind another in one file,
// and in another, a database, where each stands and what it belongs to. Keys are hashed:
// two of one hash have more read together than belongs together, and no more.
type shelf struct {
	dir  string
	file *os.File
	w    *bufio.Writer
	at   int64
	db   *sql.DB
	conn *sql.Conn // in one transaction, which nothing ends
	said map[string]*sql.Stmt

	shared map[int64]bool  // keys of those that all parts share
	joined map[int64]int64 // parts that are read with another one
}

// schema: the numbers of kind are those of back.Kind; own is the key of the part, which only an owned resource has, and refs are the
// keys that it refers to; guest are the parts that a loose resource is read with, and
// marks what they read of it.
const schema = `
CREATE TABLE res (id INTEGER PRIMARY KEY, kind INTEGER NOT NULL, own INTEGER, ref INTEGER NOT NULL, url INTEGER, at INTEGER NOT NULL, len INTEGER NOT NULL, refs BLOB, records BLOB, marks BLOB);
CREATE TABLE alias (url INTEGER PRIMARY KEY, own INTEGER NOT NULL);
CREATE TABLE incident (record INTEGER NOT NULL, res INTEGER NOT NULL);
CREATE TABLE guest (res INTEGER NOT NULL, own INTEGER NOT NULL, PRIMARY KEY (res, own)) WITHOUT ROWID;
CREATE TABLE record (n INTEGER PRIMARY KEY, clinic TEXT NOT NULL, incident TEXT NOT NULL, kind TEXT NOT NULL, record TEXT NOT NULL, who TEXT NOT NULL, body BLOB NOT NULL);
CREATE TABLE aside (n INTEGER PRIMARY KEY, body BLOB NOT NULL);`

const indexes = `
CREATE INDEX res_ref ON res (ref);
CREATE INDEX res_url ON res (url) WHERE url IS NOT NULL;
CREATE INDEX res_own ON res (own) WHERE own IS NOT NULL;
CREATE INDEX incident_record ON incident (record);
CREATE INDEX res_shared ON res (id) WHERE kind = 3;
CREATE INDEX res_loose ON res (ref) WHERE kind IN (1, 2);
CREATE INDEX guest_own ON guest (own);`

func openShelf(dir string) (s *shelf, err error) {
	s = &shelf{said: map[string]*sql.Stmt{}, shared: map[int64]bool{}, joined: map[int64]int64{}}
	if s.dir, err = os.MkdirTemp(dir, "to-records-"); err != nil {
		return s, err
	}
	if s.file, err = os.Create(filepath.Join(s.dir, "resources")); err != nil {
		return s, errors.Join(err, s.close())
	}
	s.w = bufio.NewWriterSize(s.file, 1<<20)
	// Nothing of it outlives the run: no journal, and no waiting for the disk.
	s.db, err = sql.Open("sqlite", "file:"+filepath.Join(s.dir, "index")+"?_pragma=journal_mode(OFF)&_pragma=synchronous(OFF)&_pragma=locking_mode(EXCLUSIVE)&_pragma=cache_size(-16384)&_pragma=temp_store(1)")
	if err == nil {
		s.conn, err = s.db.Conn(context.Background())
	}
	if err == nil {
		_, err = s.conn.ExecContext(context.Background(), schema+"BEGIN;")
	}
	if err != nil {
		return s, errors.Join(err, s.close())
	}
	// What has no name is gone with the process, also when it is killed. Where an open
	// file keeps its name, close removes it.
	_ = os.RemoveAll(s.dir)
	return s, nil
}

// close removes the working files.
func (s *shelf) close() error {
	var errs []error
	for _, st := range s.said {
		errs = append(errs, st.Close())
	}
	if s.conn != nil {
		errs = append(errs, s.conn.Close())
	}
	if s.db != nil {
		errs = append(errs, s.db.Close())
	}
	if s.file != nil {
		errs = append(errs, s.file.Close())
	}
	if s.dir != "" {
		errs = append(errs, os.RemoveAll(s.dir))
	}
	return errors.Join(errs...)
}

// statement is a query, made ready once.
func (s *shelf) statement(query string) (*sql.Stmt, error) {
	if st := s.said[query]; st != nil {
		return st, nil
	}
	st, err := s.conn.PrepareContext(context.Background(), query)
	if err == nil {
		s.said[query] = st
	}
	return st, err
}

func (s *shelf) exec(query string, args ...any) (sql.Result, error) {
	st, err := s.statement(query)
	if err != nil {
		return nil, err
	}
	return st.Exec(args...)
}

// rows gives the rows of a query. Meanwhile nothing else is asked or changed, but by
// what knows what it does.
func (s *shelf) rows(query string, args []any, f func(*sql.Rows) error) error {
	st, err := s.statement(query)
	if err != nil {
		return err
	}
	rows, err := st.Query(args...)
	if err != nil {
		return err
	}
	for rows.Next() {
		if err := f(rows); err != nil {
			return errors.Join(err, rows.Close())
		}
	}
	return errors.Join(rows.Err(), rows.Close())
}

// texts gives the texts of a query.
func (s *shelf) texts(query string, give func([]byte) error) error {
	return s.rows(query, nil, func(rows *sql.Rows) error {
		var body sql.RawBytes
		if err := rows.Scan(&body); err != nil {
			return err
		}
		return give(body)
	})
}

// list are the numbers of a query.
func (s *shelf) list(query string, args ...any) (out []int64, err error) {
	err = s.rows(query, args, func(rows *sql.Rows) error {
		var n int64
		err := rows.Scan(&n)
		out = append(out, n)
		return err
	})
	return out, err
}

// hash is the key in short, never negative.
func hash(key string) int64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(key)) // a hash takes everything
	return int64(h.Sum64() >> 1)
}

// hashes are keys in short, one behind another.
func hashes(keys []string) (out []byte) {
	seen := map[int64]bool{}
	for _, k := range keys {
		if h := hash(k); !seen[h] {
			seen[h] = true
			out = binary.BigEndian.AppendUint64(out, uint64(h))
		}
	}
	return out
}

func unpacked(b []byte) (out []int64) {
	for ; len(b) >= 8; b = b[8:] {
		out = append(out, int64(binary.BigEndian.Uint64(b)))
	}
	return out
}

// add puts a resource away.
func (s *shelf) add(r back.Resource) error {
	p, piece := r.Place(), r.Piece()
	length, err := s.put(piece)
	if err != nil {
		return err
	}
	ref, own, url := hash(p.Ref), any(nil), any(nil)
	if p.URL != "" {
		url = hash(p.URL)
	}
	switch p.Kind {
	case back.Owned:
		own = hash(p.Owner)
	case back.Shared:
		s.shared[ref] = true
		if p.URL != "" {
			s.shared[hash(p.URL)] = true
		}
	}
	res, err := s.exec(`INSERT INTO res (kind, own, ref, url, at, len, refs, records) VALUES (?,?,?,?,?,?,?,?)`,
		p.Kind, own, ref, url, s.at, length, hashes(p.To), hashes(p.Records))
	s.at += int64(length)
	if err != nil {
		return err
	}
	id, err := res.LastInsertId()
	if err == nil && p.Alias != "" {
		_, err = s.exec(`INSERT INTO alias VALUES (?1, ?2) ON CONFLICT DO UPDATE SET own = min(own, ?2)`, hash(p.Alias), ref)
	}
	if p.Kind == back.Owned {
		for _, record := range p.Records {
			_, fault := s.exec(`INSERT INTO incident VALUES (?, ?)`, hash(record), id)
			err = errors.Join(err, fault)
		}
	}
	return err
}

// put writes a resource behind the others, its parts each behind its length.
func (s *shelf) put(p back.Piece) (int, error) {
	var b []byte
	for _, text := range [][]byte{[]byte(p.From), []byte(p.URL), p.Body} {
		b = append(binary.AppendUvarint(b, uint64(len(text))), text...)
	}
	return s.w.Write(b)
}

// placed is a resource that was put away, taken up again.
type placed struct {
	id int64
	back.Piece
}

func bodies(ps []placed) (out []back.Piece) {
	for _, p := range ps {
		out = append(out, p.Piece)
	}
	return out
}

// pieces takes up the resources that a query gives: id, place, length, and what was read.
func (s *shelf) pieces(query string, args ...any) (out []placed, err error) {
	err = s.rows(query, args, func(rows *sql.Rows) error {
		var p placed
		var at, length int64
		var marks []byte
		err := rows.Scan(&p.id, &at, &length, &marks)
		if err == nil {
			p.Piece, err = s.take(at, length)
		}
		p.Read = bools(marks)
		out = append(out, p)
		return err
	})
	return out, err
}

func (s *shelf) take(at, length int64) (p back.Piece, err error) {
	b := make([]byte, length)
	if _, err := s.file.ReadAt(b, at); err != nil {
		return p, err
	}
	var parts [3][]byte
	for i := range parts {
		n, used := binary.Uvarint(b)
		if used <= 0 || uint64(len(b)-used) < n {
			return p, errors.New("a working file is not as it was written")
		}
		parts[i], b = b[used:used+int(n)], b[used+int(n):]
	}
	return back.Piece{From: string(parts[0]), URL: string(parts[1]), Body: parts[2]}, nil
}

// note keeps what the parts so far have read of a loose resource.
func (s *shelf) note(id int64, read []bool) error {
	b := make([]byte, len(read))
	for i, r := range read {
		if r {
			b[i] = 1
		}
	}
	_, err := s.exec(`UPDATE res SET marks = ? WHERE id = ?`, b, id)
	return err
}

func bools(b []byte) (out []bool) {
	for _, x := range b {
		out = append(out, x == 1)
	}
	return out
}

// eachOwner goes through the parts.
func (s *shelf) eachOwner(ctx context.Context, f func(own int64) error) error {
	return s.each(ctx, `SELECT own FROM res WHERE own > ? ORDER BY own LIMIT 1`, f)
}

// eachLoose goes through the resources that are of no one part, all versions of each.
func (s *shelf) eachLoose(ctx context.Context, f func([]back.Piece) error) error {
	return s.each(ctx, `SELECT ref FROM res WHERE ref > ? AND kind IN (1, 2) ORDER BY ref LIMIT 1`, func(ref int64) error {
		all, err := s.pieces(`SELECT id, at, len, marks FROM res WHERE ref = ? AND kind IN (1, 2) ORDER BY id`, ref)
		if err != nil {
			return err
		}
		return f(bodies(all))
	})
}

// eachShared goes through the resources that all parts share.
func (s *shelf) eachShared(ctx context.Context, f func(back.Piece) error) error {
	return s.each(ctx, `SELECT id FROM res WHERE id > ? AND kind = 3 ORDER BY id LIMIT 1`, func(id int64) error {
		all, err := s.pieces(`SELECT id, at, len, NULL FROM res WHERE id = ?`, id)
		if err != nil {
			return err
		}
		return f(all[0].Piece)
	})
}

// each gives numbers in their order, each asked for by the one before.
func (s *shelf) each(ctx context.Context, next string, f func(int64) error) error {
	for at := int64(-1); ; {
		found, err := s.list(next, at)
		if err = errors.Join(ctx.Err(), err); err != nil || len(found) == 0 {
			return err
		}
		at = found[0]
		if err := f(at); err != nil {
			return err
		}
	}
}
