//go:build !windows

package access

import (
	"io/fs"
	"os"
	"syscall"
)

// keepOwner gives a file the owner and the mode of the one that it replaces: a
// bridge that runs as another user must go on reading it.
func keepOwner(path string, was fs.FileInfo) error {
	if s, ok := was.Sys().(*syscall.Stat_t); ok {
		if err := os.Chown(path, int(s.Uid), int(s.Gid)); err != nil {
			return err
		}
	}
	return os.Chmod(path, was.Mode().Perm())
}
