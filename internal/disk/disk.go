// Package disk flushes files and folders, so that what was written outlives a
// power cut.
package disk

import (
	"errors"
	"os"
	"runtime"
)

// SyncFile flushes a file, or a folder, to the disk.
func SyncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// SyncFolder makes the names in a folder last, as after a rename. Windows knows
// no such thing, and there it does nothing.
func SyncFolder(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	return SyncFile(dir)
}
