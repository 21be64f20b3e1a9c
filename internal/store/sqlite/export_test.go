package sqlite

import (
	"context"
	"database/sql"

	sqlite3 "modernc.org/sqlite"

	"nailbridge/internal/store"
)

// Readers is how many read transactions may be open at once.
const Readers = readers

// SetLead sets how few index rows let a condition lead a search.
func (d *DB) SetLead(n int) { d.lead = n }

// Writer and Reader are the pools, for tests that look past the store.
func (d *DB) Writer() *sql.DB { return d.writer }

// Reader is the pool of read connections.
func (d *DB) Reader() *sql.DB { return d.reader }

// planned plans a search on a snapshot, and gives it with the statement of its page.
func (d *DB) planned(ctx context.Context, q store.Query, f func(*snapshot, plan, clause) error) error {
	return d.View(ctx, func(r store.Reader) error {
		s := r.(*snapshot)
		p, err := sight{s.all(), s.head.Seq}.plan(q)
		if err != nil {
			return err
		}
		c, err := p.page(q)
		if err != nil {
			return err
		}
		return f(s, p, c)
	})
}

// Explain gives SQLite's plan of a search, of its page and its total.
func (d *DB) Explain(ctx context.Context, q store.Query) (page, total []string, err error) {
	err = d.planned(ctx, q, func(s *snapshot, p plan, c clause) (err error) {
		if page, err = s.explain(c); err != nil {
			return err
		}
		total, err = s.explain(p.statement("count(*)"))
		return err
	})
	return page, total, err
}

// PageStatement gives the statement of a search's page, and its arguments.
func (d *DB) PageStatement(ctx context.Context, q store.Query) (statement string, args []any, err error) {
	err = d.planned(ctx, q, func(_ *snapshot, _ plan, c clause) error {
		statement, args = c.sql, c.args
		return nil
	})
	return statement, args, err
}

// ExplainHistory gives SQLite's plan of a page of a history.
func (d *DB) ExplainHistory(ctx context.Context, q store.HistoryQuery) (page []string, err error) {
	err = d.View(ctx, func(r store.Reader) error {
		s := r.(*snapshot)
		p, err := s.historyPlan(q, s.head.Seq)
		if err != nil {
			return err
		}
		page, err = s.explain(p.historyPage(q))
		return err
	})
	return page, err
}

func (s *snapshot) explain(c clause) ([]string, error) {
	var out []string
	err := s.each("explain", "EXPLAIN QUERY PLAN "+c.sql, c.args, func(rows *sql.Rows) error {
		var id, parent, unused int
		var detail string
		err := rows.Scan(&id, &parent, &unused, &detail)
		out = append(out, detail)
		return err
	})
	return out, err
}

// Path is the data file.
func (d *DB) Path() string { return d.path }

// Spin runs a statement without end in the transaction of w.
func Spin(w store.Writer) error {
	var n int
	_, err := w.(*txn).one("spin", `WITH RECURSIVE c (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c) SELECT max(n) FROM c`, nil, &n)
	return err
}

// ExplainClinic gives SQLite's plans of the clinic side's wider reads.
func (d *DB) ExplainClinic(ctx context.Context) (deliveriesOf, endedBefore, merges, named []string, err error) {
	err = d.View(ctx, func(r store.Reader) (err error) {
		s := r.(*snapshot)
		deliveriesOf, err = s.explain(clause{"SELECT body FROM delivery WHERE " + ofPatient, []any{"c", "p"}})
		if err != nil {
			return err
		}
		if endedBefore, err = s.explain(clause{"SELECT json FROM activity a WHERE " + endedUnknown, []any{"t"}}); err != nil {
			return err
		}
		if merges, err = s.explain(clause{"SELECT body FROM delivery WHERE " + ofMerged, []any{"c", "p"}}); err != nil {
			return err
		}
		named, err = s.explain(clause{sql: clinics})
		return err
	})
	return deliveriesOf, endedBefore, merges, named, err
}

// Connect opens a connection that asks for one setting and wants a value.
func Connect(ctx context.Context, path, name, ask, want string) error {
	ss := []setting{{name, ask, want}}
	conn, err := connector{&sqlite3.Driver{}, dsn(path, ss), ss}.Connect(ctx)
	if err != nil {
		return err
	}
	return conn.Close()
}

// SetPart sets how the file is named that a backup is written to.
func SetPart(name func(path string) string) (restore func()) {
	was := partOf
	partOf = name
	return func() { partOf = was }
}

// ErrOpen is errOpen.
var ErrOpen = errOpen

// QueryRow, Each and Exec run statements in the transaction of a reader.
func QueryRow(r store.Reader, query string, args ...any) interface{ Scan(dest ...any) error } {
	return snapshotOf(r).queryRow(query, args...)
}

// Each runs a query for rows of one text.
func Each(r store.Reader, query string, args []any, scan func(text string) error) error {
	return snapshotOf(r).each("each", query, args, func(rows *sql.Rows) error {
		var text string
		if err := rows.Scan(&text); err != nil {
			return err
		}
		return scan(text)
	})
}

// Exec runs a statement without rows.
func Exec(r store.Reader, query string, args ...any) error {
	_, err := snapshotOf(r).exec("exec", query, args...)
	return err
}

func snapshotOf(r store.Reader) *snapshot {
	if t, ok := r.(*txn); ok {
		return t.snapshot
	}
	return r.(*snapshot)
}

// SetLink sets how a backup is given its name.
func SetLink(f func(from, to string) error) (restore func()) {
	was := link
	link = f
	return func() { link = was }
}

// KeptStatements is how many statements a connection may keep.
const KeptStatements = keptStatements

// Kept is how many statements a connection keeps prepared.
func Kept(c *sql.Conn) (n int, err error) {
	err = c.Raw(func(dc any) error {
		n = dc.(*keeping).order.Len()
		return nil
	})
	return n, err
}

// ExplainRelated gives SQLite's plan of what is beside a page by the first include.
func (d *DB) ExplainRelated(ctx context.Context, r store.Relation) (plan []string, err error) {
	err = d.View(ctx, func(rd store.Reader) error {
		s := rd.(*snapshot)
		see := sight{s.all(), s.head.Seq}
		ask := see.referredTo
		if r.Reverse {
			ask = see.referring
		}
		c, err := ask(r.Includes[0], r.Page, r.Limit)
		if err != nil {
			return err
		}
		plan, err = s.explain(c)
		return err
	})
	return plan, err
}
