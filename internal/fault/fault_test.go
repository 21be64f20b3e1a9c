//go:build linux

package fault_test

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/fault"
)

// Each call on the file fails in its turn, alone, and calls on others never do.
func TestTheNthCallFails(t *testing.T) {
	fault.Need(t)
	dir := t.TempDir()
	path, other := filepath.Join(dir, "watched"), filepath.Join(dir, "other")
	work := func() error {
		if err := os.WriteFile(other, []byte("x"), 0o600); err != nil {
			return err
		}
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
		if err != nil {
			return err
		}
		_, err = f.WriteString("text")
		return errors.Join(err, f.Sync(), f.Close(), os.Rename(path, other))
	}
	files := []string{path}
	names := fault.Names(t, files, func() { require.NoError(t, work()) })
	require.Subset(t, names, []string{"openat", "write", "fsync"})
	for _, name := range names {
		n := 1
		for ; ; n++ {
			var err error
			c, failed := fault.Nth(t, files, name, n, func() { err = work() })
			if !failed {
				require.NoError(t, err)
				break
			}
			assert.Equal(t, fault.Call{Name: name, File: "watched"}.String(), c.String())
			assert.ErrorIs(t, err, syscall.EIO, c)
		}
		assert.Greater(t, n, 1, name)
	}
}
