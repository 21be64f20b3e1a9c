//go:build linux

package sqlite_test

import (
	"fmt"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/fault"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
)

// files are a data file and what SQLite keeps beside it.
func files(path string) (out []string) {
	for _, end := range []string{"", "-wal", "-shm", "-journal"} {
		out = append(out, path+end)
	}
	return out
}

// The nth system call on a file fails, for every n of a backup: it is told and
// nothing lies under the backup's name, or the backup is whole. The data take no
// harm.
func TestABackupIsWholeOrNotThereAtAnyFileOperation(t *testing.T) {
	fault.Need(t)
	defer sqlite.SetPart(func(path string) string { return path + ".part" })()
	d := open(t, sqlite.Options{})
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error { return writeAll(t, w, "x") }))
	want := state(t, d)
	told, harmless := map[string]int{}, map[string]int{}
	paths := func(into string) []string {
		return slices.Concat([]string{filepath.Dir(into), into}, files(into+".part"), files(d.Path()))
	}
	first := filepath.Join(t.TempDir(), "backup")
	names := fault.Names(t, paths(first), func() { require.NoError(t, d.Backup(t.Context(), first, taken)) })
	require.Subset(t, names, []string{"fsync", "pwrite64"})
	for _, call := range names {
		for n := 1; ; n++ {
			into := filepath.Join(t.TempDir(), "backup")
			var err error
			c, failed := fault.Nth(t, paths(into), call, n, func() { err = d.Backup(t.Context(), into, taken) })
			if failed && err != nil {
				told[c.Name]++
				assert.NoFileExists(t, into, "%s, the %d.", c, n)
			} else {
				require.NoError(t, err)
				harmless[c.Name]++
				assert.Equal(t, want, restoredState(t, into, fmt.Sprint(call, "-", n)), "%s, the %d.", c, n)
			}
			require.Equal(t, want, state(t, d), "%s", c)
			if !failed {
				break
			}
		}
	}
	assert.Positive(t, told["fsync"])
	assert.Positive(t, told["pwrite64"])
	t.Logf("told: %v; without harm: %v", told, harmless)
}

// restoredState restores a backup and gives the state, under the head of before.
func restoredState(t *testing.T, backup, epoch string) string {
	t.Helper()
	dir := t.TempDir()
	_, err := sqlite.Restore(t.Context(), backup, sqlite.Options{Dir: dir, NewEpoch: func() string { return epoch }}, "", t0, nil)
	require.NoError(t, err)
	d, err := sqlite.Open(t.Context(), sqlite.Options{Dir: dir})
	require.NoError(t, err)
	defer func() { require.NoError(t, d.Close()) }()
	undo(t, d, epoch)
	return state(t, d)
}

// The nth system call on a file fails, for every n of a restore: it is told and
// there is no data file, or the data are whole; the next try makes them whole
// in any case, whatever the failed one left.
func TestARestoreIsWholeOrNotThereAtAnyFileOperation(t *testing.T) {
	fault.Need(t)
	backup, want := backedUp(t)
	told, harmless := map[string]int{}, map[string]int{}
	paths := func(dir string) []string {
		final := filepath.Join(dir, sqlite.File)
		return slices.Concat([]string{dir, backup}, files(final), files(final+".restore"))
	}
	restore := func(dir string) error {
		_, err := sqlite.Restore(t.Context(), backup, sqlite.Options{Dir: dir, NewEpoch: func() string { return "new" }}, taken.Namespace, t0, nil)
		return err
	}
	first := t.TempDir()
	names := fault.Names(t, paths(first), func() { require.NoError(t, restore(first)) })
	require.Subset(t, names, []string{"fsync", "pwrite64"})
	for _, call := range names {
		for n := 1; ; n++ {
			dir := t.TempDir()
			var err error
			c, failed := fault.Nth(t, paths(dir), call, n, func() { err = restore(dir) })
			switch {
			case failed && err != nil:
				told[c.Name]++
				require.NoFileExists(t, filepath.Join(dir, sqlite.File), "%s, the %d.", c, n)
				require.NoError(t, restore(dir), "%s, the %d.", c, n)
			case failed:
				harmless[c.Name]++
			}
			d, err := sqlite.Open(t.Context(), sqlite.Options{Dir: dir})
			require.NoError(t, err)
			undo(t, d, "new")
			require.Equal(t, want, state(t, d), "%s", c)
			require.NoError(t, d.Close())
			if !failed {
				break
			}
		}
	}
	assert.Positive(t, told["fsync"])
	t.Logf("told: %v; without harm: %v", told, harmless)
}
