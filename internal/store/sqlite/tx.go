package sqlite

import (
	"cmp"
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"time"

	"nailbridge/internal/store"
)

// errClosing is what a transaction meets that would begin after Close.
var errClosing = errors.New("store is closing")

// View runs fn on a snapshot: one read transaction. The Reader is for one
// goroutine and ends with fn. While a snapshot is held, the write-ahead file
// keeps all that is committed after it.
func (d *DB) View(ctx context.Context, fn func(store.Reader) error) error {
	s, err := d.begin(ctx, d.reader, "view", "")
	if err != nil {
		return err
	}
	defer s.end()
	return fn(s)
}

// Update runs fn in one write transaction. The Writer is for one goroutine
// and ends with fn, which must not call Update: it would wait for itself. Once
// an operation of the store has failed, nothing of the transaction is stored,
// whatever fn returns.
func (d *DB) Update(ctx context.Context, fn func(store.Writer) error) error {
	if err := d.turn.Acquire(ctx, 1); err != nil {
		return (&snapshot{ctx: ctx, db: d}).fail("update", err)
	}
	defer d.turn.Release(1)
	s, err := d.begin(ctx, d.writer, "update", "BEGIN IMMEDIATE")
	if err != nil {
		return err
	}
	defer s.end()
	if err := fn(&txn{snapshot: s}); err != nil {
		return err
	}
	if err := s.enter("commit"); err != nil {
		return err
	}
	// From here the caller's context no longer counts: a commit is whole.
	if _, err := s.conn.ExecContext(s.unwatched(), "COMMIT"); err != nil {
		return s.fail("commit", err)
	}
	s.committed = true
	return nil
}

// snapshot is one transaction on one connection; it implements store.Reader.
type snapshot struct {
	ctx       context.Context
	db        *DB
	conn      *sql.Conn
	head      store.Stamp
	held      *sql.Rows // of a reader: while they are open the snapshot stands
	failed    error     // the first failure of the store, for ever
	began     bool      // by a statement
	committed bool
	prepared  map[string]*statement // by query; a case writes the same few hundreds of times
}

// begin begins a transaction: with a statement, or, for "", with the first read and
// until that is closed (sqlite.org/lang_transaction.html, section 2.1).
func (d *DB) begin(ctx context.Context, pool *sql.DB, op, stmt string) (*snapshot, error) {
	s := &snapshot{ctx: ctx, db: d}
	if !d.enter() {
		return nil, s.fail(op, errClosing)
	}
	if err := s.open(pool, op, stmt); err != nil {
		s.end()
		return nil, err
	}
	return s, nil
}

func (s *snapshot) open(pool *sql.DB, op, stmt string) (err error) {
	if err := s.enter(op); err != nil {
		return err
	}
	if s.conn, err = pool.Conn(s.ctx); err != nil {
		return s.fail(op, err)
	}
	if stmt == "" {
		return s.fail(op, s.readHead())
	}
	s.began = true // also where it fails: a connection that can not roll back is closed
	if _, err := s.exec(op, stmt); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.fail(op, s.release())) }()
	return s.fail(op, s.readHead())
}

// release closes the rows of the head.
func (s *snapshot) release() error {
	if s.held == nil {
		return nil
	}
	return s.held.Close()
}

// unwatched is the context of statements that take a few steps: the driver and
// database/sql each start a goroutine that watches a context which can end, for
// about as long as such a statement takes. Operations look at the context when they
// begin.
func (s *snapshot) unwatched() context.Context { return context.WithoutCancel(s.ctx) }

// readHead reads the last stamp; it is the first read and fixes the snapshot. Its
// row stays open.
func (s *snapshot) readHead() (err error) {
	var ms sql.NullInt64
	s.held, err = s.conn.QueryContext(s.unwatched(), `
		SELECT e.id, coalesce(t.seq, 0), t.updated
		FROM epoch e LEFT JOIN stamp t ON t.seq = (SELECT max(seq) FROM stamp)
		ORDER BY e.ord DESC LIMIT 1`)
	if err != nil {
		return err
	}
	if !s.held.Next() {
		return cmp.Or(s.held.Err(), sql.ErrNoRows)
	}
	if err := s.held.Scan(&s.head.Epoch, &s.head.Seq, &ms); err != nil {
		return err
	}
	if ms.Valid {
		s.head.LastUpdated = time.UnixMilli(ms.Int64).UTC()
	}
	return nil
}

// end rolls back what was not committed and gives the connection back. A
// connection that cannot roll back is closed: its transaction ends with it.
func (s *snapshot) end() {
	defer s.db.running.Done()
	if s.conn == nil {
		return
	}
	for _, stmt := range s.prepared {
		if stmt.row != nil {
			_ = stmt.row.Scan() // which closes it: left open, it would hold the connection for ever
		}
		_ = stmt.Close()
	}
	err := s.release()
	if s.began && !s.committed {
		_, rerr := s.conn.ExecContext(s.unwatched(), "ROLLBACK")
		err = errors.Join(err, rerr)
	}
	if err != nil {
		_ = s.conn.Raw(func(any) error { return driver.ErrBadConn })
	}
	_ = s.conn.Close()
}

// enter opens an operation: it fails after a failure, when the caller is gone
// or when a fault is injected. (After the end the connection refuses.)
func (s *snapshot) enter(op string) error {
	if s.failed != nil {
		return s.failed
	}
	if err := s.ctx.Err(); err != nil {
		return s.fail(op, err)
	}
	if s.db.opts.Fault != nil {
		if err := s.db.opts.Fault(op); err != nil {
			return s.fail(op, err)
		}
	}
	return nil
}

// fail makes a failure of the store one of ErrUnavailable and remembers it:
// SQLite may already have rolled the transaction back (disk full, I/O error),
// and a later statement would stand alone.
func (s *snapshot) fail(op string, err error) error {
	if err == nil {
		return nil
	}
	if cause := s.ctx.Err(); cause != nil && !errors.Is(err, cause) {
		err = errors.Join(cause, err)
	}
	err = fmt.Errorf("%s: %w: %w", op, store.ErrUnavailable, err)
	if s.failed == nil {
		s.failed = err
	}
	return err
}

// Head is the last commit seen.
func (s *snapshot) Head() store.Stamp { return s.head }

func (s *snapshot) trace(query string, args []any) {
	if s.db.opts.Trace != nil {
		s.db.opts.Trace(query, args)
	}
}

// each runs a query and calls scan for each row. It keeps no statement: what scan
// asks may be the same query again, while the rows are open.
func (s *snapshot) each(op, query string, args []any, scan func(*sql.Rows) error) (err error) {
	return s.eachIn(s.ctx, op, query, args, scan)
}

func (s *snapshot) eachIn(ctx context.Context, op, query string, args []any, scan func(*sql.Rows) error) (err error) {
	s.trace(query, args)
	rows, err := s.conn.QueryContext(ctx, query, args...)
	if err != nil {
		return s.fail(op, err)
	}
	defer func() {
		if cerr := rows.Close(); err == nil && cerr != nil {
			err = s.fail(op, cerr)
		}
	}()
	for rows.Next() {
		if err := scan(rows); err != nil {
			return s.fail(op, err)
		}
	}
	return s.fail(op, rows.Err())
}

// one runs a query for at most one row; found is false when there is none.
func (s *snapshot) one(op, query string, args []any, dest ...any) (found bool, err error) {
	return s.found(op, s.queryRowIn(s.ctx, query, args), dest)
}

// byKey is one for a row that an index finds.
func (s *snapshot) byKey(op, query string, args []any, dest ...any) (found bool, err error) {
	return s.found(op, s.queryRow(query, args...), dest)
}

func (s *snapshot) found(op string, row scanner, dest []any) (bool, error) {
	err := row.Scan(dest...)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return err == nil, s.fail(op, err)
}

// statement is a prepared statement. The driver has one place in its rows for all
// who use it: asked again while a row is open, it would give rows of the wrong query.
type statement struct {
	*sql.Stmt
	row *sql.Row // that was not scanned yet; nil: none
}

// errOpen is a fault of ours: a statement is wanted of which a row is open.
var errOpen = errors.New("a row of the same statement was not scanned yet")

// openRow is the row of a statement, which is free again once it is scanned.
type openRow struct {
	*sql.Row
	of *statement
}

// Scan reads the row and frees its statement.
func (r openRow) Scan(dest ...any) error {
	defer func() { r.of.row = nil }()
	return r.Row.Scan(dest...)
}

// noRow is the row of a query that could not be asked.
type noRow struct{ error }

// Scan says why there is no row.
func (r noRow) Scan(...any) error { return r.error }

// queryRow runs a query for at most one row that an index finds; it must be scanned
// before the same query is run again.
func (s *snapshot) queryRow(query string, args ...any) scanner {
	return s.queryRowIn(s.unwatched(), query, args)
}

func (s *snapshot) queryRowIn(ctx context.Context, query string, args []any) scanner {
	stmt, err := s.prepare(query)
	if err != nil {
		return noRow{err}
	}
	s.trace(query, args)
	stmt.row = stmt.QueryRowContext(ctx, args...)
	return openRow{stmt.row, stmt}
}

func (s *snapshot) exec(op, query string, args ...any) (sql.Result, error) {
	stmt, err := s.prepare(query)
	if err != nil {
		return nil, s.fail(op, err)
	}
	s.trace(query, args)
	res, err := stmt.ExecContext(s.ctx, args...)
	return res, s.fail(op, err)
}

// prepare gives a query's statement: errOpen while a row of it is open.
func (s *snapshot) prepare(query string) (*statement, error) {
	if known := s.prepared[query]; known != nil {
		if known.row != nil {
			return nil, errOpen
		}
		return known, nil
	}
	stmt, err := s.conn.PrepareContext(s.ctx, query)
	if err != nil {
		return nil, err
	}
	if s.prepared == nil {
		s.prepared = map[string]*statement{}
	}
	s.prepared[query] = &statement{Stmt: stmt}
	return s.prepared[query], nil
}
