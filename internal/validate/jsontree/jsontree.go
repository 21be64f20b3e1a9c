// Package jsontree reads JSON (RFC 8259) strictly into the tree that FHIRPath is
// evaluated over: map[string]any, []any, string, json.Number, bool, nil. What a
// plain decoder passes over in silence is told: members that occur twice, text
// that is no UTF-8, what stands behind the value.
package jsontree

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// MaxDepth is how deep objects and arrays may be nested: far deeper than any
// resource is, and far from the end of the stack.
const MaxDepth = 500

// Error says that the text is no JSON.
type Error struct {
	Line, Column int // from 1; the column in characters
	Reason       string
}

// Error tells the place and what is wrong there; it quotes nothing.
func (e *Error) Error() string {
	return fmt.Sprintf("no JSON at line %d, column %d: %s", e.Line, e.Column, e.Reason)
}

// Duplicate is a member that an object holds more than once. The first counts
// in the tree.
type Duplicate struct {
	Object map[string]any // the object as it stands in the tree
	Name   string
}

// Read reads one value, and nothing else.
func Read(text []byte) (any, []Duplicate, error) {
	r := reader{s: string(text)}
	if !utf8.ValidString(r.s) {
		return nil, nil, &Error{1, 1, "the text is not UTF-8"}
	}
	if strings.HasPrefix(r.s, "\ufeff") { // RFC 8259 8.1
		return nil, nil, r.fail("a byte order mark stands before the text")
	}
	if r.space(); r.at < len(r.s) && r.s[r.at] == '<' {
		return nil, nil, r.fail("XML is not read")
	}
	v, err := r.value(0)
	if err != nil {
		return nil, nil, err
	}
	if r.space(); r.at < len(r.s) {
		return nil, nil, r.fail("text behind the value")
	}
	return v, r.duplicates, nil
}

type reader struct {
	s          string
	at         int
	duplicates []Duplicate
	list       []any // items of arrays that are not read to their end yet
}

func (r *reader) fail(reason string) error {
	before := r.s[:r.at]
	line := before[strings.LastIndexByte(before, '\n')+1:]
	return &Error{strings.Count(before, "\n") + 1, utf8.RuneCountInString(line) + 1, reason}
}

func (r *reader) space() {
	for r.at < len(r.s) {
		switch r.s[r.at] {
		case ' ', '\t', '\n', '\r':
			r.at++
		default:
			return
		}
	}
}

func (r *reader) value(depth int) (any, error) {
	if r.at == len(r.s) {
		return nil, r.fail("the text ends where a value is wanted")
	}
	if depth > MaxDepth {
		return nil, r.fail("nested too deep")
	}
	switch c := r.s[r.at]; {
	case c == '"':
		s, err := r.text()
		return s, err
	case c == '{':
		return r.object(depth)
	case c == '[':
		return r.array(depth)
	case c == '-' || c >= '0' && c <= '9':
		return r.number()
	}
	for word, v := range words {
		if len(r.s)-r.at >= len(word) && r.s[r.at:r.at+len(word)] == word {
			r.at += len(word)
			return v, nil
		}
	}
	return nil, r.fail("no value begins so")
}

var words = map[string]any{"true": true, "false": false, "null": nil}

func (r *reader) object(depth int) (any, error) {
	r.at++
	m := make(map[string]any)
	if r.space(); r.is('}') {
		return m, nil
	}
	for {
		if r.space(); r.at == len(r.s) || r.s[r.at] != '"' {
			return nil, r.fail("a member's name is wanted")
		}
		name, err := r.text()
		if err != nil {
			return nil, err
		}
		if r.space(); !r.is(':') {
			return nil, r.fail("a colon is wanted")
		}
		r.space()
		v, err := r.value(depth + 1)
		if err != nil {
			return nil, err
		}
		if _, twice := m[name]; twice {
			r.duplicates = append(r.duplicates, Duplicate{m, name})
		} else {
			m[name] = v
		}
		if r.space(); r.is('}') {
			return m, nil
		}
		if !r.is(',') {
			return nil, r.fail("a comma or the end of the object is wanted")
		}
	}
}

func (r *reader) array(depth int) (any, error) {
	r.at++
	from := len(r.list)
	if r.space(); r.is(']') {
		return []any{}, nil
	}
	for {
		r.space()
		v, err := r.value(depth + 1)
		if err != nil {
			return nil, err
		}
		r.list = append(r.list, v)
		if r.space(); r.is(']') {
			out := make([]any, len(r.list)-from)
			copy(out, r.list[from:])
			clear(r.list[from:])
			r.list = r.list[:from]
			return out, nil
		}
		if !r.is(',') {
			return nil, r.fail("a comma or the end of the array is wanted")
		}
	}
}

// is goes past a character if it stands here.
func (r *reader) is(c byte) bool {
	if r.at < len(r.s) && r.s[r.at] == c {
		r.at++
		return true
	}
	return false
}

// text reads a string, which begins here. One without escapes is a part of the
// whole text.
func (r *reader) text() (string, error) {
	r.at++
	for i := r.at; i < len(r.s); i++ {
		switch c := r.s[i]; {
		case c == '"':
			s := r.s[r.at:i]
			r.at = i + 1
			return s, nil
		case c == '\\':
			return r.escaped(i)
		case c < ' ':
			r.at = i
			return "", r.fail("a control character in a string")
		}
	}
	r.at = len(r.s)
	return "", r.fail("the text ends within a string")
}

// escaped reads on from the first escape, at i.
func (r *reader) escaped(i int) (string, error) {
	b := append(make([]byte, 0, i-r.at+64), r.s[r.at:i]...)
	for r.at = i; r.at < len(r.s); {
		switch c := r.s[r.at]; {
		case c == '"':
			r.at++
			return string(b), nil
		case c < ' ':
			return "", r.fail("a control character in a string")
		case c != '\\':
			b = append(b, c)
			r.at++
		default:
			var err error
			if b, err = r.escape(b); err != nil {
				return "", err
			}
		}
	}
	return "", r.fail("the text ends within a string")
}

var escapes = map[byte]byte{'"': '"', '\\': '\\', '/': '/', 'b': '\b', 'f': '\f', 'n': '\n', 'r': '\r', 't': '\t'}

func (r *reader) escape(b []byte) ([]byte, error) {
	r.at++
	if r.at == len(r.s) {
		return nil, r.fail("the text ends within a string")
	}
	if c, ok := escapes[r.s[r.at]]; ok {
		r.at++
		return append(b, c), nil
	}
	if r.s[r.at] != 'u' {
		return nil, r.fail("an escape that does not exist")
	}
	first, ok := r.hex(r.at + 1)
	if !ok {
		return nil, r.fail("four hexadecimal digits are wanted")
	}
	r.at += 5
	if !utf16.IsSurrogate(first) {
		return utf8.AppendRune(b, first), nil
	}
	if r.at+1 < len(r.s) && r.s[r.at] == '\\' && r.s[r.at+1] == 'u' {
		if second, ok := r.hex(r.at + 2); ok {
			if c := utf16.DecodeRune(first, second); c != utf8.RuneError {
				r.at += 6
				return utf8.AppendRune(b, c), nil
			}
		}
	}
	return nil, r.fail("half a character (RFC 8259 8.2)")
}

func (r *reader) hex(at int) (rune, bool) {
	if at+4 > len(r.s) {
		return 0, false
	}
	n, err := strconv.ParseUint(r.s[at:at+4], 16, 16)
	return rune(n), err == nil
}

// number reads a number and keeps it as written (RFC 8259 6).
func (r *reader) number() (any, error) {
	from := r.at
	r.is('-')
	if !r.is('0') && r.digits() == 0 {
		return nil, r.fail("a digit is wanted")
	}
	if r.is('.') && r.digits() == 0 {
		return nil, r.fail("a digit is wanted")
	}
	if r.is('e') || r.is('E') {
		if !r.is('+') {
			r.is('-')
		}
		if r.digits() == 0 {
			return nil, r.fail("a digit is wanted")
		}
	}
	return json.Number(r.s[from:r.at]), nil
}

func (r *reader) digits() int {
	from := r.at
	for r.at < len(r.s) && r.s[r.at] >= '0' && r.s[r.at] <= '9' {
		r.at++
	}
	return r.at - from
}
