package table

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

// jsonRows reads the objects of a list, or of NDJSON, as rows whose cells are their
// leaves by JSON Pointer (RFC 6901).
type jsonRows struct {
	dec    *json.Decoder
	inList bool
	number int
}

func newJSON(in io.Reader, pointer string) (*jsonRows, error) {
	dec := json.NewDecoder(in)
	dec.UseNumber()
	r := &jsonRows{dec: dec}
	if pointer == "" {
		first, err := firstByte(in)
		if err != nil {
			return r, nil // an empty file has no rows
		}
		r.dec = json.NewDecoder(io.MultiReader(bytes.NewReader(first), in))
		if first[len(first)-1] != '[' {
			return r, nil
		}
		r.inList = true
		_, err = r.dec.Token()
		return r, err
	}
	r.inList = true
	err := seek(dec, strings.Split(strings.TrimPrefix(pointer, "/"), "/"))
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = fmt.Errorf("%w: the file ends before its rows", ErrFormat)
	}
	return r, err
}

// firstByte reads up to the first byte that is no white space.
func firstByte(in io.Reader) ([]byte, error) {
	var out []byte
	for b := make([]byte, 1); ; {
		if _, err := io.ReadFull(in, b); err != nil {
			return nil, err
		}
		out = append(out, b[0])
		if !strings.ContainsRune(" \t\r\n\ufeff", rune(b[0])) && b[0] < 0x80 {
			return out, nil
		}
		if b[0] >= 0x80 {
			out = out[:len(out)-1] // of a byte order mark
		}
	}
}

// seek goes to the list at a pointer, past everything before it.
func seek(dec *json.Decoder, names []string) error {
	for _, name := range names {
		if err := expect(dec, '{'); err != nil {
			return err
		}
		for {
			t, err := dec.Token()
			if err != nil {
				return err
			}
			if t == json.Delim('}') {
				return fmt.Errorf("%w: no member %q", ErrFormat, name)
			}
			if t == name {
				break
			}
			var skipped json.RawMessage
			if err := dec.Decode(&skipped); err != nil {
				return err
			}
		}
	}
	return expect(dec, '[')
}

func expect(dec *json.Decoder, d json.Delim) error {
	t, err := dec.Token()
	if err == nil && t != d {
		err = fmt.Errorf("%w: %q expected", ErrFormat, d.String())
	}
	return err
}

// Close leaves the file to whoever opened it.
func (r *jsonRows) Close() error { return nil }

// Next reads one object.
func (r *jsonRows) Next() (Row, error) {
	if r.inList && !r.dec.More() {
		return Row{}, io.EOF
	}
	var raw json.RawMessage
	if err := r.dec.Decode(&raw); err != nil {
		if errors.Is(err, io.EOF) {
			return Row{}, io.EOF
		}
		return Row{}, fmt.Errorf("row %d: %w", r.number+1, err)
	}
	r.number++
	row := Row{Number: r.number, Raw: raw}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	var v any
	if err := dec.Decode(&v); err != nil {
		return Row{}, err
	}
	if _, object := v.(map[string]any); !object {
		row.Broken = "not an object"
		return row, nil
	}
	row.leaves("", v)
	return row, nil
}

// leaves adds the leaves of a value as cells, members in the order of their names.
func (row *Row) leaves(at string, v any) {
	switch v := v.(type) {
	case map[string]any:
		names := make([]string, 0, len(v))
		for n := range v {
			names = append(names, n)
		}
		slices.Sort(names)
		for _, n := range names {
			row.leaves(at+"/"+strings.NewReplacer("~", "~0", "/", "~1").Replace(n), v[n])
		}
	case []any:
		for i, e := range v {
			row.leaves(at+"/"+strconv.Itoa(i), e)
		}
	case nil:
	default:
		row.Names = append(row.Names, at)
		row.Cells = append(row.Cells, fmt.Sprint(v))
	}
}
