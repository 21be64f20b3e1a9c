package table

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
)

// maxRow is the greatest row that is read whole, in bytes. A quotation mark that
// is not closed within it, or within the file, breaks its own line only.
const maxRow = 1 << 20

// csvRows reads delimited text. encoding/csv is not used: it gives neither the
// bytes of a row nor, after a quotation mark that is never closed, the rows behind it.
type csvRows struct {
	in               *bufio.Reader
	delimiter, quote byte
	decode           func([]byte) (string, bool)
	number           int
	pushed           []byte // read too far: of a row that broke
}

func newCSV(in io.Reader, f Format) (*csvRows, error) {
	r := &csvRows{in: bufio.NewReaderSize(in, 64<<10), delimiter: ',', quote: '"', decode: utf8Cell}
	if f.Delimiter != 0 {
		r.delimiter = byte(f.Delimiter)
	}
	if f.Quote != 0 {
		r.quote = byte(f.Quote)
	}
	if f.Delimiter > 0x7f || f.Quote > 0x7f {
		return nil, fmt.Errorf("%w: delimiter and quotation mark are ASCII", ErrFormat)
	}
	switch strings.ToLower(f.Encoding) {
	case "", "utf-8", "utf8":
	case "windows-1252", "cp1252":
		r.decode = windowsCell
	default:
		return nil, fmt.Errorf("%w: encoding %q", ErrFormat, f.Encoding)
	}
	if mark, _ := r.in.Peek(2); bytes.Equal(mark, []byte("\xff\xfe")) || bytes.Equal(mark, []byte("\xfe\xff")) {
		return nil, fmt.Errorf("%w: UTF-16: save it as UTF-8", ErrFormat)
	}
	if bom, _ := r.in.Peek(3); bytes.Equal(bom, []byte("\xef\xbb\xbf")) {
		_, err := r.in.Discard(3)
		return r, err
	}
	return r, nil
}

func utf8Cell(b []byte) (string, bool) { return string(b), utf8.Valid(b) }

func windowsCell(b []byte) (string, bool) {
	s, err := charmap.Windows1252.NewDecoder().Bytes(b)
	return string(s), err == nil && !bytes.ContainsRune(s, utf8.RuneError)
}

// Close leaves the file to whoever opened it.
func (r *csvRows) Close() error { return nil }

// Next reads one row. A row with one empty cell is an empty line.
func (r *csvRows) Next() (Row, error) {
	raw, closed, err := r.row()
	if err != nil {
		return Row{}, err
	}
	r.number++
	row := Row{Number: r.number, Raw: raw}
	if !closed {
		row.Raw, r.pushed = firstLine(raw), append(bytes.Clone(raw[len(firstLine(raw)):]), r.pushed...)
		row.Broken = "a quotation mark is not closed"
		return row, nil
	}
	cells, ok := r.cells(raw)
	row.Cells = cells
	if !ok {
		row.Broken = "bytes that the encoding does not have"
	}
	return row, nil
}

// row reads to the end of a line that no quotation marks hold open.
func (r *csvRows) row() (raw []byte, closed bool, err error) {
	quotes := 0
	for {
		line, err := r.line()
		raw = append(raw, line...)
		quotes += r.quotes(line, quotes)
		switch {
		case errors.Is(err, io.EOF) && len(raw) == 0:
			return nil, false, io.EOF
		case err != nil && !errors.Is(err, io.EOF):
			return nil, false, err
		case quotes%2 == 0:
			return raw, true, nil
		case err != nil, len(raw) > maxRow:
			return raw, false, nil
		}
	}
}

// quotes counts the quotation marks that open and close cells: within a cell that
// does not begin with one, a quotation mark is a letter (5" is five inches). One right
// behind a closing one opens the cell again, as two stand for one in it.
func (r *csvRows) quotes(line []byte, before int) int {
	n, opens := 0, before%2 == 0
	for _, c := range line {
		open := (before+n)%2 == 1
		switch {
		case c == r.quote && open:
			n++
			opens = true
		case c == r.quote && opens:
			n++
			opens = false
		default:
			opens = c == r.delimiter && !open
		}
	}
	return n
}

func (r *csvRows) line() ([]byte, error) {
	if len(r.pushed) > 0 {
		line := firstLine(r.pushed)
		r.pushed = r.pushed[len(line):]
		if line[len(line)-1] == '\n' || len(r.pushed) > 0 {
			return line, nil
		}
		rest, err := r.in.ReadBytes('\n')
		return append(bytes.Clone(line), rest...), err
	}
	return r.in.ReadBytes('\n')
}

func firstLine(b []byte) []byte {
	if i := bytes.IndexByte(b, '\n'); i >= 0 {
		return b[:i+1]
	}
	return b
}

// cells parts a row. ok is false where a cell has bytes that its encoding lacks.
func (r *csvRows) cells(raw []byte) (out []string, ok bool) {
	b := bytes.TrimSuffix(bytes.TrimSuffix(raw, []byte("\n")), []byte("\r"))
	ok = true
	for {
		cell, rest, more := r.cell(b)
		s, valid := r.decode(cell)
		out, ok = append(out, s), ok && valid
		if !more {
			return out, ok
		}
		b = rest
	}
}

func (r *csvRows) cell(b []byte) (cell, rest []byte, more bool) {
	if len(b) == 0 || b[0] != r.quote {
		if i := bytes.IndexByte(b, r.delimiter); i >= 0 {
			return b[:i], b[i+1:], true
		}
		return b, nil, false
	}
	i := 1
	for ; i < len(b); i++ {
		if b[i] != r.quote {
			cell = append(cell, b[i])
			continue
		}
		if i+1 < len(b) && b[i+1] == r.quote {
			cell = append(cell, r.quote)
			i++
			continue
		}
		i++
		break
	}
	for ; i < len(b); i++ { // what stands behind the closing mark belongs to the cell
		if b[i] == r.delimiter {
			return cell, b[i+1:], true
		}
		cell = append(cell, b[i])
	}
	return cell, nil, false
}
