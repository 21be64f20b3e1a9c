//go:build linux

// Package fault is an aid of tests: it lets the nth system call that a piece of
// work makes on files fail, as a sick disk does. strace stands between the work
// and the kernel, so that nothing of the program knows of it.
package fault

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"nailbridge/internal/official"
)

// calls are the system calls by which files are found, made, read, written,
// locked as a whole and synced. close is none: the file would stay open. Nor is
// fcntl: no disk lets an unlocking fail, and SQLite counts on it.
const calls = "?open,openat,?access,?faccessat,?faccessat2,?stat,?lstat,?newfstatat,?fstat,?statx," +
	"?mkdir,mkdirat,?chmod,?fchmod,fchmodat,?fchmodat2,?rename,?renameat,?renameat2,?link,linkat,?unlink,unlinkat,getdents64," +
	"read,write,pread64,pwrite64,lseek,ftruncate,?fallocate,fsync,fdatasync,flock"

// Call is a system call on a file.
type Call struct {
	Name string // openat, fsync, ...
	File string // base name of the file

	failed bool
}

// String is such as "fsync of nailbridge.db-wal".
func (c Call) String() string { return c.Name + " of " + c.File }

// attachTime is how long strace may take to be there, and to be gone.
const attachTime = time.Minute

// Need skips a test where strace is missing or may trace nothing; in CI the test
// fails.
func Need(t testing.TB) {
	t.Helper()
	if err := exec.Command("strace", "-o", os.DevNull, "true").Run(); err != nil {
		official.Missing(t, "strace, and the right to trace a process of one's own: "+err.Error())
	}
}

// Names gives the names of the system calls that work makes on the paths.
func Names(t testing.TB, paths []string, work func()) (names []string) {
	t.Helper()
	for _, c := range traced(t, paths, nil, work) {
		if !slices.Contains(names, c.Name) {
			names = append(names, c.Name)
		}
	}
	return names
}

// Nth runs work and lets the nth system call of a name that it makes on the
// paths fail with EIO; the first is 1. It gives the call that failed, and false
// when there were fewer. Only what work does by itself counts: goroutines that
// it starts are not watched.
func Nth(t testing.TB, paths []string, name string, n int, work func()) (Call, bool) {
	t.Helper()
	inject := []string{"-e", fmt.Sprintf("inject=%s:error=EIO:when=%d", name, n)}
	for _, c := range traced(t, paths, inject, work) {
		if c.failed {
			return c, true
		}
	}
	return Call{}, false
}

// traced runs work and gives the calls that it made.
func traced(t testing.TB, paths, inject []string, work func()) (made []Call) {
	t.Helper()
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	return watched(t, syscall.Gettid(), paths, inject, work)
}

// All runs work while every system call of a name that any thread of this
// process makes on the paths fails with EIO, and gives those that failed.
func All(t testing.TB, paths []string, name string, work func()) (failed []Call) {
	t.Helper()
	for _, c := range watched(t, os.Getpid(), paths, []string{"-f", "-e", "inject=" + name + ":error=EIO"}, work) {
		if c.failed {
			failed = append(failed, c)
		}
	}
	return failed
}

// watched runs work while strace watches a thread, and gives the calls that it
// saw.
func watched(t testing.TB, thread int, paths, inject []string, work func()) (made []Call) {
	t.Helper()
	s, err := attach(filepath.Join(t.TempDir(), "calls"), thread, paths, inject)
	if err != nil {
		t.Fatal(err)
	}
	func() {
		defer func() {
			if err := s.detach(); err != nil {
				t.Error(err)
			}
		}()
		work()
	}()
	text, err := os.ReadFile(s.calls)
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if c, ok := parse(line); ok {
			made = append(made, c)
		}
	}
	return made
}

// tracer is a strace on one thread of this process.
type tracer struct {
	cmd *exec.Cmd
	// calls is the file that it writes them to. Through a pipe it might wait for
	// this process, which might wait for the thread that it holds.
	calls string
	ended chan error
	said  strings.Builder // of itself; to be read once it has ended
}

func attach(into string, thread int, paths, inject []string) (*tracer, error) {
	args := append([]string{"-p", fmt.Sprint(thread), "-o", into, "-y", "-s", "0", "-e", "trace=" + calls}, inject...)
	for _, p := range paths {
		args = append(args, "-P", p)
	}
	s := &tracer{cmd: exec.Command("strace", args...), calls: into, ended: make(chan error, 1)}
	said, err := s.cmd.StderrPipe()
	if err != nil {
		return nil, err
	}
	if err := s.cmd.Start(); err != nil {
		return nil, err
	}
	attached := make(chan struct{})
	go func() { s.ended <- s.read(said, attached) }()
	select {
	case <-attached:
		return s, nil
	case err := <-s.ended:
		return nil, fmt.Errorf("strace does not trace: %w: %s", errors.Join(err, s.cmd.Wait()), s.said.String())
	case <-time.After(attachTime):
		return nil, errors.Join(errors.New("strace does not come"), s.cmd.Process.Kill())
	}
}

// read reads what strace says, to the end.
func (s *tracer) read(said io.Reader, attached chan<- struct{}) error {
	lines := bufio.NewScanner(said)
	for waiting := true; lines.Scan(); {
		if waiting && strings.Contains(lines.Text(), " attached") {
			close(attached)
			waiting = false
			continue
		}
		s.said.WriteString(lines.Text() + "\n")
	}
	return lines.Err()
}

// detach ends the tracer, which lets go of the thread.
func (s *tracer) detach() error {
	if err := s.cmd.Process.Signal(os.Interrupt); err != nil {
		return err
	}
	select {
	case err := <-s.ended:
		_ = s.cmd.Wait() // ended by the signal
		return err
	case <-time.After(attachTime):
		return errors.Join(errors.New("strace does not go"), s.cmd.Process.Kill())
	}
}

var (
	callLine = regexp.MustCompile(`^(?:\d+ +)?(\w+)\(`)
	fileName = regexp.MustCompile(`<(/[^>]*)>|"(/[^"]+)"`)
)

// parse reads a line of strace. The first path in it is that of the file.
func parse(line string) (c Call, ok bool) {
	name := callLine.FindStringSubmatch(line)
	if name == nil {
		return c, false
	}
	c.Name, c.failed = name[1], strings.Contains(line, "(INJECTED)")
	for _, m := range fileName.FindAllStringSubmatch(line, -1) {
		if c.File = filepath.Base(m[1] + m[2]); m[2] != "" {
			break // a path that was given, rather than the folder it is relative to
		}
	}
	return c, true
}
