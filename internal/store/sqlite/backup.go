package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"nailbridge/internal/disk"
	"nailbridge/internal/store"
	"nailbridge/internal/store/order"
)

// ErrNotWhole: a backup that is damaged, cut short or no backup at all.
var ErrNotWhole = errors.New("not a whole backup")

// ErrOpened: a backup beside which there is what SQLite keeps there, so that it was
// opened, and maybe changed, since it was made.
var ErrOpened = errors.New("the backup was opened since it was made")

// ErrNamespace: a backup of data whose ids were made in another namespace.
var ErrNamespace = errors.New("the backup is of another namespace of ids")

// Taken is what a backup says of itself.
type Taken struct {
	// At is an instant before the backup's snapshot: whatever was answered
	// before it is in the backup. Zero: not known.
	At time.Time
	// Namespace marks the secret namespace of ids without giving it away; "":
	// not known.
	Namespace string
}

// besides are the endings of the files that SQLite keeps beside a data file.
var besides = []string{"-wal", "-shm", "-journal"}

// Backup writes the last committed state to a new file, readable by its owner
// alone, while work goes on, in this process and in others. The file must not
// exist, nor be made meanwhile: fs.ErrExist. It is there once it is whole and on
// the disk. A process that is killed meanwhile leaves a file whose name goes on with
// ".part-", which is no backup.
func (d *DB) Backup(ctx context.Context, path string, taken Taken) (err error) {
	if err := absent(path); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	part, err := emptyBeside(path)
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, removeData(part))
		}
	}()
	if err := d.copyInto(ctx, part, taken); err != nil {
		return fmt.Errorf("backup: %w: %w", store.ErrUnavailable, err)
	}
	if err := disk.SyncFile(part); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	if err := rename(part, path); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	if err := disk.SyncFolder(filepath.Dir(path)); err != nil {
		// Whether its name is on the disk is not known, so that it is not kept.
		return errors.Join(fmt.Errorf("backup: %w", err), os.Remove(path))
	}
	return nil
}

// copyInto copies the last committed state into an empty file and notes there
// what it is.
func (d *DB) copyInto(ctx context.Context, part string, taken Taken) (err error) {
	// Its own connection: it writes, but no table, and may take long.
	db := pool(d.path, d.opts.Busy, false, 1)
	_, err = db.ExecContext(ctx, `VACUUM INTO ?`, part)
	if err := errors.Join(err, db.Close()); err != nil {
		return err
	}
	made := pool(part, d.opts.Busy, false, 1)
	defer func() { err = errors.Join(err, made.Close()) }() // which takes the write-ahead file into it
	for _, step := range []func() error{
		func() error { _, err := made.ExecContext(ctx, `DELETE FROM backup`); return err },
		func() error {
			_, err := made.ExecContext(ctx, `INSERT INTO backup (taken, namespace) VALUES (?, ?)`,
				instant(taken.At), taken.Namespace)
			return err
		},
		func() error { return truncateWAL(ctx, made) },
	} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

// Restored is what Restore did.
type Restored struct {
	Taken Taken
	Epoch string // the one that began
}

// Restore makes the data file of o.Dir from a backup, under a new epoch:
// version ids and page tokens given out since the backup are not given out
// again (D8.3), nor instants of lastUpdated, as far as order.Place.Restored can
// know them. now is noted as the end of the interval that is lost; namespace
// is the mark of the namespace in use, ErrNamespace when the backup has
// another. prepare, if any, works on the data before they are put in place. It
// fails, with fs.ErrExist, when there is a data file already, or what belongs to one; what an
// attempt that was cut off left is no hindrance. ErrOpened: the backup is not as it
// was made. The folder is the caller's
// alone meanwhile.
func Restore(ctx context.Context, backup string, o Options, namespace string, now time.Time, prepare func(*DB) error) (done Restored, err error) {
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		return done, fmt.Errorf("restore: %w", err)
	}
	final := filepath.Join(o.Dir, File)
	// A write-ahead file without its data file would be played into whatever is
	// put there.
	for _, end := range append([]string{""}, besides...) {
		if err := absent(final + end); err != nil {
			return done, fmt.Errorf("restore: %w", err)
		}
	}
	for _, end := range besides {
		if err := absent(backup + end); err != nil {
			return done, fmt.Errorf("restore: %w: %w", ErrOpened, err)
		}
	}
	part := final + ".restore"
	if err := removeData(part); err != nil { // of an attempt that was cut off
		return done, fmt.Errorf("restore: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, removeData(part))
		}
	}()
	if err := copyFile(part, backup); err != nil {
		return done, fmt.Errorf("restore: %w", err)
	}
	if done, err = begin(ctx, part, o, namespace, now, prepare); err != nil {
		return Restored{}, fmt.Errorf("restore: %w", err)
	}
	if err := disk.SyncFile(part); err != nil {
		return Restored{}, fmt.Errorf("restore: %w", err)
	}
	if err := os.Rename(part, final); err != nil {
		return Restored{}, fmt.Errorf("restore: %w", err)
	}
	if err := disk.SyncFolder(o.Dir); err != nil {
		// Put back, so that the next attempt finds the folder as this one did.
		return Restored{}, errors.Join(fmt.Errorf("restore: %w", err), os.Rename(final, part))
	}
	return done, nil
}

// begin makes a copy of a backup ready to go on from.
func begin(ctx context.Context, part string, o Options, namespace string, now time.Time, prepare func(*DB) error) (done Restored, err error) {
	if err := whole(ctx, part); err != nil {
		return done, err
	}
	d, err := open(ctx, part, o)
	if err != nil {
		return done, err
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	if done.Taken, err = d.taken(ctx); err != nil {
		return done, err
	}
	if done.Taken.Namespace != "" && namespace != "" && done.Taken.Namespace != namespace {
		return done, ErrNamespace
	}
	done.Epoch = d.opts.NewEpoch()
	if err := d.goOn(ctx, done, now); err != nil {
		return done, err
	}
	if prepare != nil {
		if err := prepare(d); err != nil {
			return done, err
		}
	}
	return done, truncateWAL(ctx, d.writer)
}

// whole reads a file through: ErrNotWhole when it is no whole data file.
func whole(ctx context.Context, path string) (err error) {
	db := pool(path, defaultBusy, false, 1)
	defer func() { err = errors.Join(err, db.Close()) }()
	var said string
	if err := db.QueryRowContext(ctx, `PRAGMA integrity_check(1)`).Scan(&said); err != nil {
		return fmt.Errorf("%w: %w", ErrNotWhole, err)
	}
	var tables int
	err = db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema WHERE name IN ('epoch', 'delivery', 'version')`).Scan(&tables)
	if err != nil || said != "ok" || tables != 3 {
		return errors.Join(ErrNotWhole, err)
	}
	return nil
}

// taken is what the data file, fresh from a backup, says of that.
func (d *DB) taken(ctx context.Context) (t Taken, err error) {
	err = d.writer.QueryRowContext(ctx, `SELECT taken, namespace FROM backup ORDER BY ord DESC LIMIT 1`).Scan(at{&t.At}, &t.Namespace)
	if errors.Is(err, sql.ErrNoRows) {
		return Taken{}, nil
	}
	return t, err
}

// goOn begins the new epoch and notes the interval that is lost, in one
// transaction.
func (d *DB) goOn(ctx context.Context, done Restored, now time.Time) (err error) {
	tx, err := d.writer.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, tx.Rollback())
		}
	}()
	if err := beginEpoch(ctx, tx, done.Epoch); err != nil {
		return err
	}
	if err := stampRestore(ctx, tx, done.Taken.At, now); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO restored (epoch, taken, restored_at) VALUES (?, ?, ?)`,
		done.Epoch, instant(done.Taken.At), instant(now)); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM backup`); err != nil {
		return err
	}
	return tx.Commit()
}

// stampRestore takes the place of the restore itself, so that every commit of
// the new epoch is later than what the lost interval told (order.Restored): a
// hub that goes on from an instant it was told then misses none of them.
func stampRestore(ctx context.Context, tx *sql.Tx, taken, now time.Time) error {
	var last order.Place
	err := tx.QueryRowContext(ctx, `SELECT seq, updated FROM stamp ORDER BY seq DESC LIMIT 1`).Scan(&last.Seq, &last.At)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	ms := int64(0)
	if !taken.IsZero() {
		ms = taken.UnixMilli()
	}
	p := last.Restored(ms, now.UnixMilli())
	_, err = tx.ExecContext(ctx, insertStamp, p.Seq, p.At)
	return err
}

// Restores gives the restores that the data went through, in order.
func (s *snapshot) Restores() ([]store.Restore, error) {
	const op = "restores"
	if err := s.enter(op); err != nil {
		return nil, err
	}
	var out []store.Restore
	err := s.each(op, `SELECT epoch, taken, restored_at FROM restored ORDER BY ord`, nil, func(rows *sql.Rows) error {
		var r store.Restore
		err := rows.Scan(&r.Epoch, at{&r.Taken}, at{&r.At})
		out = append(out, r)
		return err
	})
	return out, err
}

// NewEpoch puts a new epoch in force, for a data file that was put back by
// other means than Restore. What was told since the file was of that state is
// not known, so that an instant of then may lie after commits to come.
func (d *DB) NewEpoch(ctx context.Context) error {
	conn, err := d.writer.Conn(ctx)
	if err != nil {
		return fmt.Errorf("new epoch: %w: %w", store.ErrUnavailable, err)
	}
	defer func() { _ = conn.Close() }()
	return beginEpoch(ctx, conn, d.opts.NewEpoch())
}

// execer is a pool, one connection or a transaction.
type execer interface {
	ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error)
}

// beginEpoch puts a new epoch in force after the last stamp.
func beginEpoch(ctx context.Context, db execer, id string) error {
	if id == "" {
		return errors.New("begin epoch: empty")
	}
	_, err := db.ExecContext(ctx,
		`INSERT INTO epoch (id, after) VALUES (?, (SELECT coalesce(max(seq), 0) FROM stamp))`, id)
	if err != nil {
		return fmt.Errorf("begin epoch: %w: %w", store.ErrUnavailable, err)
	}
	return nil
}

// truncateWAL takes the write-ahead file into the data file and empties it.
func truncateWAL(ctx context.Context, db *sql.DB) error {
	var busy, frames, done int
	err := db.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &frames, &done)
	if err == nil && busy != 0 {
		err = errors.New("the write-ahead file is still being read")
	}
	return err
}

// absent is fs.ErrExist when there is such a file.
func absent(path string) error {
	switch _, err := os.Lstat(path); {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	}
	return fmt.Errorf("%s: %w", filepath.Base(path), fs.ErrExist)
}

// link gives a file a second name, unless it is somebody's; another in tests.
var link = os.Link

// rename gives a file a new name, unless it is somebody's: fs.ErrExist, and both
// stay as they are. os.Rename would take the name away from the other.
func rename(from, to string) error {
	switch err := link(from, to); {
	case err == nil:
		if err := os.Remove(from); err != nil {
			return errors.Join(err, os.Remove(to))
		}
		return nil
	case errors.Is(err, fs.ErrExist):
		return fmt.Errorf("%s: %w", filepath.Base(to), fs.ErrExist)
	}
	// File systems without second names say so in many ways. There the name is taken
	// by an empty file first, which a kill at this instant leaves.
	f, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Close(), os.Rename(from, to)); err != nil {
		return errors.Join(err, os.Remove(to))
	}
	return nil
}

// partOf names the file that a backup is written to; another in tests.
var partOf = func(path string) string { return path + ".part-" + randomEpoch() }

// emptyBeside makes an empty file in the folder of another, under a name that
// no other work has.
func emptyBeside(path string) (part string, err error) {
	part = partOf(path)
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return "", err
	}
	if err := f.Close(); err != nil {
		return "", errors.Join(err, os.Remove(part))
	}
	return part, nil
}

// removeData removes a data file and what SQLite keeps beside it, as far as
// they are there.
func removeData(path string) (err error) {
	for _, end := range append([]string{""}, besides...) {
		if gone := os.Remove(path + end); !errors.Is(gone, fs.ErrNotExist) {
			err = errors.Join(err, gone)
		}
	}
	return err
}

func copyFile(to, from string) (err error) {
	src, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	dst, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(dst, src)
	return errors.Join(err, dst.Close())
}
