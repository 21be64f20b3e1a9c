package config

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/google/uuid"
)

// NamespaceFile is the file of a data folder that holds the secret namespace
// of ids. It belongs in every backup: without it the same records make other
// ids (D1.7).
const NamespaceFile = "namespace"

// ReadNamespace reads a namespace file.
func ReadNamespace(path string) (uuid.UUID, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return uuid.Nil, err
	}
	id, err := uuid.Parse(strings.TrimSpace(string(b)))
	if err != nil || id == uuid.Nil {
		return uuid.Nil, fmt.Errorf("%s: not a UUID", path)
	}
	return id, nil
}

// ErrDemo: the data folder is the demo's. Its ids can be guessed, so no real
// record may be taken into it.
var ErrDemo = errors.New("the data folder is the demo's: its ids can be guessed, and are never for real patients (D1.7)")

// EnsureNamespace reads the namespace of a data folder, or makes one from
// random and keeps it there, readable by its owner only. The folder is locked
// by its caller.
func EnsureNamespace(dir string, random io.Reader) (uuid.UUID, error) {
	if random == nil {
		random = rand.Reader
	}
	id, err := namespaceOf(dir, func() (uuid.UUID, error) { return uuid.NewRandomFromReader(random) })
	if err == nil && id == DemoNamespace {
		return uuid.Nil, fmt.Errorf("%s: %w", dir, ErrDemo)
	}
	return id, err
}

// EnsureDemo makes a data folder the demo's. It refuses one with another
// namespace: invented patients do not belong among real ones.
func EnsureDemo(dir string) error {
	id, err := namespaceOf(dir, func() (uuid.UUID, error) { return DemoNamespace, nil })
	if err == nil && id != DemoNamespace {
		return fmt.Errorf("%s: the data folder is not the demo's", dir)
	}
	return err
}

// namespaceOf reads the namespace of a data folder, or makes it in a new one.
func namespaceOf(dir string, newID func() (uuid.UUID, error)) (uuid.UUID, error) {
	path := filepath.Join(dir, NamespaceFile)
	id, err := ReadNamespace(path)
	if err == nil || !errors.Is(err, fs.ErrNotExist) {
		return id, err
	}
	part := path + ".part"
	if used, err := inUse(dir, filepath.Base(part)); err != nil {
		return uuid.Nil, err
	} else if used {
		return uuid.Nil, fmt.Errorf("%s: the namespace of ids is missing from a data folder in use; put it back from the backup", path)
	}
	if id, err = newID(); err != nil {
		return uuid.Nil, err
	}
	if err := writeNamespace(path, part, id); err != nil {
		return uuid.Nil, err
	}
	return id, nil
}

// PutNamespace gives a data folder that has none the namespace of a backup, as
// EnsureNamespace would find it. The folder is locked by its caller.
func PutNamespace(dir string, id uuid.UUID) error {
	path := filepath.Join(dir, NamespaceFile)
	switch has, err := ReadNamespace(path); {
	case err == nil && has == id:
		return nil
	case err == nil:
		return fmt.Errorf("%s: the data folder has another namespace of ids", dir)
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	return writeNamespace(path, path+".part", id)
}

// WriteNamespace writes a namespace to a file of its own, readable by its owner
// alone.
func WriteNamespace(path string, id uuid.UUID) error { return writeNamespace(path, path+".part", id) }

// writeNamespace writes a namespace file whole or not at all: half a file would
// keep the folder from ever starting.
func writeNamespace(path, part string, id uuid.UUID) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return err
	}
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.WriteString(id.String() + "\n")
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(part, path)
}

// inUse reports that a folder holds more than what a start leaves there before
// it has a namespace, and what a new disk has.
func inUse(dir, part string) (bool, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return slices.ContainsFunc(entries, func(e fs.DirEntry) bool {
		return !slices.Contains([]string{LockFile, part, "lost+found"}, e.Name())
	}), err
}
