package config

import (
	"errors"
	"fmt"
	"nailbridge/internal/filelock"
	"os"
	"path/filepath"
)

// LockFile is the file of a data folder that the process using it holds
// locked. It stays when the process ends: what counts is the lock, which the
// kernel lets go with the process, however that ended.
const LockFile = "lock"

// ErrInUse: another process uses the data folder.
var ErrInUse = errors.New("the data folder is in use by another serve or demo; stop that one, or name another folder")

// Lock takes a data folder for this process alone, until release. The folder
// is made, for its owner alone, where it is missing. Two bridges on one folder
// would answer one practice system by two sets of settings, and relay every
// change twice.
func Lock(dir string) (release func() error, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	f, err := os.OpenFile(filepath.Join(dir, LockFile), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	switch held, err := filelock.Try(f); {
	case err != nil:
		return nil, errors.Join(fmt.Errorf("data folder: lock: %w", err), f.Close())
	case held:
		return nil, errors.Join(fmt.Errorf("%s: %w", dir, ErrInUse), f.Close())
	}
	return f.Close, nil // which unlocks
}
