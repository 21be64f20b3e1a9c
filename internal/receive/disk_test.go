//go:build unix

package receive_test

import (
	"os/signal"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// fillDisk lets no file of this process grow past 1 MiB until free is called,
// as a full disk would. Tests of this package run one after another.
func fillDisk(t testing.TB) (free func()) {
	t.Helper()
	signal.Ignore(syscall.SIGXFSZ)
	var was syscall.Rlimit
	require.NoError(t, syscall.Getrlimit(syscall.RLIMIT_FSIZE, &was))
	set := func(l syscall.Rlimit) { require.NoError(t, syscall.Setrlimit(syscall.RLIMIT_FSIZE, &l)) }
	set(syscall.Rlimit{Cur: 1 << 20, Max: was.Max})
	return func() {
		set(was)
		signal.Reset(syscall.SIGXFSZ)
	}
}
