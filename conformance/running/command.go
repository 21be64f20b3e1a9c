package running

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"runtime"
	"strings"
	"syscall"
)

// Main runs a command that drives a bridge or measures one, until it ends or is
// told to, and leaves with status 1 where it fails.
func Main(name string, run func(ctx context.Context, args []string, out io.Writer) error) {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Stdout)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, name+":", err)
		os.Exit(1)
	}
}

// Binary gives the bridge at a path; where none is given, one that it builds, and
// that done removes.
func Binary(ctx context.Context, path string) (binary string, done func(), err error) {
	if path != "" {
		return path, func() {}, nil
	}
	dir, err := os.MkdirTemp("", "nailbridge-binary-")
	if err != nil {
		return "", nil, err
	}
	done = func() { _ = os.RemoveAll(dir) }
	if binary, err = Build(ctx, dir); err != nil {
		done()
		return "", nil, err
	}
	return binary, done, nil
}

// Machine names the commit that is measured, which is unknown outside a clone, and
// what it is measured on.
func Machine(ctx context.Context) string {
	commit, err := exec.CommandContext(ctx, "git", "describe", "--always", "--dirty", "--abbrev=12").Output()
	if err != nil {
		commit = []byte("unknown")
	}
	return fmt.Sprintf("commit %s, %d cores, %s/%s, %s", strings.TrimSpace(string(commit)), runtime.NumCPU(), runtime.GOOS, runtime.GOARCH, runtime.Version())
}
