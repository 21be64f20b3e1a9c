package sqlite_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/internal/store/storetest"
)

var errInjected = errors.New("injected")

// Each operation of a transaction fails once: the transaction stores nothing,
// even if its caller drops the error, and the next one works.
func TestAFaultAtAnyOperationStoresNothing(t *testing.T) {
	var ops []string
	failAt := -1
	d := open(t, sqlite.Options{Fault: func(op string) error {
		ops = append(ops, op)
		if len(ops)-1 == failAt {
			return errInjected
		}
		return nil
	}})
	update := func(mark string, drop bool) error {
		return d.Update(t.Context(), func(w store.Writer) error {
			err := writeAll(t, w, mark)
			if drop {
				return nil
			}
			return err
		})
	}
	ops = nil
	require.NoError(t, update("first", false))
	all := ops
	require.Equal(t, "update", all[0])
	require.Equal(t, "commit", all[len(all)-1])
	assert.Len(t, unique(all), 20+25, "every operation of a Writer: %v", unique(all))
	failAt = -1
	before := state(t, d)
	for i, op := range all {
		for _, drop := range []bool{false, true} {
			ops, failAt = nil, i
			err := update(fmt.Sprint(i, drop), drop)
			assert.ErrorIs(t, err, store.ErrUnavailable, op)
			assert.ErrorIs(t, err, errInjected, op)
			failAt = -1
			require.Equal(t, before, state(t, d), op)
		}
	}
	require.NoError(t, update("last", false))
	assert.NotEqual(t, before, state(t, d))
}

func unique(ss []string) map[string]bool {
	m := map[string]bool{}
	for _, s := range ss {
		m[s] = true
	}
	return m
}

// A full disk, as SQLite reports it when the file may not grow: found at the
// write or at the commit, nothing is stored; with room again, work goes on.
func TestAFullDiskStoresNothing(t *testing.T) {
	d := open(t, sqlite.Options{})
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error { return writeAll(t, w, "first") }))
	before := state(t, d)
	var pages int
	require.NoError(t, d.Writer().QueryRowContext(t.Context(), `PRAGMA page_count`).Scan(&pages))
	limit := func(n int) {
		var got int
		require.NoError(t, d.Writer().QueryRowContext(t.Context(), fmt.Sprint(`PRAGMA max_page_count = `, n)).Scan(&got))
		require.Equal(t, n, got)
	}
	limit(pages + 2)
	fill := func(w store.Writer) error {
		if err := writeAll(t, w, "second"); err != nil {
			return err
		}
		_, err := w.PutDelivery(store.Delivery{Clinic: owner.Clinic, Record: "s1", Body: make([]byte, 1<<20)})
		return err
	}
	err := d.Update(t.Context(), fill)
	assert.ErrorIs(t, err, store.ErrUnavailable)
	assert.ErrorContains(t, err, "full")
	assert.Equal(t, before, state(t, d))

	// SQLite ends the transaction itself then; what follows must not stand
	// alone.
	limit(pages + 2)
	err = d.Update(t.Context(), func(w store.Writer) error {
		assert.Error(t, fill(w))
		assert.Error(t, w.PutEvent("north", "change", []byte("alone")))
		return nil
	})
	assert.ErrorIs(t, err, store.ErrUnavailable)
	assert.Equal(t, before, state(t, d))

	limit(pages + 1000)
	require.NoError(t, d.Update(t.Context(), fill))
	assert.NotEqual(t, before, state(t, d))
}

// Another process holds the write lock for longer than the wait: nothing is
// stored, reads go on, and once it lets go work goes on.
func TestALockedDatabaseStoresNothing(t *testing.T) {
	d := open(t, sqlite.Options{Busy: 50 * time.Millisecond})
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error { return writeAll(t, w, "first") }))
	before := state(t, d)
	other, err := sql.Open("sqlite", d.Path())
	require.NoError(t, err)
	defer func() { assert.NoError(t, other.Close()) }()
	conn, err := other.Conn(t.Context())
	require.NoError(t, err)
	_, err = conn.ExecContext(t.Context(), "BEGIN EXCLUSIVE")
	require.NoError(t, err)
	called := false
	err = d.Update(t.Context(), func(store.Writer) error { called = true; return nil })
	assert.ErrorIs(t, err, store.ErrUnavailable)
	assert.False(t, called, "refused before any work")
	assert.ErrorIs(t, d.NewEpoch(t.Context()), store.ErrUnavailable)
	assert.Equal(t, before, state(t, d))
	_, err = conn.ExecContext(t.Context(), "ROLLBACK")
	require.NoError(t, err)
	require.NoError(t, conn.Close())
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error { return writeAll(t, w, "second") }))
}

// A file that cannot be written (here by a setting of the connection).
func TestAReadOnlyDatabaseStoresNothing(t *testing.T) {
	d := open(t, sqlite.Options{})
	before := state(t, d)
	set := func(v string) {
		_, err := d.Writer().ExecContext(t.Context(), "PRAGMA query_only = "+v)
		require.NoError(t, err)
	}
	set("ON")
	err := d.Update(t.Context(), func(w store.Writer) error { return writeAll(t, w, "x") })
	assert.ErrorIs(t, err, store.ErrUnavailable)
	assert.Equal(t, before, state(t, d))
	set("OFF")
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error { return writeAll(t, w, "x") }))
}

// A request cancelled in the middle of a statement, of a wait for the writer,
// and of a wait for a reader.
func TestACancelledRequestFreesItsWork(t *testing.T) {
	d := open(t, sqlite.Options{})
	before := state(t, d)
	for name, wait := range map[string]func(ctx context.Context) error{
		"statement": func(ctx context.Context) error {
			return d.Update(ctx, func(w store.Writer) error {
				if err := writeAll(t, w, "x"); err != nil {
					return err
				}
				return sqlite.Spin(w)
			})
		},
		"writer": func(ctx context.Context) error {
			return d.Update(t.Context(), func(store.Writer) error {
				return d.Update(ctx, func(store.Writer) error { return nil })
			})
		},
		"reader": func(ctx context.Context) error { return holdReaders(ctx, t, d, sqlite.Readers) },
	} {
		ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
		start := time.Now()
		err := wait(ctx)
		cancel()
		assert.ErrorIs(t, err, store.ErrUnavailable, name)
		assert.ErrorIs(t, err, context.DeadlineExceeded, name)
		assert.Less(t, time.Since(start), 20*time.Second, name)
		assert.Equal(t, before, state(t, d), name)
	}
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error { return writeAll(t, w, "y") }))
}

// holdReaders opens n snapshots within one another and then one more.
func holdReaders(ctx context.Context, t *testing.T, d *sqlite.DB, n int) error {
	if n == 0 {
		return d.View(ctx, func(store.Reader) error { return nil })
	}
	return d.View(t.Context(), func(store.Reader) error { return holdReaders(ctx, t, d, n-1) })
}

// Errors of the store name operations, never data.
func TestErrorsHoldNoData(t *testing.T) {
	d := open(t, sqlite.Options{})
	const mark = "Zzyzx"
	_, err := put(t, d, "a", "one")
	require.NoError(t, err)
	err = d.Update(t.Context(), func(w store.Writer) error {
		if _, err := w.Stamp(t0); err != nil {
			return err
		}
		_, err := w.Put(store.Owner{Clinic: mark, Patient: mark}, mark, storetest.Checked(t, storetest.Plan("a", mark)), nil)
		return err
	})
	require.Error(t, err)
	assert.NotContains(t, err.Error(), mark)
	limit := strings.Repeat(mark, 1<<18)
	_, err = d.Writer().ExecContext(t.Context(), `PRAGMA max_page_count = 10`)
	require.NoError(t, err)
	err = d.Update(t.Context(), func(w store.Writer) error { return w.PutEvent("north", mark, []byte(limit)) })
	require.Error(t, err)
	assert.NotContains(t, err.Error(), mark)
}
