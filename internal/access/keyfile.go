package access

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
)

// keysDocument is a file of keys.
type keysDocument struct {
	Keys Keys `json:"keys"`
}

// ReadKeys reads a file of keys; the error names every fault.
func ReadKeys(path string) (Keys, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var doc keysDocument
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(&doc); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s: something follows the JSON object", path)
	}
	if err := doc.Keys.check(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return doc.Keys, nil
}

// WriteKeys puts a file of keys in the place of the one there: a reader sees
// the old one or the new one. It is readable by its owner only.
func WriteKeys(path string, keys Keys) (err error) {
	if err := keys.check(); err != nil {
		return err
	}
	b, err := json.MarshalIndent(keysDocument{keys}, "", "  ")
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".keys-*") // made with mode 0600
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = os.Remove(f.Name()) // what failed is said already
		}
	}()
	_, err = f.Write(append(b, '\n'))
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}

// AddKey adds a key to a file, which it makes if there is none.
func AddKey(path string, k Key) error {
	keys, err := ReadKeys(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return WriteKeys(path, append(keys, k))
}

// RevokeKey takes a key out of a file.
func RevokeKey(path, id string) error {
	keys, err := ReadKeys(path)
	if err != nil {
		return err
	}
	var rest Keys
	for _, k := range keys {
		if k.ID != id {
			rest = append(rest, k)
		}
	}
	if len(rest) == len(keys) {
		return fmt.Errorf("%s: no key %q", path, id)
	}
	return WriteKeys(path, rest)
}

// KeyFile are the keys of a file, which are read again when it changes: a key
// that was added or revoked counts from the next request on.
type KeyFile struct {
	path string
	said func(error) // told of a file that cannot be read, once per change

	mu   sync.Mutex
	keys Keys
	seen fs.FileInfo // nil: not read yet, or gone
}

// OpenKeyFile reads a file of keys. said hears of a later change that cannot
// be read; until it is mended the keys read before stay in force, so that a
// half-written file locks nobody out. A file that was removed opens nothing.
func OpenKeyFile(path string, said func(error)) (*KeyFile, error) {
	f := &KeyFile{path: path, said: said}
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if f.keys, err = ReadKeys(path); err != nil {
		return nil, err
	}
	f.seen = info
	return f, nil
}

// current gives the keys in force now.
func (f *KeyFile) current() Keys {
	f.mu.Lock()
	defer f.mu.Unlock()
	info, err := os.Stat(f.path)
	if err != nil {
		if f.seen != nil {
			f.said(err)
		}
		f.keys, f.seen = nil, nil
		return nil
	}
	if unchanged(f.seen, info) {
		return f.keys
	}
	f.seen = info
	keys, err := ReadKeys(f.path)
	if err != nil {
		f.said(err)
		return f.keys
	}
	f.keys = keys
	return keys
}

// Find gives the caller whose secret was sent.
func (f *KeyFile) Find(secret string) (Caller, bool) { return f.current().find(secret) }
