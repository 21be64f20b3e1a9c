package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"nailbridge/internal/store"
)

// Backup writes the last committed state to a new file, readable by its owner
// alone, while work goes on. The file must not exist.
func (d *DB) Backup(ctx context.Context, path string) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	// Its own connection: it writes, but no table, and may take long.
	db := pool(d.path, d.opts.Busy, false, 1)
	defer func() { err = errors.Join(err, db.Close()) }()
	if _, err := db.ExecContext(ctx, `VACUUM INTO ?`, path); err != nil {
		return errors.Join(fmt.Errorf("backup: %w: %w", store.ErrUnavailable, err), os.Remove(path))
	}
	return syncFile(path)
}

// Restore makes the data file of o.Dir from a backup, under a new epoch:
// version ids and page tokens given out since the backup are not given out
// again (D8.3). It fails when there is a data file already.
func Restore(ctx context.Context, backup string, o Options) (err error) {
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	final := filepath.Join(o.Dir, File)
	if _, err := os.Stat(final); !errors.Is(err, os.ErrNotExist) {
		return errors.Join(fmt.Errorf("restore: %s exists already", File), err)
	}
	part := final + ".restore"
	if err := copyFile(part, backup); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(part))
		}
	}()
	d, err := open(ctx, part, o)
	if err != nil {
		return err
	}
	if err := errors.Join(d.NewEpoch(ctx), d.Close()); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	if err := syncFile(part); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	if err := os.Rename(part, final); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	return syncFile(o.Dir)
}

// NewEpoch puts a new epoch in force, for a data file that was put back by
// other means than Restore.
func (d *DB) NewEpoch(ctx context.Context) error {
	conn, err := d.writer.Conn(ctx)
	if err != nil {
		return fmt.Errorf("new epoch: %w: %w", store.ErrUnavailable, err)
	}
	defer func() { _ = conn.Close() }()
	return beginEpoch(ctx, conn, d.opts.NewEpoch())
}

// execer is a pool or one connection.
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

// syncFile flushes a file or folder to the disk.
func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
