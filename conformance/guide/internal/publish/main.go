// Command publish writes down what is published: it adds each definition that has
// a new version to the list in mapping/published, and moves the version before it
// into the archive of the superseded, so that the bridge goes on serving it.
//
//	go run ./conformance/guide/internal/publish
//
// A definition that says something else under a version that was published is
// refused, and nothing is written: it gets another version first. To know what a
// superseded one said, the command keeps what is current in an archive of its own,
// which is not part of the program.
package main

import (
	"bytes"
	"cmp"
	"errors"
	"flag"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nailbridge/conformance/guide"
	"nailbridge/mapping/published"
)

func main() {
	log.SetFlags(0)
	dir := flag.String("dir", "mapping/published", "folder of the list and its archives")
	now := flag.String("at", time.Now().UTC().Format(time.RFC3339), "the time of what is new")
	flag.Parse()
	at, err := time.Parse(time.RFC3339, *now)
	if err != nil {
		log.Fatal(err)
	}
	current, err := guide.Definitions()
	if err != nil {
		log.Fatal(err)
	}
	b, err := read(*dir)
	if err != nil {
		log.Fatal(err)
	}
	added, moved, err := b.publish(current, at)
	if err == nil {
		err = b.write(*dir)
	}
	if err != nil {
		log.Fatal(err)
	}
	for _, c := range added {
		log.Printf("published  %s", c)
	}
	for _, c := range moved {
		log.Printf("superseded %s", c)
	}
}

// book is what was written down.
type book struct {
	lines               []published.Line
	current, superseded []published.Definition
}

// The files of a book.
const (
	listFile       = "list.tsv"
	currentFile    = "current.tgz"
	supersededFile = "superseded.tgz"
)

// read reads a folder; files that are not there are empty.
func read(dir string) (b book, err error) {
	text, err := os.ReadFile(filepath.Join(dir, listFile))
	if errors.Is(err, os.ErrNotExist) {
		return b, nil
	}
	if err != nil {
		return b, err
	}
	if b.lines, err = published.ReadList(string(text)); err != nil {
		return b, err
	}
	for name, into := range map[string]*[]published.Definition{currentFile: &b.current, supersededFile: &b.superseded} {
		text, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			return b, err
		}
		if *into, err = published.ReadArchive(bytes.NewReader(text)); err != nil {
			return b, fmt.Errorf("%s: %w", name, err)
		}
	}
	return b, nil
}

// publish takes what is published now into the book, and gives the canonicals that
// are new and those that were superseded.
func (b *book) publish(now []guide.Definition, at time.Time) (added, moved []string, err error) {
	if wrong := guide.Changed(now, b.lines); len(wrong) > 0 {
		return nil, nil, errors.New(strings.Join(wrong, "\n"))
	}
	is := map[string]bool{}
	var current []published.Definition
	for _, c := range now {
		is[c.Canonical()] = true
		current = append(current, c.Definition)
		if slices.ContainsFunc(b.lines, func(l published.Line) bool { return l.Canonical() == c.Canonical() }) {
			continue
		}
		added = append(added, c.Canonical())
		for _, l := range c.Lines {
			l.At = at
			b.lines = append(b.lines, l)
		}
	}
	for _, d := range b.current {
		if !is[d.Canonical()] {
			moved = append(moved, d.Canonical())
			b.superseded = append(b.superseded, d)
		}
	}
	b.current = current
	slices.SortFunc(b.superseded, func(x, y published.Definition) int { return strings.Compare(x.Canonical(), y.Canonical()) })
	slices.SortFunc(b.lines, func(x, y published.Line) int {
		return cmp.Or(strings.Compare(x.URL, y.URL), strings.Compare(x.Version, y.Version), strings.Compare(x.Form, y.Form))
	})
	return added, moved, nil
}

func (b *book) write(dir string) error {
	files := map[string]*bytes.Buffer{listFile: bytes.NewBufferString(published.WriteList(b.lines)), currentFile: {}, supersededFile: {}}
	err := errors.Join(published.WriteArchive(files[currentFile], b.current), published.WriteArchive(files[supersededFile], b.superseded))
	for name, text := range files {
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, name), text.Bytes(), 0o644) //nolint:gosec // source of the project, for everybody to read
		}
	}
	return err
}
