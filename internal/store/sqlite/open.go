package sqlite

import (
	"context"
	"crypto/rand"
	"database/sql"
	"database/sql/driver"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/pressly/goose/v3"
	"golang.org/x/sync/semaphore"
	sqlite3 "modernc.org/sqlite"

	"nailbridge/internal/store"
)

// File is the name of the data file in its folder.
const File = "nailbridge.db"

// readers bounds the read transactions open at once; a View past it waits.
const readers = 16

// defaultBusy is how long a statement waits for a lock that another process
// holds.
const defaultBusy = 5 * time.Second

//go:embed migrations/*.sql
var migrations embed.FS

// ErrNewer is a data file written by a later release: it is left untouched.
var ErrNewer = errors.New("data file was written by a newer release")

// ErrOlder is a data file of an earlier release, opened to be read only.
var ErrOlder = errors.New("data file was written by an older release: serve brings it up to date when it starts")

// Options say where the data are and how a store behaves.
type Options struct {
	// Dir holds the data file and belongs to the store: it is made, or its
	// mode set, to 0700.
	Dir string
	// NewEpoch gives the epoch of a new file: short, unique, of the letters
	// an id may have (R4 datatypes.html#id). nil: 8 random hex digits.
	NewEpoch func() string
	// ReadOnly opens a file that is there to be read, beside whoever writes it:
	// nothing is made, brought up to date or written.
	ReadOnly bool
	// Busy is the wait for a lock held by another process. 0: five seconds.
	Busy time.Duration
	// Fault, if set, is called with the name of each operation before it
	// runs; its error stands for a failure of the store. nil in production.
	Fault func(op string) error
	// Trace, if set, is told each statement of an operation with its values before it
	// runs, so that a measure can run it alone. nil in production.
	Trace func(query string, args []any)
}

// DB is a store in one SQLite file. It is safe for concurrent use.
type DB struct {
	writer *sql.DB // one connection
	// turn is whose turn at the writer it is, first come first served: the pool
	// would pick any of those who wait, and let some wait for ever.
	turn   *semaphore.Weighted
	reader *sql.DB
	path   string
	opts   Options
	lead   int // driveCap, lower in tests

	mu      sync.Mutex
	closed  bool           // under mu
	running sync.WaitGroup // transactions; grows under mu, while not closed
}

var _ store.Store = (*DB)(nil)

// Open opens the data file in o.Dir, making folder, file and tables where
// they are missing. It fails rather than work with a connection that does not
// have the settings asked for.
func Open(ctx context.Context, o Options) (*DB, error) {
	if o.ReadOnly {
		path := filepath.Join(o.Dir, File)
		if _, err := os.Stat(path); err != nil {
			return nil, fmt.Errorf("data file: %w", err)
		}
		return open(ctx, path, o)
	}
	path, err := prepareFiles(o.Dir)
	if err != nil {
		return nil, err
	}
	return open(ctx, path, o)
}

func open(ctx context.Context, path string, o Options) (*DB, error) {
	if o.Busy == 0 {
		o.Busy = defaultBusy
	}
	if o.NewEpoch == nil {
		o.NewEpoch = randomEpoch
	}
	d := &DB{
		path:   path,
		opts:   o,
		lead:   driveCap,
		writer: pool(path, o.Busy, o.ReadOnly, 1), turn: semaphore.NewWeighted(1),
		reader: pool(path, o.Busy, true, readers),
	}
	if err := d.start(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("open store: %w", err), d.Close())
	}
	return d, nil
}

func (d *DB) start(ctx context.Context) error {
	if d.opts.ReadOnly {
		return upToDate(ctx, d.reader)
	}
	if err := migrate(ctx, d.writer); err != nil {
		return err
	}
	var epochs int
	if err := d.writer.QueryRowContext(ctx, `SELECT count(*) FROM epoch`).Scan(&epochs); err != nil {
		return err
	}
	if epochs == 0 {
		if err := beginEpoch(ctx, d.writer, d.opts.NewEpoch()); err != nil {
			return err
		}
	}
	return d.reader.PingContext(ctx)
}

// Close lets no transaction begin any more, waits for those that run, and
// closes the file. It must not be called from within one.
func (d *DB) Close() error {
	d.mu.Lock()
	d.closed = true
	d.mu.Unlock()
	d.running.Wait()
	return errors.Join(d.reader.Close(), d.writer.Close())
}

// enter counts a transaction in; it is false once the store is closing.
func (d *DB) enter() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.closed {
		d.running.Add(1)
	}
	return !d.closed
}

// prepareFiles makes folder and file for their owner alone. SQLite gives the
// -wal and -shm files the mode of the data file.
func prepareFiles(dir string) (string, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", fmt.Errorf("data folder: %w", err)
	}
	path := filepath.Join(dir, File)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return "", fmt.Errorf("data file: %w", err)
	}
	if err := f.Close(); err != nil {
		return "", fmt.Errorf("data file: %w", err)
	}
	if err := os.Chmod(dir, 0o700); err != nil {
		return "", fmt.Errorf("data folder: %w", err)
	}
	for _, p := range []string{path, path + "-wal", path + "-shm"} {
		if err := os.Chmod(p, 0o600); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("data file: %w", err)
		}
	}
	return path, nil
}

// setting is one PRAGMA: as asked and as it must read back.
type setting struct{ name, ask, want string }

func settings(busy time.Duration, readOnly bool) []setting {
	ms := fmt.Sprint(busy.Milliseconds())
	s := []setting{
		{"busy_timeout", ms, ms}, // first: the next ones may need a lock
		{"journal_mode", "WAL", "wal"},
		{"synchronous", "FULL", "2"},
		{"foreign_keys", "ON", "1"},
		{"temp_store", "MEMORY", "2"}, // no patient data in a temporary folder
		{"trusted_schema", "OFF", "0"},
	}
	if readOnly {
		s = append(s, setting{"query_only", "ON", "1"})
	}
	return s
}

func dsn(path string, ss []setting) string {
	q := url.Values{"_txlock": {"immediate"}}
	for _, s := range ss {
		q.Add("_pragma", s.name+"("+s.ask+")")
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}
	if !filepath.IsAbs(path) {
		u = url.URL{Scheme: "file", Opaque: url.PathEscape(path), RawQuery: q.Encode()}
	}
	return u.String()
}

// connector opens connections of the driver and reads their settings back.
type connector struct {
	driver   *sqlite3.Driver
	dsn      string
	settings []setting
}

func pool(path string, busy time.Duration, readOnly bool, size int) *sql.DB {
	return poolOf(path, settings(busy, readOnly), size)
}

func poolOf(path string, ss []setting, size int) *sql.DB {
	db := sql.OpenDB(connector{&sqlite3.Driver{}, dsn(path, ss), ss})
	db.SetMaxOpenConns(size)
	db.SetMaxIdleConns(size)
	return db
}

// Driver is part of driver.Connector.
func (c connector) Driver() driver.Driver { return c.driver }

// Connect opens a connection and returns it only if every setting reads back
// as asked (D9).
func (c connector) Connect(ctx context.Context) (driver.Conn, error) {
	conn, err := c.driver.Open(c.dsn)
	if err != nil {
		return nil, err
	}
	for _, s := range c.settings {
		if err := readBack(ctx, conn, s); err != nil {
			return nil, errors.Join(err, conn.Close())
		}
	}
	dc, ok := conn.(driverConn)
	if !ok {
		return nil, errors.Join(errDriver, conn.Close())
	}
	return newKeeping(dc), nil
}

func readBack(ctx context.Context, conn driver.Conn, s setting) error {
	q, ok := conn.(driver.QueryerContext)
	if !ok {
		return errors.New("sqlite driver cannot query on a connection")
	}
	rows, err := q.QueryContext(ctx, "PRAGMA "+s.name, nil)
	if err != nil {
		return fmt.Errorf("read back %s: %w", s.name, err)
	}
	got := make([]driver.Value, 1)
	err = rows.Next(got)
	if err := errors.Join(err, rows.Close()); err != nil {
		return fmt.Errorf("read back %s: %w", s.name, err)
	}
	if fmt.Sprint(got[0]) != s.want {
		return fmt.Errorf("setting %s reads back %v, want %s", s.name, got[0], s.want)
	}
	return nil
}

// schemas are the changes of the tables, each by its version.
func schemas(db *sql.DB) (*goose.Provider, error) {
	dir, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, err
	}
	p, err := goose.NewProvider(goose.DialectSQLite3, db, dir, goose.WithLogger(goose.NopLogger()))
	if err != nil {
		return nil, fmt.Errorf("migrations: %w", err)
	}
	return p, nil
}

func migrate(ctx context.Context, db *sql.DB) error {
	p, err := schemas(db)
	if err != nil {
		return err
	}
	have, want, err := p.GetVersions(ctx)
	if err != nil {
		return fmt.Errorf("migrations: %w", err)
	}
	if have > want {
		return fmt.Errorf("%w: its schema is %d, this release knows %d", ErrNewer, have, want)
	}
	if _, err := p.Up(ctx); err != nil {
		return fmt.Errorf("migrations: %w", err)
	}
	return nil
}

// upToDate fails for a file whose tables are not those of this release.
func upToDate(ctx context.Context, db *sql.DB) error {
	p, err := schemas(db)
	if err != nil {
		return err
	}
	known := p.ListSources()
	want := known[len(known)-1].Version
	var have int64
	err = db.QueryRowContext(ctx, `SELECT max(version_id) FROM goose_db_version WHERE is_applied`).Scan(&have)
	switch {
	case err != nil:
		return fmt.Errorf("migrations: %w", err)
	case have > want:
		return fmt.Errorf("%w: its schema is %d, this release knows %d", ErrNewer, have, want)
	case have < want:
		return fmt.Errorf("%w: its schema is %d, this release needs %d", ErrOlder, have, want)
	}
	return nil
}

func randomEpoch() string {
	var b [4]byte
	_, _ = rand.Read(b[:]) // never fails (crypto/rand)
	return hex.EncodeToString(b[:])
}
