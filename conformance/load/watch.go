package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
)

// usage is what a process holds at one time.
type usage struct {
	resident int64 // bytes
	files    int   // open file descriptors
}

// usageOf reads /proc (proc(5)).
func usageOf(pid int) (u usage, err error) {
	dir := filepath.Join("/proc", strconv.Itoa(pid))
	status, err := os.ReadFile(filepath.Join(dir, "status"))
	if err != nil {
		return u, err
	}
	_, rest, ok := bytes.Cut(status, []byte("VmRSS:"))
	if _, err := fmt.Sscanf(string(rest), "%d kB", &u.resident); !ok || err != nil {
		return u, fmt.Errorf("no VmRSS in the status of process %d", pid)
	}
	u.resident <<= 10
	fds, err := os.ReadDir(filepath.Join(dir, "fd"))
	u.files = len(fds)
	return u, err
}
