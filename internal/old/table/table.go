// Package table reads the files that old records come in, row by row, and keeps the
// original bytes of each row: delimited text (any delimiter, UTF-8 or
// Windows-1252, with or without byte order mark, RFC 4180 quoting), workbooks (xlsx) and
// JSON, each plain or gzip. What a row says is not its concern.
package table

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// Row is one row of a file.
type Row struct {
	Number int    // from 1, as a spreadsheet counts; the header is a row too
	Raw    []byte // as the file has it; of a workbook, its cells as CSV
	Cells  []string
	Names  []string // of JSON: the pointer of each cell
	// Broken says why the row cannot be read as a row; its cells are empty.
	Broken string
}

// Rows gives the rows of a file one after the other.
type Rows interface {
	// Next is the next row; io.EOF after the last.
	Next() (Row, error)
	Close() error
}

// Format is how a file is read. The zero Format is a comma, a quotation mark, and UTF-8.
type Format struct {
	Delimiter rune
	Quote     rune
	Encoding  string // utf-8 or windows-1252
	Sheet     string // of a workbook; empty: its first
	Pointer   string // of JSON: where its list of rows is; empty: the document, or NDJSON
}

// ErrFormat says that a file is not of a format that is read.
var ErrFormat = errors.New("not a file of a format that is read")

// Kind is the kind of a file by its name, gzip aside: csv, xlsx or json.
func Kind(name string) (string, error) {
	switch ext := strings.ToLower(filepath.Ext(strings.TrimSuffix(strings.ToLower(name), ".gz"))); ext {
	case ".csv", ".tsv", ".txt", ".tab":
		return "csv", nil
	case ".xlsx":
		return "xlsx", nil
	case ".json", ".ndjson":
		return "json", nil
	}
	return "", fmt.Errorf("%w: %s", ErrFormat, filepath.Ext(name))
}

// Open opens a file by its name.
func Open(name string, f Format) (Rows, error) {
	kind, err := Kind(name)
	if err != nil {
		return nil, err
	}
	if kind == "xlsx" {
		return openWorkbook(name, f)
	}
	file, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	in, err := plain(file)
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	rows := Rows(nil)
	if kind == "json" {
		rows, err = newJSON(in, f.Pointer)
	} else {
		rows, err = newCSV(in, f)
	}
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return closing{rows, file}, nil
}

type closing struct {
	Rows
	file io.Closer
}

// Close closes the rows, then the file.
func (c closing) Close() error { return errors.Join(c.Rows.Close(), c.file.Close()) }

// plain unpacks gzip by its magic bytes (RFC 1952 section 2.3.1).
func plain(f *os.File) (io.Reader, error) {
	var magic [2]byte
	n, err := io.ReadFull(f, magic[:])
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	if n == 2 && bytes.Equal(magic[:], []byte{0x1f, 0x8b}) {
		return gzip.NewReader(f)
	}
	return f, nil
}

// Header goes past the rows before the data: it skips some, and joins the words of the
// rows of the header; a word of a merged cell above counts for every column below it that
// has none of its own above. raw has the bytes of all these rows.
func Header(rows Rows, skip, count int) (header []string, raw []byte, err error) {
	var of [][]string
	for n := range skip + count {
		r, err := rows.Next()
		if errors.Is(err, io.EOF) {
			return nil, nil, errors.New("the file ends within its header")
		}
		if err != nil {
			return nil, nil, err
		}
		raw = append(raw, r.Raw...)
		if n >= skip {
			of = append(of, r.Cells)
		}
	}
	return joined(of), raw, nil
}

// joined are the words of the rows of a header, column by column. A workbook has no empty cells at
// the end of a row.
func joined(rows [][]string) []string {
	width := 0
	for _, cells := range rows {
		width = max(width, len(cells))
	}
	header := make([]string, width)
	for n, cells := range rows {
		above := ""
		for i := range header {
			word := ""
			if i < len(cells) {
				word = strings.TrimSpace(cells[i])
			}
			if word != "" || n == len(rows)-1 {
				above = word
			}
			header[i] = strings.TrimSpace(header[i] + " " + above)
		}
	}
	return header
}
