package config

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
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

// EnsureNamespace reads the namespace of a data folder, or makes one from
// random and keeps it there, readable by its owner only.
func EnsureNamespace(dir string, random io.Reader) (uuid.UUID, error) {
	path := filepath.Join(dir, NamespaceFile)
	id, err := ReadNamespace(path)
	if err == nil || !errors.Is(err, fs.ErrNotExist) {
		return id, err
	}
	if others, err := os.ReadDir(dir); err == nil && len(others) > 0 {
		return uuid.Nil, fmt.Errorf("%s: the namespace of ids is missing from a data folder in use; put it back from the backup", path)
	}
	if random == nil {
		random = rand.Reader
	}
	id, err = uuid.NewRandomFromReader(random)
	if err != nil {
		return uuid.Nil, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return uuid.Nil, err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return uuid.Nil, err
	}
	if _, err := f.WriteString(id.String() + "\n"); err != nil {
		return uuid.Nil, errors.Join(err, f.Close())
	}
	return id, errors.Join(f.Sync(), f.Close())
}
