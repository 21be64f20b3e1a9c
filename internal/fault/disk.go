//go:build unix

package fault

import (
	"os/signal"
	"sync"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// FillDisk lets no file of this process grow past limit bytes until free is
// called, or the test ends, as a full disk would. It counts for every test of the
// process: none may run beside.
func FillDisk(t testing.TB, limit uint64) (free func()) {
	t.Helper()
	signal.Ignore(syscall.SIGXFSZ)
	var was syscall.Rlimit
	require.NoError(t, syscall.Getrlimit(syscall.RLIMIT_FSIZE, &was))
	set := func(l syscall.Rlimit) { require.NoError(t, syscall.Setrlimit(syscall.RLIMIT_FSIZE, &l)) }
	set(syscall.Rlimit{Cur: limit, Max: was.Max})
	free = sync.OnceFunc(func() {
		set(was)
		signal.Reset(syscall.SIGXFSZ)
	})
	t.Cleanup(free)
	return free
}
