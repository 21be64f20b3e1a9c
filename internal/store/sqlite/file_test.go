package sqlite_test

import (
	"context"
	"database/sql"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/internal/store/storetest"
	"nailbridge/mapping/resource"
)

// D9: a PRAGMA by Exec reaches one pooled connection, so every connection of
// both pools is asked, all of them open at once.
func TestD9_SettingsHoldOnEveryConnection(t *testing.T) {
	d := open(t, sqlite.Options{})
	want := map[string]string{
		"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1", "busy_timeout": "5000",
		"temp_store": "2", "trusted_schema": "0", "query_only": "0",
	}
	askAll(t, d.Writer(), 1, want)
	want["query_only"] = "1"
	askAll(t, d.Reader(), sqlite.Readers, want)
	assert.Equal(t, 1, d.Writer().Stats().MaxOpenConnections)
}

// A setting that SQLite does not take on is no warning: the connection is not
// used.
func TestD9_AConnectionThatReadsBackElseIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.db")
	assert.NoError(t, sqlite.Connect(t.Context(), path, "synchronous", "FULL", "2"))
	assert.ErrorContains(t, sqlite.Connect(t.Context(), path, "synchronous", "NORMAL", "2"), "synchronous reads back 1, want 2")
	assert.Error(t, sqlite.Connect(t.Context(), path, "no_such_setting", "1", "1"))
}

func askAll(t *testing.T, pool *sql.DB, n int, want map[string]string) {
	t.Helper()
	for range n {
		c, err := pool.Conn(t.Context())
		require.NoError(t, err)
		defer func() { assert.NoError(t, c.Close()) }()
		for name, value := range want {
			var got string
			require.NoError(t, c.QueryRowContext(t.Context(), "PRAGMA "+name).Scan(&got))
			assert.Equal(t, value, got, name)
		}
	}
	assert.Equal(t, n, pool.Stats().OpenConnections)
}

func TestFilesAreForTheirOwnerAlone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data of a?b", "here")
	require.NoError(t, os.MkdirAll(dir, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, sqlite.File), nil, 0o644))
	d := open(t, sqlite.Options{Dir: dir})
	_, err := put(t, d, "a", "one")
	require.NoError(t, err)
	backup := filepath.Join(t.TempDir(), "backup")
	require.NoError(t, d.Backup(t.Context(), backup, sqlite.Taken{}))
	assert.Equal(t, fs.FileMode(0o700), mode(t, dir).Perm())
	for _, p := range []string{"", "-wal", "-shm"} {
		assert.Equal(t, fs.FileMode(0o600), mode(t, filepath.Join(dir, sqlite.File+p)), p)
	}
	assert.Equal(t, fs.FileMode(0o600), mode(t, backup))
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, entries, 3, "nothing beside the data file")
}

func mode(t *testing.T, path string) fs.FileMode {
	t.Helper()
	st, err := os.Stat(path)
	require.NoError(t, err)
	return st.Mode() &^ fs.ModeDir
}

func TestDataAreThereAfterAReopen(t *testing.T) {
	dir := t.TempDir()
	d := open(t, sqlite.Options{Dir: dir})
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error { return writeAll(t, w, "x") }))
	want := state(t, d)
	require.NoError(t, d.Close())
	assert.Equal(t, want, state(t, open(t, sqlite.Options{Dir: dir, NewEpoch: func() string { return "unused" }})))
}

// R-ING-05: what a killed process leaves: the files as they are. A commit that was
// answered is there, a transaction under way is not.
func TestAKilledProcessLeavesWholeCommits(t *testing.T) {
	d := open(t, sqlite.Options{})
	var want, got string
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error { return writeAll(t, w, "x") }))
	want = state(t, d)
	dir := t.TempDir()
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error {
		if err := writeAll(t, w, "y"); err != nil {
			return err
		}
		for _, p := range []string{"", "-wal"} {
			b, err := os.ReadFile(d.Path() + p)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(dir, sqlite.File+p), b, 0o600))
		}
		got = state(t, open(t, sqlite.Options{Dir: dir}))
		return nil
	}))
	assert.Equal(t, want, got)
	assert.NotEqual(t, want, state(t, d))
}

func TestAFileOfALaterReleaseIsLeftAlone(t *testing.T) {
	dir := t.TempDir()
	d := open(t, sqlite.Options{Dir: dir})
	_, err := d.Writer().ExecContext(t.Context(), `INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, 1)`)
	require.NoError(t, err)
	require.NoError(t, d.Close())
	_, err = sqlite.Open(t.Context(), sqlite.Options{Dir: dir})
	assert.ErrorIs(t, err, sqlite.ErrNewer)
}

// A store opened to be read sees what another commits meanwhile, and neither
// makes, changes nor keeps from being written anything.
func TestReadOnlyBesideAWriter(t *testing.T) {
	dir := t.TempDir()
	_, err := sqlite.Open(t.Context(), sqlite.Options{Dir: dir, ReadOnly: true})
	assert.ErrorIs(t, err, fs.ErrNotExist)
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, entries, "nothing is made")

	w := open(t, sqlite.Options{Dir: dir})
	_, err = put(t, w, "a", "one")
	require.NoError(t, err)
	r := open(t, sqlite.Options{Dir: dir, ReadOnly: true})
	require.NoError(t, r.View(t.Context(), func(store.Reader) error {
		_, err = put(t, w, "a", "two")
		return err
	}))
	assert.Equal(t, state(t, w), state(t, r))
	_, err = put(t, r, "a", "three")
	assert.ErrorIs(t, err, store.ErrUnavailable)
	_, err = put(t, w, "a", "three")
	assert.NoError(t, err)

	_, err = w.Writer().ExecContext(t.Context(), `DELETE FROM goose_db_version WHERE version_id > 1`)
	require.NoError(t, err)
	_, err = sqlite.Open(t.Context(), sqlite.Options{Dir: dir, ReadOnly: true})
	assert.ErrorIs(t, err, sqlite.ErrOlder)
	_, err = w.Writer().ExecContext(t.Context(), `INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, 1)`)
	require.NoError(t, err)
	_, err = sqlite.Open(t.Context(), sqlite.Options{Dir: dir, ReadOnly: true})
	assert.ErrorIs(t, err, sqlite.ErrNewer)
}

func TestD8_3_EpochIsGivenAtCreation(t *testing.T) {
	d := open(t, sqlite.Options{NewEpoch: func() string { return "abcd1234" }})
	v, err := put(t, d, "a", "one")
	require.NoError(t, err)
	assert.Equal(t, "abcd1234-1", v.VersionID)
	_, err = sqlite.Open(t.Context(), sqlite.Options{Dir: t.TempDir(), NewEpoch: func() string { return "" }})
	assert.Error(t, err)
	v, err = put(t, open(t, sqlite.Options{}), "a", "one")
	require.NoError(t, err)
	assert.Regexp(t, `^[0-9a-f]{8}-1$`, v.VersionID)
}

// D8.3: a versionId is never given out twice, across a restore too, and a
// token from before it is told apart.
func TestD8_3_RestoreBeginsAnEpoch(t *testing.T) {
	dir, n := t.TempDir(), 0
	o := sqlite.Options{Dir: filepath.Join(dir, "old"), NewEpoch: func() string { n++; return fmt.Sprint("epoch", n) }}
	d := open(t, o)
	seen := map[string]string{}
	note := func(v store.Version, err error) {
		t.Helper()
		require.NoError(t, err)
		require.NotContains(t, seen, v.VersionID)
		seen[v.VersionID] = string(v.Body)
	}
	note(put(t, d, "a", "one"))
	backup := filepath.Join(dir, "backup")
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error {
		require.NoError(t, d.Backup(t.Context(), backup, sqlite.Taken{}), "while a write is open")
		return nil
	}))
	assert.Error(t, d.Backup(t.Context(), backup, sqlite.Taken{}), "a backup is not overwritten")
	note(put(t, d, "a", "lost"))

	o.Dir = filepath.Join(dir, "new")
	_, err := sqlite.Restore(t.Context(), backup, o, "", t0, nil)
	require.NoError(t, err)
	_, err = sqlite.Restore(t.Context(), backup, o, "", t0, nil)
	assert.ErrorIs(t, err, fs.ErrExist, "data are not overwritten")
	entries, err := os.ReadDir(o.Dir)
	require.NoError(t, err)
	assert.Len(t, entries, 1)
	assert.Equal(t, fs.FileMode(0o600), mode(t, filepath.Join(o.Dir, sqlite.File)))

	r := open(t, o)
	require.NoError(t, r.View(t.Context(), func(r store.Reader) error {
		assert.Equal(t, "epoch2", r.Head().Epoch)
		v, err := r.VRead(resource.Ref{Type: "CarePlan", ID: "a"}, "epoch1-1")
		require.NoError(t, err)
		assert.Equal(t, seen["epoch1-1"], string(v.Body), "what the backup holds keeps its ids")
		_, err = r.VRead(v.Ref, "epoch1-2")
		assert.ErrorIs(t, err, store.ErrNotFound)
		_, err = r.Search(store.Query{Type: "CarePlan", Epoch: "epoch1", UpTo: 2, Count: 1})
		assert.ErrorIs(t, err, store.ErrEpoch)
		return nil
	}))
	note(put(t, r, "a", "new"))
	assert.Contains(t, seen, "epoch2-2")
	require.NoError(t, r.NewEpoch(t.Context()))
	note(put(t, r, "a", "newer"))
	assert.Contains(t, seen, "epoch3-3")
}

func TestAnEpochIsNeverUsedAgain(t *testing.T) {
	d := open(t, sqlite.Options{NewEpoch: func() string { return "same" }})
	assert.Error(t, d.NewEpoch(t.Context()))
}

func TestAFailedBackupLeavesNoFile(t *testing.T) {
	d := open(t, sqlite.Options{})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	path := filepath.Join(t.TempDir(), "backup")
	assert.ErrorIs(t, d.Backup(ctx, path, sqlite.Taken{}), store.ErrUnavailable)
	assert.NoFileExists(t, path)
}

// Two processes on one folder: their commits take one order.
func TestTwoStoresOnOneFolder(t *testing.T) {
	dir := t.TempDir()
	a, b := open(t, sqlite.Options{Dir: dir}), open(t, sqlite.Options{Dir: dir})
	errs := make(chan error, 2)
	for i, d := range []*sqlite.DB{a, b} {
		go func() {
			var err error
			defer func() { errs <- err }()
			for n := 0; n < 10 && err == nil; n++ {
				_, err = put(t, d, "a", fmt.Sprint(i, n))
			}
		}()
	}
	require.NoError(t, <-errs)
	require.NoError(t, <-errs)
	require.NoError(t, a.View(t.Context(), func(r store.Reader) error {
		h, err := r.History(store.HistoryQuery{Count: 100})
		require.Len(t, h.Versions, 20)
		for i, v := range h.Versions {
			assert.EqualValues(t, 20-i, v.Seq)
			assert.EqualValues(t, 20-i, v.Number)
		}
		return err
	}))
}

// Content in the order that the mapping writes is served as put but for its
// meta, and is not stored twice; in another order it is kept as put.
func TestContentIsStoredOnce(t *testing.T) {
	d := open(t, sqlite.Options{})
	ordered, err := resource.Ordered([]byte(storetest.Plan("a", strings.Repeat("<x & y>", 100))))
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(string(ordered), `{"resourceType":"CarePlan","id":"a",`))
	tagged := strings.Replace(string(ordered), `"id":"a",`, `"id":"b","meta":{"source":"http://example.org/?a=1&b=<2>"},`, 1)
	for i, content := range []string{string(ordered), tagged, storetest.Plan("c", "sorted")} {
		require.NoError(t, d.Update(t.Context(), func(w store.Writer) error {
			if _, err := w.Stamp(t0); err != nil {
				return err
			}
			_, err := w.Put(owner, "case", storetest.Checked(t, content), rows("Patient/p"))
			return err
		}))
		var kept int
		require.NoError(t, d.Writer().QueryRowContext(t.Context(), `SELECT count(content) FROM resource`).Scan(&kept))
		assert.Equal(t, i/2, kept, content)
	}
	require.NoError(t, d.View(t.Context(), func(r store.Reader) error {
		held, err := r.Owned(owner)
		require.Len(t, held, 3)
		assert.Equal(t, string(ordered), string(held[0].Content.JSON()))
		assert.Equal(t, tagged, string(held[1].Content.JSON()))
		assert.Equal(t, storetest.Plan("c", "sorted"), string(held[2].Content.JSON()))
		return err
	}))
}

// A hidden version leaves nothing to be found by in the index.
func TestD3_1_IndexRowsOfHiddenVersionsAreRemoved(t *testing.T) {
	d := open(t, sqlite.Options{})
	_, err := put(t, d, "a", "one")
	require.NoError(t, err)
	before := indexRows(t, d)
	ref := resource.Ref{Type: "CarePlan", ID: "a"}
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error {
		if _, err := w.Stamp(t0); err != nil {
			return err
		}
		_, err := w.Delete(owner, ref)
		return err
	}))
	after := indexRows(t, d)
	require.Len(t, before, 4)
	for table, n := range before {
		assert.Positive(t, n, "else nothing is shown of "+table)
		assert.Zero(t, after[table], table)
	}
}

// indexRows counts the rows of each index table.
func indexRows(t *testing.T, d *sqlite.DB) map[string]int {
	t.Helper()
	out := map[string]int{}
	for _, table := range []string{"index_code", "index_text", "index_date", "index_quantity"} {
		var n int
		require.NoError(t, d.Writer().QueryRowContext(t.Context(), `SELECT count(*) FROM `+table).Scan(&n))
		out[table] = n
	}
	return out
}

// R-HIST-12: writers that wait take their turns in the order in which they came: while
// one holds its transaction open no later one is committed before it.
func TestWritersTakeTurns(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		d, err := sqlite.Open(t.Context(), sqlite.Options{Dir: dir})
		require.NoError(t, err)
		held, release := make(chan struct{}), make(chan struct{})
		var order []int
		var all sync.WaitGroup
		all.Go(func() {
			assert.NoError(t, d.Update(t.Context(), func(store.Writer) error {
				close(held)
				<-release
				return nil
			}))
		})
		<-held
		for i := range 20 {
			all.Go(func() {
				assert.NoError(t, d.Update(t.Context(), func(store.Writer) error {
					order = append(order, i)
					return nil
				}))
			})
			synctest.Wait() // it waits for its turn
		}
		close(release)
		all.Wait()
		want := make([]int, 20)
		for i := range want {
			want[i] = i
		}
		assert.Equal(t, want, order)
		require.NoError(t, d.Close())
	})
}
