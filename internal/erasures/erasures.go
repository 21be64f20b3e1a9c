// Package erasures keeps the list of the patients who were erased, apart from
// the store: it outlives a restored backup, which would else bring them back.
// The list names nobody. A subject is a keyed hash of clinic and patient, its
// key made from the secret namespace: whoever has the list alone can not even
// try numbers out.
package erasures

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/google/uuid"

	"nailbridge/internal/disk"
	"nailbridge/internal/store"
)

// File is the name of the list in a data folder.
const File = "erasures"

// Subject is the keyed hash of a patient of a clinic.
func Subject(namespace uuid.UUID, o store.Owner) string {
	key := sha256.Sum256(append([]byte("subjects of erasures of "), namespace[:]...))
	h := hmac.New(sha256.New, key[:])
	name, _ := json.Marshal([]string{o.Clinic, o.Patient}) // plain strings: always marshals
	h.Write(name)
	return hex.EncodeToString(h.Sum(nil))
}

// Mark tells one namespace from another and gives neither away.
func Mark(namespace uuid.UUID) string {
	sum := sha256.Sum256(append([]byte("mark of "), namespace[:]...))
	return hex.EncodeToString(sum[:8])
}

// Read reads a list; one that is not there is empty.
func Read(path string) (list []store.Erasure, err error) {
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	for d := json.NewDecoder(bytes.NewReader(b)); ; {
		d.DisallowUnknownFields()
		var e store.Erasure
		switch err := d.Decode(&e); {
		case errors.Is(err, io.EOF):
			return list, nil
		case err != nil || len(e.Subject) != hex.EncodedLen(sha256.Size) || e.At.IsZero():
			return nil, fmt.Errorf("%s: not a list of erasures", filepath.Base(path))
		}
		list = append(list, e)
	}
}

// Add adds to the list of a data folder what it does not hold yet, whole or not
// at all. The folder is its caller's alone meanwhile.
func Add(dir string, more ...store.Erasure) error {
	path := filepath.Join(dir, File)
	list, err := Read(path)
	if err != nil {
		return err
	}
	n := len(list)
	for _, e := range more {
		if !slices.ContainsFunc(list, func(x store.Erasure) bool { return x.Subject == e.Subject && x.At.Equal(e.At) }) {
			list = append(list, e)
		}
	}
	if len(list) == n {
		return nil
	}
	var b bytes.Buffer
	for _, e := range list {
		if err := json.NewEncoder(&b).Encode(e); err != nil {
			return err
		}
	}
	return replace(path, b.Bytes())
}

// replace puts a file, readable by its owner alone, in place of another.
func replace(path string, b []byte) (err error) {
	part := path + ".part"
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(part))
		}
	}()
	_, err = f.Write(b)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	return disk.SyncFolder(filepath.Dir(path))
}

// Store is a store whose files can be freed of what was deleted.
type Store interface {
	store.Store
	Scrub(ctx context.Context) error
}

// Apply erases from a store everybody on the list whom it does not know as
// erased, and gives how many patients it found and erased. erasing says how; a
// store from before an erasure has nothing of that patient from after it.
func Apply(ctx context.Context, s Store, namespace uuid.UUID, list []store.Erasure, erase func(store.Writer, store.Owner, store.Erasure) error) (found int, err error) {
	unknown, owners, err := pending(ctx, s, namespace, list)
	if err != nil {
		return 0, err
	}
	met := map[store.Owner]bool{} // one patient may be on the list twice
	var absent []store.Erasure
	for _, e := range unknown {
		if len(owners[e.Subject]) == 0 {
			absent = append(absent, e)
			continue
		}
		err := s.Update(ctx, func(w store.Writer) error {
			for _, o := range owners[e.Subject] {
				met[o] = true
				if err := erase(w, o, e); err != nil {
					return err
				}
			}
			return errors.Join(ScrubDue(w), w.PutErasure(e))
		})
		if err != nil {
			return len(met), err
		}
	}
	if err := putAll(ctx, s, absent); err != nil {
		return len(met), err
	}
	return len(met), Scrub(ctx, s)
}

// putAll lets a store know erasures of patients of whom it holds nothing.
func putAll(ctx context.Context, s Store, list []store.Erasure) error {
	if len(list) == 0 {
		return nil
	}
	return s.Update(ctx, func(w store.Writer) error {
		for _, e := range list {
			if err := w.PutErasure(e); err != nil {
				return err
			}
		}
		return nil
	})
}

// scrubMark stands among the marks of no clinic from the transaction that erases
// somebody until the files are freed of what was deleted, which may be cut off. Among
// those of a clinic it would be lost with all else that was stored of it.
const scrubMark = "scrub"

// ScrubDue notes that the files still hold what the transaction deletes.
func ScrubDue(w store.Writer) error { return w.SetMark("", scrubMark, "due") }

// Scrub frees the files of a store of what was erased from it, where that is due.
func Scrub(ctx context.Context, s Store) error {
	var due string
	err := s.View(ctx, func(r store.Reader) (err error) {
		due, err = r.Mark("", scrubMark)
		return err
	})
	if err != nil || due == "" {
		return err
	}
	if err := s.Scrub(ctx); err != nil {
		return err
	}
	return s.Update(ctx, func(w store.Writer) error { return w.SetMark("", scrubMark, "") })
}

// pending are the erasures that a store does not know, and its patients by subject.
func pending(ctx context.Context, s Store, namespace uuid.UUID, list []store.Erasure) (unknown []store.Erasure, owners map[string][]store.Owner, err error) {
	var all []store.Owner
	err = s.View(ctx, func(r store.Reader) error {
		known, err := r.Erasures("")
		if err != nil {
			return err
		}
		last := map[string]time.Time{}
		for _, e := range known {
			if e.At.After(last[e.Subject]) {
				last[e.Subject] = e.At
			}
		}
		for _, e := range list {
			if last[e.Subject].Before(e.At) {
				unknown = append(unknown, e)
			}
		}
		if len(unknown) == 0 {
			return nil
		}
		all, err = everybody(r)
		return err
	})
	// Out of any transaction: others wait for one, and each hash is asked once.
	owners = make(map[string][]store.Owner, len(all))
	for _, o := range all {
		subject := Subject(namespace, o)
		owners[subject] = append(owners[subject], o)
	}
	return unknown, owners, err
}

// everybody are the patients of all clinics.
func everybody(r store.Reader) (owners []store.Owner, err error) {
	clinics, err := r.Clinics()
	if err != nil {
		return nil, err
	}
	for _, c := range clinics {
		of, err := r.Owners(c)
		if err != nil {
			return nil, err
		}
		owners = append(owners, of...)
	}
	return owners, nil
}
