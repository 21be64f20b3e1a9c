//go:build linux

package receive_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/fault"
	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
)

// filesOf are the files by which a store keeps its data.
func filesOf(path string) (files []string) {
	for _, end := range []string{"", "-wal", "-shm", "-journal"} {
		files = append(files, path+end)
	}
	return append(files, filepath.Dir(path))
}

// asKilled is what a process would find that was killed now.
func asKilled(t *testing.T, w *rt.World) string {
	t.Helper()
	copied := filepath.Join(t.TempDir(), filepath.Base(w.Path))
	for _, end := range []string{"", "-wal"} {
		b, err := os.ReadFile(w.Path + end)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(copied+end, b, 0o600))
	}
	return stateAt(t, "file:"+copied)
}

// D2, unavailable: the nth system call on a file of the store fails, for every n
// of an intake. It is told and nothing of the intake is stored, or it did no
// harm; the next try is answered and stored as if nothing had failed. A process
// killed in between finds all of the intake or nothing of it.
func TestD2_UnavailableAtAnyFileOperation(t *testing.T) {
	fault.Need(t)
	const name = "review"
	body := intakes[name].body
	w := before(t, name)
	was, watch := state(t, w), beside(t, w)
	version := committed(t, watch)
	var want, got receive.Answer
	var err error
	take := func(w *rt.World, into *receive.Answer) func() {
		return func() { *into, err = w.Receive(t.Context(), body, false) }
	}
	unbroken := before(t, name)
	names := fault.Names(t, filesOf(unbroken.Path), take(unbroken, &want))
	require.NoError(t, err)
	will := state(t, unbroken)
	require.Subset(t, names, []string{"pwrite64", "fsync"})
	told, harmless := map[string]int{}, map[string]int{}
	for _, call := range names {
		for n := 1; ; n++ {
			c, failed := fault.Nth(t, filesOf(w.Path), call, n, take(w, &got))
			switch {
			case failed && errors.Is(err, store.ErrUnavailable):
				told[c.Name]++
				require.Equal(t, version, committed(t, watch), "%s", c)
				if c.Name != "pwrite64" || n%16 == 1 { // writes are much alike
					require.Contains(t, []string{was, will}, asKilled(t, w), "%s", c)
				}
				continue
			case failed:
				harmless[c.Name]++
			}
			require.NoError(t, err, "%s, the %d.", c, n)
			require.Equal(t, want, got)
			require.Equal(t, will, state(t, w), "%s", c)
			w = before(t, name)
			watch = beside(t, w)
			version = committed(t, watch)
			if !failed {
				break
			}
		}
	}
	assert.Positive(t, told["pwrite64"])
	assert.Positive(t, told["fsync"])
	t.Logf("told: %v; without harm: %v", told, harmless)
}
