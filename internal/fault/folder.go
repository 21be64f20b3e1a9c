//go:build linux && (amd64 || arm64)

package fault

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"

	"nailbridge/internal/official"
)

// Folder counts the system calls that processes make on the files below
// folders, over all their threads, and lets one of them fail. strace counts by
// thread, and a server works on many. Here the kernel itself asks before each
// call: the process runs under a filter of seccomp that leaves the word to us
// (seccomp_unotify(2)). A Folder serves one process at a time.
type Folder struct {
	paths []string

	mu     sync.Mutex
	count  int  // calls since the last Fail
	nth    int  // the one that fails; 0: none
	kill   bool // it ends the process instead, and only those that change a file count
	always Call // those that fail
	failed Call // Name is "" until one did
	err    error
}

// NeedFolder skips a test where the kernel, or what guards it, lets no process
// be watched so; in CI the test fails.
func NeedFolder(t testing.TB) {
	t.Helper()
	f, err := NewFolder(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("/bin/true")
	err = f.Start(cmd)
	if err == nil {
		err = cmd.Wait()
	}
	if err != nil {
		official.Missing(t, "a kernel from 5.19 on that lets a process watch another by seccomp: "+err.Error())
	}
}

// NewFolder is the folders at these paths, whether or not they are there yet.
// What is above them must be there.
func NewFolder(paths ...string) (*Folder, error) {
	f := &Folder{}
	for _, p := range paths {
		above, err := filepath.EvalSymlinks(filepath.Dir(p))
		if err == nil {
			above, err = filepath.Abs(above)
		}
		if err != nil {
			return nil, err
		}
		f.paths = append(f.paths, filepath.Join(above, filepath.Base(p)))
	}
	return f, nil
}

// Fail lets the nth call from now on fail with EIO, once; the first is 1. 0 lets
// none fail, and begins to count anew.
func (f *Folder) Fail(n int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.count, f.nth, f.kill, f.always, f.failed = 0, n, false, Call{}, Call{}
}

// Kill lets the process end, as kill -9 ends it, before the nth call from now on that
// changes what a file or a folder holds; before another call, all is as before the
// next of these. 0 lets it live, and begins to count anew.
func (f *Folder) Kill(n int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.count, f.nth, f.kill, f.always, f.failed = 0, n, true, Call{}, Call{}
}

// FailAll lets every call of a name on files of a name fail from now on, until
// Fail or Failed.
func (f *Folder) FailAll(name, file string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.count, f.nth, f.kill, f.always, f.failed = 0, 0, false, Call{Name: name, File: file}, Call{}
}

// Count is how many calls there were since the last Fail.
func (f *Folder) Count() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.count
}

// Failed gives the call that failed, or that the process was killed before, since the
// last Fail or Kill, and false when there was none; none will be until the next.
func (f *Folder) Failed() (Call, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.nth, f.always = 0, Call{}
	return f.failed, f.failed.Name != ""
}

// Err is what went wrong in watching; the counts are worth nothing then.
func (f *Folder) Err() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.err
}

// Start starts a process that is watched until it ends.
func (f *Folder) Start(cmd *exec.Cmd) error {
	started := make(chan error)
	go func() {
		// A filter is for life: what this thread starts inherits it, and the
		// thread ends with this goroutine, since it stays locked.
		runtime.LockOSThread()
		listener, err := filtered()
		if err != nil {
			started <- err
			return
		}
		own := uint32(unix.Gettid())
		go f.watch(listener, own)
		started <- cmd.Start()
	}()
	return <-started
}

// watch answers for the calls that a listener reports, until there is nobody
// left who could make one.
func (f *Folder) watch(listener int, own uint32) {
	defer unix.Close(listener)
	for {
		ready := []unix.PollFd{{Fd: int32(listener), Events: unix.POLLIN}}
		if _, err := unix.Poll(ready, -1); err != nil && !errors.Is(err, unix.EINTR) {
			f.broken(err)
			return
		}
		switch {
		case ready[0].Revents&unix.POLLIN != 0:
			if err := f.answer(listener, own); err != nil {
				f.broken(err)
				return
			}
		case ready[0].Revents != 0:
			return
		}
	}
}

func (f *Folder) broken(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.err = errors.Join(f.err, fmt.Errorf("watching system calls: %w", err))
}

// notification is struct seccomp_notif of linux/seccomp.h.
type notification struct {
	id    uint64
	pid   uint32 // of the thread
	flags uint32
	nr    int32
	arch  uint32
	ip    uint64
	args  [6]uint64
}

// response is struct seccomp_notif_resp.
type response struct {
	id    uint64
	value int64
	errno int32
	flags uint32
}

// answer answers for one call. A thread that was killed meanwhile needs none.
func (f *Folder) answer(listener int, own uint32) error {
	var n notification
	err := control(listener, unix.SECCOMP_IOCTL_NOTIF_RECV, unsafe.Pointer(&n))
	if errors.Is(err, unix.ENOENT) || errors.Is(err, unix.EINTR) {
		return nil
	}
	if err != nil {
		return err
	}
	r := response{id: n.id, flags: unix.SECCOMP_USER_NOTIF_FLAG_CONTINUE}
	if n.pid != own && f.fails(n) {
		r = response{id: n.id, errno: -int32(unix.EIO)}
	}
	if err := control(listener, unix.SECCOMP_IOCTL_NOTIF_SEND, unsafe.Pointer(&r)); !errors.Is(err, unix.ENOENT) {
		return err
	}
	return nil
}

func control(fd int, request uintptr, arg unsafe.Pointer) error {
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), request, uintptr(arg)); errno != 0 {
		return errno
	}
	return nil
}

// fails counts a call, if it is on a file below the folder, and says whether it
// is the one to fail.
func (f *Folder) fails(n notification) bool {
	c := watchedCalls[uintptr(n.nr)]
	for _, file := range c.files(n) {
		if !slices.ContainsFunc(f.paths, func(p string) bool { return file == p || strings.HasPrefix(file, p+"/") }) {
			continue
		}
		f.mu.Lock()
		defer f.mu.Unlock()
		if f.kill && !c.changes(n) {
			return false
		}
		call := Call{Name: c.name, File: filepath.Base(file)}
		f.count++
		if f.kill && f.nth > 0 && f.count > f.nth {
			return true // another thread of a process that is dying: nothing comes after
		}
		if f.count != f.nth && call != f.always {
			return false
		}
		if f.failed = call; f.kill {
			f.err = errors.Join(f.err, unix.Kill(int(n.pid), unix.SIGKILL))
		}
		return true
	}
	return false
}

// at says where among its arguments a call has a folder's handle, after which
// comes the path below it.
type at int

// watchedCall is a system call that is asked about.
type watchedCall struct {
	name  string
	paths []at // none: the first argument is the file's handle
}

// watchedCalls are the calls of the list above as Go's own packages make them,
// by their numbers. fstat and lseek of an open file are none: the kernel answers
// them from memory on a local disk, and the embedded nats-server does not outlive
// their failing (see the gotchas in DEVELOPERS.md).
var watchedCalls = map[uintptr]watchedCall{
	unix.SYS_OPENAT: {"openat", []at{0}}, unix.SYS_NEWFSTATAT: {"newfstatat", []at{0}}, unix.SYS_MKDIRAT: {"mkdirat", []at{0}},
	unix.SYS_UNLINKAT: {"unlinkat", []at{0}}, unix.SYS_FCHMODAT: {"fchmodat", []at{0}}, unix.SYS_FACCESSAT: {"faccessat", []at{0}},
	unix.SYS_LINKAT: {"linkat", []at{0, 2}}, unix.SYS_RENAMEAT: {"renameat", []at{0, 2}}, unix.SYS_RENAMEAT2: {"renameat2", []at{0, 2}},
	unix.SYS_READ: {name: "read"}, unix.SYS_WRITE: {name: "write"}, unix.SYS_PREAD64: {name: "pread64"},
	unix.SYS_PWRITE64:  {name: "pwrite64"},
	unix.SYS_FTRUNCATE: {name: "ftruncate"}, unix.SYS_FALLOCATE: {name: "fallocate"}, unix.SYS_FSYNC: {name: "fsync"},
	unix.SYS_FDATASYNC: {name: "fdatasync"}, unix.SYS_GETDENTS64: {name: "getdents64"}, unix.SYS_FLOCK: {name: "flock"},
	unix.SYS_FCHMOD: {name: "fchmod"},
}

// changes reports whether a call changes what a file or a folder holds.
func (c watchedCall) changes(n notification) bool {
	switch c.name {
	case "openat":
		return n.args[2]&(unix.O_CREAT|unix.O_TRUNC) != 0
	case "mkdirat", "unlinkat", "linkat", "renameat", "renameat2", "write", "pwrite64", "ftruncate", "fallocate":
		return true
	}
	return false
}

// files are the files that a call is on. What can not be told is none: the
// thread is gone, or gave what the kernel refuses too.
func (c watchedCall) files(n notification) (out []string) {
	if c.paths == nil {
		return link(n.pid, fmt.Sprintf("fd/%d", int32(n.args[0])))
	}
	for _, i := range c.paths {
		name, err := textAt(n.pid, uintptr(n.args[i+1]))
		switch {
		case err != nil:
		case filepath.IsAbs(name):
			out = append(out, filepath.Clean(name))
		default:
			from := "cwd"
			if dir := int32(n.args[i]); dir != unix.AT_FDCWD {
				from = fmt.Sprintf("fd/%d", dir)
			}
			for _, dir := range link(n.pid, from) {
				out = append(out, filepath.Join(dir, name))
			}
		}
	}
	return out
}

// link reads a link of a thread in /proc.
func link(thread uint32, name string) []string {
	to, err := os.Readlink(fmt.Sprintf("/proc/%d/%s", thread, name))
	if err != nil {
		return nil
	}
	return []string{strings.TrimSuffix(to, " (deleted)")}
}

// textAt reads a text that ends with a zero from a thread's memory, page by
// page: the page behind its end may not be there.
func textAt(thread uint32, from uintptr) (string, error) {
	var text []byte
	page := uintptr(os.Getpagesize())
	for len(text) < unix.PathMax {
		part := make([]byte, page-from%page)
		n, err := unix.ProcessVMReadv(int(thread), []unix.Iovec{{Base: &part[0], Len: uint64(len(part))}},
			[]unix.RemoteIovec{{Base: from, Len: len(part)}}, 0)
		if err != nil {
			return "", err
		}
		if end := bytes.IndexByte(part[:n], 0); end >= 0 {
			return string(append(text, part[:end]...)), nil
		}
		text, from = append(text, part[:n]...), from+uintptr(n)
	}
	return "", unix.ENAMETOOLONG
}

// filtered puts the filter over this thread and gives the listener of what it
// asks.
func filtered() (listener int, err error) {
	// Without it only root may set a filter.
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return 0, err
	}
	rules := filter()
	program := unix.SockFprog{Len: uint16(len(rules)), Filter: &rules[0]}
	// A call that we were told of is not to be broken off by a signal, and told of
	// again: it would count twice.
	const flags = unix.SECCOMP_FILTER_FLAG_NEW_LISTENER | unix.SECCOMP_FILTER_FLAG_WAIT_KILLABLE_RECV
	fd, _, errno := unix.Syscall(unix.SYS_SECCOMP, unix.SECCOMP_SET_MODE_FILTER, flags, uintptr(unsafe.Pointer(&program)))
	if errno != 0 {
		return 0, fmt.Errorf("seccomp: %w", errno)
	}
	unix.CloseOnExec(int(fd))
	// Spares the scheduler a detour each time; a kernel before 6.6 does not know it.
	_, _, _ = unix.Syscall(unix.SYS_IOCTL, fd, unix.SECCOMP_IOCTL_NOTIF_SET_FLAGS, unix.SECCOMP_USER_NOTIF_FD_SYNC_WAKE_UP)
	return int(fd), nil
}

// filter asks about the watched calls and allows all others. struct seccomp_data
// begins with the number of the call and the architecture.
func filter() (rules []unix.SockFilter) {
	const load, equal, end = unix.BPF_LD | unix.BPF_W | unix.BPF_ABS, unix.BPF_JMP | unix.BPF_JEQ | unix.BPF_K, unix.BPF_RET | unix.BPF_K
	arch := uint32(unix.AUDIT_ARCH_X86_64)
	if runtime.GOARCH == "arm64" {
		arch = unix.AUDIT_ARCH_AARCH64
	}
	rules = []unix.SockFilter{
		{Code: load, K: 4}, {Code: equal, K: arch, Jt: 1}, {Code: end, K: unix.SECCOMP_RET_ALLOW}, {Code: load, K: 0},
	}
	for nr := range watchedCalls {
		rules = append(rules, unix.SockFilter{Code: equal, K: uint32(nr), Jf: 1}, unix.SockFilter{Code: end, K: unix.SECCOMP_RET_USER_NOTIF})
	}
	return append(rules, unix.SockFilter{Code: end, K: unix.SECCOMP_RET_ALLOW})
}
