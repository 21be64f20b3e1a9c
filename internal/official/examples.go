package official

import (
	"archive/tar"
	"cmp"
	"compress/gzip"
	"errors"
	"io"
	"os"
	"path"
	"path/filepath"
	"slices"
	"testing"
)

// Document is a JSON document of an archive.
type Document struct {
	Name string // of the file, without its folder
	Text []byte
}

// Examples are the official example resources, by name.
func Examples(t testing.TB) []Document { t.Helper(); return documents(t, ExamplesArchive(t)) }

// Core are R4's definitions, by name.
func Core(t testing.TB) []Document { t.Helper(); return documents(t, CoreArchive(t)) }

func documents(t testing.TB, archive string) []Document {
	t.Helper()
	out, err := Documents(archive)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// ExamplesArchive is the archive of the official examples.
func ExamplesArchive(t testing.TB) string {
	t.Helper()
	return filepath.Join(Dir(t), "examples-4.0.1-subset.tgz")
}

// CoreArchive is the archive of R4's definitions.
func CoreArchive(t testing.TB) string {
	t.Helper()
	return filepath.Join(Dir(t), "core-4.0.1-subset.tgz")
}

// Documents are the JSON documents of an archive, by name.
func Documents(archive string) ([]Document, error) {
	f, err := os.Open(archive)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		return nil, err
	}
	var out []Document
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			slices.SortFunc(out, func(a, b Document) int { return cmp.Compare(a.Name, b.Name) })
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		if path.Ext(h.Name) != ".json" {
			continue
		}
		text, err := io.ReadAll(r)
		if err != nil {
			return nil, err
		}
		out = append(out, Document{path.Base(h.Name), text})
	}
}
