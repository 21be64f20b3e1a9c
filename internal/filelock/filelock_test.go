package filelock_test

import (
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/filelock"
)

// One holder at a time; another waits as long as it said, and no longer.
func TestHold(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	release, err := filelock.Hold(path, time.Second)
	require.NoError(t, err)
	_, err = filelock.Hold(path, 30*time.Millisecond)
	assert.ErrorIs(t, err, filelock.ErrHeld)
	require.NoError(t, release())

	n, most := 0, 0
	var mu sync.Mutex
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			release, err := filelock.Hold(path, time.Minute)
			assert.NoError(t, err)
			mu.Lock()
			n++
			most = max(most, n)
			mu.Unlock()
			time.Sleep(time.Millisecond)
			mu.Lock()
			n--
			mu.Unlock()
			assert.NoError(t, release())
		})
	}
	all.Wait()
	assert.Equal(t, 1, most)
}
