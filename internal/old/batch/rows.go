package batch

import (
	"errors"
	"io"
	"path/filepath"
	"strings"

	"nailbridge/internal/old/layout"
	"nailbridge/internal/old/table"
)

// plainName is the name of a file without its folder and without .gz.
func plainName(path string) string { return strings.TrimSuffix(filepath.Base(path), ".gz") }

// open opens the rows of a table and goes past what stands before its data; header is
// its words, empty for JSON, and raw the bytes of all these rows.
func open(path string, t layout.Table) (rows table.Rows, header []string, raw []byte, err error) {
	f := table.Format{Sheet: t.Note.Sheet, Pointer: t.Note.Rows}
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
	header, raw, err = skipHeader(rows, t.Dialect)
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

// skipHeader reads the rows of the header and joins their words; a word of a merged
// cell above counts for every column below it that has none of its own above.
func skipHeader(rows table.Rows, d *layout.Dialect) (header []string, raw []byte, err error) {
	skip := 0
	if d != nil {
		skip = d.SkipRows
	}
	above := ""
	for n := range skip + d.HeaderRows() {
		r, err := rows.Next()
		if errors.Is(err, io.EOF) {
			return nil, nil, errors.New("the file ends within its header")
		}
		if err != nil {
			return nil, nil, err
		}
		raw = append(raw, r.Raw...)
		if n < skip {
			continue
		}
		last := n == skip+d.HeaderRows()-1
		for i, cell := range r.Cells {
			if i == len(header) {
				header = append(header, "")
			}
			word := strings.TrimSpace(cell)
			if word != "" || last {
				above = word
			}
			header[i] = strings.TrimSpace(header[i] + " " + above)
		}
	}
	return header, raw, nil
}

func readHeader(path string, t layout.Table) (header []string, raw []byte, err error) {
	rows, header, raw, err := open(path, t)
	if err != nil {
		return nil, nil, err
	}
	return header, raw, rows.Close()
}
