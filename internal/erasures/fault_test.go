//go:build linux

package erasures_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/erasures"
	"nailbridge/internal/fault"
	"nailbridge/internal/store"
)

// The nth system call on a file fails, for every n of an addition: what was on
// the list stays on it, the addition is told or there, and the next one works.
func TestAListIsWholeAtAnyFileOperation(t *testing.T) {
	fault.Need(t)
	later := one
	later.At = one.At.Add(time.Hour)
	paths := func(dir string) []string {
		path := filepath.Join(dir, erasures.File)
		return []string{dir, path, path + ".part"}
	}
	prepared := func() string {
		dir := t.TempDir()
		require.NoError(t, erasures.Add(dir, one))
		return dir
	}
	dir := prepared()
	names := fault.Names(t, paths(dir), func() { require.NoError(t, erasures.Add(dir, later)) })
	require.Subset(t, names, []string{"fsync", "write"})
	told := map[string]int{}
	for _, call := range names {
		for n := 1; ; n++ {
			dir := prepared()
			var err error
			c, failed := fault.Nth(t, paths(dir), call, n, func() { err = erasures.Add(dir, later) })
			list, rerr := erasures.Read(filepath.Join(dir, erasures.File))
			require.NoError(t, rerr, "%s", c)
			if err != nil {
				told[c.Name]++
				assert.Contains(t, [][]store.Erasure{{one}, {one, later}}, list, "%s", c)
				require.NoError(t, erasures.Add(dir, later), "%s", c)
				list, rerr = erasures.Read(filepath.Join(dir, erasures.File))
				require.NoError(t, rerr)
			}
			assert.Equal(t, []store.Erasure{one, later}, list, "%s", c)
			entries, rerr := os.ReadDir(dir)
			require.NoError(t, rerr)
			assert.Len(t, entries, 1, "%s", c)
			if !failed {
				break
			}
		}
	}
	assert.Positive(t, told["fsync"])
	t.Logf("told: %v", told)
}
