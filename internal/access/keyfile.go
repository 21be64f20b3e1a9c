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
	"slices"
	"sync"
	"time"

	"nailbridge/internal/disk"
	"nailbridge/internal/filelock"
)

// keysDocument is a file of keys.
type keysDocument struct {
	Keys *Keys `json:"keys"`
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
	if doc.Keys == nil {
		return nil, fmt.Errorf("%s: no list of keys; an empty one is []", path)
	}
	if err := doc.Keys.check(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return *doc.Keys, nil
}

// WriteKeys puts a file of keys in the place of the one there, with its owner
// and mode: a reader sees the old one or the new one, after a power cut too. A new
// one is readable by its owner only. A link stays a link.
func WriteKeys(path string, keys Keys) (err error) {
	if keys == nil {
		keys = Keys{}
	}
	if err := keys.check(); err != nil {
		return err
	}
	b, err := json.MarshalIndent(keysDocument{&keys}, "", "  ")
	if err != nil {
		return err
	}
	if target, err := filepath.EvalSymlinks(path); err == nil {
		path = target
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
	if was, statErr := os.Stat(path); statErr == nil {
		err = errors.Join(err, keepOwner(f.Name(), was))
	}
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err = os.Rename(f.Name(), path); err != nil {
		return err
	}
	return disk.SyncFolder(filepath.Dir(path))
}

// changing is how long a change of a file of keys waits for another to end.
const changing = 10 * time.Second

// change reads a file of keys, changes them and writes them, while no other
// process does.
func change(path string, to func(Keys, error) (Keys, error)) (err error) {
	release, err := filelock.Hold(path+".lock", changing)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, release()) }()
	keys, err := to(ReadKeys(path))
	if err != nil {
		return err
	}
	return WriteKeys(path, keys)
}

// AddKey adds a key to a file, which it makes if there is none.
func AddKey(path string, k Key) error {
	return change(path, func(keys Keys, err error) (Keys, error) {
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, err
		}
		return append(keys, k), nil
	})
}

// RevokeKey takes a key out of a file.
func RevokeKey(path, id string) error {
	return change(path, func(keys Keys, err error) (Keys, error) {
		rest := slices.DeleteFunc(slices.Clone(keys), func(k Key) bool { return k.ID == id })
		if err == nil && len(rest) == len(keys) {
			err = fmt.Errorf("%s: no key %q", path, id)
		}
		return rest, err
	})
}

// KeyFile are the keys of a file, which are read again when it changes: a key
// that was added or revoked counts from the next request on.
type KeyFile struct {
	path string
	said func(error) // told of a file that cannot be read, once per change

	mu   sync.Mutex
	keys Keys
	seen fs.FileInfo // nil: gone, or not to be read
	sick string      // why it could not be read last, as said; "" while it can
}

// OpenKeyFile reads a file of keys. said hears of a later change that cannot
// be read; until it is mended the keys read before stay in force, so that a
// half-written file locks nobody out, and a file that cannot be read at all is
// tried again each time. A file that was removed opens nothing.
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
	if errors.Is(err, fs.ErrNotExist) {
		if f.seen != nil {
			f.said(err)
		}
		f.keys, f.seen, f.sick = nil, nil, ""
		return nil
	}
	var keys Keys
	if err == nil {
		if unchanged(f.seen, info) {
			return f.keys
		}
		keys, err = ReadKeys(f.path)
	}
	if f.seen = info; unreadable(err) {
		f.seen = nil // try again, though it look the same
	}
	if err != nil {
		if f.sick != err.Error() {
			f.said(err)
		}
		f.sick = err.Error()
		return f.keys
	}
	f.keys, f.sick = keys, ""
	return keys
}

// Current reports whether the keys in force are those of the file as it is: not
// so while it is gone or can not be read.
func (f *KeyFile) Current() bool {
	f.current()
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.seen != nil && f.sick == ""
}

// unreadable reports a fault of reading a file rather than of what it holds: it
// may pass without a change that shows on the file.
func unreadable(err error) bool {
	var fault *fs.PathError
	return errors.As(err, &fault)
}

// Find gives the caller whose secret was sent.
func (f *KeyFile) Find(secret string) (Caller, bool) { return f.current().find(secret) }
