package batch

import (
	"errors"
	"path/filepath"
	"strings"

	"nailbridge/internal/old/layout"
	"nailbridge/internal/old/table"
)

// plainName is the name of a file without its folder and without .gz.
func plainName(path string) string { return strings.TrimSuffix(filepath.Base(path), ".gz") }

// rejectsPrefix begins the names of files of rejected rows.
const rejectsPrefix = "rejects-"

// source is where the rows of a table come from: an export, or the rows of one that an
// earlier run rejected, mended.
type source struct {
	path      string
	rejects   bool
	workbook  bool // rejects of a workbook, whose cells are as it had them
	epoch1904 bool // its serial numbers count from 1904
}

// sourceOf is the source that a file is of a table; ok is false where it is none.
func sourceOf(path string, t layout.Table) (source, bool) {
	name := plainName(path)
	if ok, _ := filepath.Match(t.URL, name); ok {
		return source{path: path}, true
	}
	name, rejects := strings.CutPrefix(name, rejectsPrefix)
	if !rejects {
		return source{}, false
	}
	s := source{path: path, rejects: true}
	if t.Note.Sheet != "" {
		name, s.workbook = strings.CutSuffix(name, sheetSuffix(t.Note.Sheet, false))
		if !s.workbook {
			name, s.workbook = strings.CutSuffix(name, sheetSuffix(t.Note.Sheet, true))
			s.epoch1904 = true
		}
		if !s.workbook {
			return source{}, false
		}
	}
	ok, _ := filepath.Match(t.URL, strings.TrimSuffix(name, ".gz"))
	return s, ok
}

// sheetSuffix ends the name of a file of rejected rows of a sheet, which are text.
func sheetSuffix(sheet string, epoch1904 bool) string {
	if epoch1904 {
		return "#" + sheet + ".1904.csv"
	}
	return "#" + sheet + ".csv"
}

// rejectsName is the name of the file of an input's rejected rows, under which a
// further run takes them, mended. A file that goes by another name keeps its own here,
// where the layout finds it.
func (in input) rejectsName() string {
	name := filepath.Base(in.path)
	if in.rejects {
		return name
	}
	if in.table.Note.Sheet != "" {
		name += sheetSuffix(in.table.Note.Sheet, in.epoch1904)
	}
	return rejectsPrefix + name
}

// open opens the rows of a table and goes past what stands before its data; header is
// its words, empty for JSON, and raw the bytes of all these rows.
func open(from source, t layout.Table) (rows table.Rows, header []string, raw []byte, err error) {
	f := table.Format{Sheet: t.Note.Sheet, Pointer: t.Note.Rows}
	if from.rejects {
		f.Pointer = "" // they stand one after the other
	}
	path := from.path
	if d := t.Dialect; d != nil {
		f.Delimiter, f.Quote, f.Encoding = first(d.Delimiter), first(d.QuoteChar), d.Encoding
	}
	rows, err = table.Open(path, f)
	if err != nil {
		return nil, nil, nil, err
	}
	if kind, _ := table.Kind(path); kind == "json" {
		return rows, nil, nil, nil
	}
	header, raw, err = table.Header(rows, t.Dialect.Skipped(), t.Dialect.HeaderRows())
	if err != nil {
		return nil, nil, nil, errors.Join(err, rows.Close())
	}
	return rows, header, raw, nil
}

func first(s string) rune {
	for _, r := range s {
		return r
	}
	return 0
}

func readHeader(from source, t layout.Table) (header []string, raw []byte, err error) {
	rows, header, raw, err := open(from, t)
	if err != nil {
		return nil, nil, err
	}
	return header, raw, rows.Close()
}
