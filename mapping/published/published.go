// Package published holds what was ever published under our canonical base: a
// list that names every version of every definition with a hash of it and the time
// of it, and the definitions that another version has taken the place of, as they
// were published. A version says one thing for good (D8.3).
//
//	go run ./conformance/guide/internal/publish
//
// adds what is new. A definition that was changed gets another version first: a
// greater last number where only its words changed, a greater middle one where
// all that was valid still is, else a greater first one.
package published

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
)

// Line is one line of the list.
type Line struct {
	URL, Version string
	// Form says under which settings a definition has this form; most have one
	// form under all (Any). Code maps leave out what may not leave (D7.1).
	Form   string
	SHA256 string    // of its canonical JSON (RFC 8785), in hexadecimal digits
	At     time.Time // when it was published first
}

// Any is the form of a definition that is the same under all settings.
const Any = "any"

// Canonical is the URL with its version, as references name it.
func (l Line) Canonical() string { return l.URL + "|" + l.Version }

//go:embed list.tsv
var list string

// Header is the first line of the list.
const Header = "url\tversion\tform\tsha256\tpublished\n"

// ReadList reads the text of a list.
func ReadList(text string) (out []Line, err error) {
	rest, ok := strings.CutPrefix(text, Header)
	if !ok {
		return nil, errors.New("the list of what was published does not begin with its header")
	}
	for l := range strings.Lines(rest) {
		f := strings.Split(strings.TrimSuffix(l, "\n"), "\t")
		if len(f) != 5 {
			return nil, fmt.Errorf("a line of the list of what was published has %d fields", len(f))
		}
		line := Line{URL: f[0], Version: f[1], Form: f[2], SHA256: f[3]}
		if line.At, err = time.Parse(time.RFC3339, f[4]); err != nil {
			return nil, err
		}
		out = append(out, line)
	}
	return out, nil
}

// WriteList is the text of a list.
func WriteList(lines []Line) string {
	var b strings.Builder
	b.WriteString(Header)
	for _, l := range lines {
		fmt.Fprintf(&b, "%s\t%s\t%s\t%s\t%s\n", l.URL, l.Version, l.Form, l.SHA256, l.At.UTC().Format(time.RFC3339))
	}
	return b.String()
}

// List is every line, in the order of URL, version and form. The result is shared
// and must not be modified.
var List = sync.OnceValue(func() []Line {
	out, err := ReadList(list)
	if err != nil {
		panic("published: " + err.Error()) // embedded data, which a test checks
	}
	return out
})

var instants = sync.OnceValue(func() map[string]time.Time {
	out := map[string]time.Time{}
	for _, l := range List() {
		out[l.Canonical()] = l.At
	}
	return out
})

// At is when a version was published first, zero where it was not.
func At(url, version string) time.Time { return instants()[url+"|"+version] }

// Definition is a definition as it was published.
type Definition struct {
	Type, ID, URL, Version string
	JSON                   []byte // do not modify
}

// Canonical is the URL with its version.
func (d Definition) Canonical() string { return d.URL + "|" + d.Version }

// Of reads what a definition says of itself.
func Of(text []byte) (Definition, error) {
	var head struct{ ResourceType, ID, URL, Version string }
	err := json.Unmarshal(text, &head)
	return Definition{head.ResourceType, head.ID, head.URL, head.Version, text}, err
}

// Apart is the definition as a resource beside the version that has its id now:
// its version stands in its id, and it says that it is retired. All else is as it
// was published.
func (d Definition) Apart() ([]byte, error) {
	var tree map[string]json.RawMessage
	if err := json.Unmarshal(d.JSON, &tree); err != nil {
		return nil, err
	}
	id, err := json.Marshal(d.ID + "-" + d.Version)
	if err != nil {
		return nil, err
	}
	tree["id"], tree["status"] = id, json.RawMessage(`"retired"`)
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err = e.Encode(tree)
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), err
}

//go:embed superseded.tgz
var superseded []byte

// Superseded are the definitions that another version has taken the place of, in
// the order of their canonicals. The result is shared and must not be modified.
var Superseded = sync.OnceValue(func() []Definition {
	out, err := ReadArchive(bytes.NewReader(superseded))
	if err != nil {
		panic("published: " + err.Error()) // embedded data, which a test checks
	}
	return out
})

// ReadArchive reads an archive of definitions.
func ReadArchive(r io.Reader) (out []Definition, err error) {
	z, err := gzip.NewReader(r)
	if err != nil {
		return nil, err
	}
	for t := tar.NewReader(z); ; {
		h, err := t.Next()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		text, err := io.ReadAll(t)
		if err != nil {
			return nil, err
		}
		d, err := Of(text)
		if err == nil && d.file() != h.Name {
			err = errors.New("another definition than its name says")
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", h.Name, err)
		}
		out = append(out, d)
	}
}

// file is the name in an archive.
func (d Definition) file() string { return d.Type + "/" + d.ID + "/" + d.Version + ".json" }

// WriteArchive writes an archive of definitions in the order given. The same
// definitions make the same bytes.
func WriteArchive(w io.Writer, all []Definition) error {
	z, err := gzip.NewWriterLevel(w, gzip.BestCompression)
	if err != nil {
		return err
	}
	t := tar.NewWriter(z)
	for _, d := range all {
		h := tar.Header{Name: d.file(), Mode: 0o644, Size: int64(len(d.JSON)), Typeflag: tar.TypeReg, Format: tar.FormatUSTAR}
		if err := t.WriteHeader(&h); err != nil {
			return err
		}
		if _, err := t.Write(d.JSON); err != nil {
			return err
		}
	}
	if err := t.Close(); err != nil {
		return err
	}
	return z.Close()
}
