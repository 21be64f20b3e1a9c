// Package cache keeps what is built once for each state of its source in the user's cache folder: the Java program and
// the modules of npm that tests ask.
package cache

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"github.com/rogpeppe/go-internal/lockedfile"
)

// Built gives the folder with what build makes of a source: a copy of the source is laid in an empty folder, build works
// there and names the folder that is to be kept. It is built once for each state of the source. Processes that run side
// by side wait for one another, and an interrupted build leaves nothing that looks finished.
func Built(name string, source fs.FS, build func(work string) (product string, err error)) (string, error) {
	user, err := os.UserCacheDir()
	if err != nil {
		return "", fmt.Errorf("finding a cache folder: %w", err)
	}
	digest, err := digestOf(source)
	if err != nil {
		return "", err
	}
	base := filepath.Join(user, "nailbridge", name)
	built := filepath.Join(base, digest)
	if err := os.MkdirAll(base, 0o755); err != nil {
		return "", fmt.Errorf("making the cache folder: %w", err)
	}
	unlock, err := lockedfile.MutexAt(filepath.Join(base, "lock")).Lock()
	if err != nil {
		return "", fmt.Errorf("locking the cache folder: %w", err)
	}
	defer unlock()
	if _, err := os.Stat(built); !errors.Is(err, fs.ErrNotExist) {
		return built, err
	}
	if err, is := failed.Load(built); is {
		return "", err.(error)
	}
	if err := buildInto(base, built, source, build); err != nil {
		failed.Store(built, err)
		return "", err
	}
	return built, nil
}

// failed is why a build failed, by its folder, so that a process does not try it for every test.
var failed sync.Map

func buildInto(base, built string, source fs.FS, build func(string) (string, error)) error {
	work, err := os.MkdirTemp(base, "build-")
	if err != nil {
		return fmt.Errorf("making a build folder: %w", err)
	}
	defer os.RemoveAll(work)
	if err := os.CopyFS(work, source); err != nil {
		return fmt.Errorf("writing the source: %w", err)
	}
	product, err := build(work)
	if err != nil {
		return err
	}
	return os.Rename(product, built)
}

// digestOf names the state of a source in 16 hexadecimal digits.
func digestOf(source fs.FS) (string, error) {
	sum := sha256.New()
	err := fs.WalkDir(source, ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		text, err := fs.ReadFile(source, name)
		fmt.Fprintf(sum, "%s %d\n%s", name, len(text), text)
		return err
	})
	return hex.EncodeToString(sum.Sum(nil))[:16], err
}
