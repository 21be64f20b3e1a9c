// Package filelock locks files between processes. The kernel lets go of a lock
// with the process that holds it, however that ended.
package filelock

import (
	"errors"
	"fmt"
	"os"
	"time"
)

// ErrHeld: another process held the lock all the while.
var ErrHeld = errors.New("another process is changing it")

// pause lies between two tries.
const pause = 10 * time.Millisecond

// Hold takes the lock of a file, which it makes for its owner alone if there is
// none, and waits for it as long as patience lasts. The file stays when the lock
// is released.
func Hold(path string, patience time.Duration) (release func() error, err error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	for deadline := time.Now().Add(patience); ; time.Sleep(pause) {
		held, err := Try(f)
		switch {
		case err != nil:
			return nil, errors.Join(fmt.Errorf("lock: %w", err), f.Close())
		case !held:
			return f.Close, nil // which unlocks
		case time.Now().After(deadline):
			return nil, errors.Join(fmt.Errorf("%s: %w", path, ErrHeld), f.Close())
		}
	}
}
