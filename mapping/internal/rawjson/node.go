// Package rawjson reads JSON without losing what encoding/json loses: members
// that occur twice, the order in which they were sent, numbers as text, and
// unpaired surrogates. It writes the canonical JSON of RFC 8785.
package rawjson

import (
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// Limits of what Parse reads.
const (
	// MaxBytes is the greatest length in bytes.
	MaxBytes = 1 << 20
	// MaxDepth is the greatest depth of nested objects and lists.
	MaxDepth = 64
)

// Kind is one of JSON's kinds of value.
type Kind uint8

// The kinds of value.
const (
	Null Kind = iota
	Bool
	Number
	String
	Array
	Object
)

// Node is one JSON value as sent. It keeps what encoding/json drops: members
// that occur twice, in the order sent, and numbers as text.
type Node struct {
	Kind    Kind
	Text    string   // a string's value, a number's literal, "true" or "false"
	Members []Member // of an object
	Elems   []*Node  // of an array
}

// Member is one member of an object. A name or string with an unpaired
// surrogate escape keeps it in its three-byte form, so that two such names
// stay different; see Plain.
type Member struct {
	Name  string
	Value *Node
}

// Fault says why bytes are not one JSON value within the limits.
type Fault struct {
	Code string // stable, kebab-case
	Text string // holds nothing of the bytes
}

// Parse reads one JSON value (RFC 8259). On a fault the tree holds what stood
// before it, nil if that is nothing.
func Parse(b []byte) (*Node, *Fault) { return ParseWithin(b, MaxBytes) }

// ParseWithin is Parse with a limit of its own to the length in bytes.
func ParseWithin(b []byte, limit int) (*Node, *Fault) {
	if len(b) > limit {
		return nil, &Fault{"too-large", "it is longer than " + strconv.Itoa(limit) + " bytes"}
	}
	p := parser{in: b}
	root := p.value(0)
	if p.fault == nil {
		p.space()
		if p.at < len(p.in) {
			p.fail("trailing-data", "something follows the value")
		}
	}
	return root, p.fault
}

type parser struct {
	in    []byte
	at    int
	fault *Fault
}

func (p *parser) fail(code, text string) {
	if p.fault == nil {
		p.fault = &Fault{code, text + ", at byte " + strconv.Itoa(p.at)}
	}
}

func (p *parser) space() {
	for p.at < len(p.in) {
		switch p.in[p.at] {
		case ' ', '\t', '\r', '\n':
			p.at++
		default:
			return
		}
	}
}

// peek is the next byte that is not white space, 0 at the end.
func (p *parser) peek() byte {
	p.space()
	if p.at >= len(p.in) {
		return 0
	}
	return p.in[p.at]
}

func (p *parser) value(depth int) *Node {
	switch c := p.peek(); {
	case c == '{' || c == '[':
		if depth >= MaxDepth {
			p.fail("too-deep", "it nests deeper than "+strconv.Itoa(MaxDepth))
			return nil
		}
		p.at++
		if c == '{' {
			return p.object(depth + 1)
		}
		return p.array(depth + 1)
	case c == '"':
		return &Node{Kind: String, Text: p.str()}
	case c == '-' || c >= '0' && c <= '9':
		return p.number()
	}
	for _, w := range [...]struct {
		word string
		kind Kind
	}{{"null", Null}, {"true", Bool}, {"false", Bool}} {
		if strings.HasPrefix(string(p.in[p.at:min(len(p.in), p.at+len(w.word))]), w.word) {
			p.at += len(w.word)
			return &Node{Kind: w.kind, Text: w.word}
		}
	}
	p.fail("not-json", "not JSON")
	return nil
}

func (p *parser) object(depth int) *Node {
	n := &Node{Kind: Object}
	if p.peek() == '}' {
		p.at++
		return n
	}
	for p.fault == nil {
		if p.peek() != '"' {
			p.fail("not-json", "not JSON: a member name is wanted")
			break
		}
		name := p.str()
		if p.peek() != ':' {
			p.fail("not-json", "not JSON: a colon is wanted")
			break
		}
		p.at++
		if v := p.value(depth); v != nil {
			n.Members = append(n.Members, Member{name, v})
		}
		if !p.more('}') {
			break
		}
	}
	return n
}

func (p *parser) array(depth int) *Node {
	n := &Node{Kind: Array}
	if p.peek() == ']' {
		p.at++
		return n
	}
	for p.fault == nil {
		if v := p.value(depth); v != nil {
			n.Elems = append(n.Elems, v)
		}
		if !p.more(']') {
			break
		}
	}
	return n
}

// more takes a comma, or the closing byte, and reports whether it was a comma.
func (p *parser) more(closing byte) bool {
	if p.fault != nil {
		return false
	}
	switch p.peek() {
	case ',':
		p.at++
		return true
	case closing:
		p.at++
	default:
		p.fail("not-json", "not JSON: a comma or "+string(closing)+" is wanted")
	}
	return false
}

func (p *parser) number() *Node {
	end := p.at
	for end < len(p.in) && strings.IndexByte("+-.0123456789eE", p.in[end]) >= 0 {
		end++
	}
	text := string(p.in[p.at:end])
	if NumberLength(text) != len(text) {
		p.fail("not-json", "not JSON: no number of JSON's grammar")
		return nil
	}
	p.at = end
	return &Node{Kind: Number, Text: text}
}

// str reads a string whose opening quote is next.
func (p *parser) str() string {
	p.at++
	var out []byte
	for p.at < len(p.in) {
		c := p.in[p.at]
		switch {
		case c == '"':
			p.at++
			return string(out)
		case c == '\\':
			out = p.escape(out)
		case c < ' ':
			p.fail("not-json", "not JSON: a control character in a string")
		case c < utf8.RuneSelf:
			out = append(out, c)
			p.at++
		default:
			r, size := utf8.DecodeRune(p.in[p.at:])
			if r == utf8.RuneError && size == 1 {
				p.fail("invalid-utf8", "not UTF-8")
			}
			out = append(out, p.in[p.at:p.at+size]...)
			p.at += size
		}
		if p.fault != nil {
			return string(out)
		}
	}
	p.fail("not-json", "not JSON: a string does not end")
	return string(out)
}

const escapes = "\"\"\\\\//b\bf\fn\nr\rt\t" // pairs: the letter, its character

// escape reads one escape sequence.
func (p *parser) escape(out []byte) []byte {
	if p.at+1 < len(p.in) && p.in[p.at+1] == 'u' {
		return p.unicodeEscape(out)
	}
	if p.at+1 < len(p.in) {
		for i := 0; i < len(escapes); i += 2 {
			if escapes[i] == p.in[p.at+1] {
				p.at += 2
				return append(out, escapes[i+1])
			}
		}
	}
	p.fail("not-json", "not JSON: an unknown escape")
	return out
}

func (p *parser) unicodeEscape(out []byte) []byte {
	r, ok := p.hex4(p.at)
	if !ok {
		p.fail("not-json", "not JSON: an unknown escape")
		return out
	}
	p.at += 6
	if !utf16.IsSurrogate(r) {
		return utf8.AppendRune(out, r)
	}
	if low, ok := p.hex4(p.at); ok {
		if joined := utf16.DecodeRune(r, low); joined != utf8.RuneError {
			p.at += 6
			return utf8.AppendRune(out, joined)
		}
	}
	return append(out, 0xE0|byte(r>>12), 0x80|byte(r>>6)&0x3F, 0x80|byte(r)&0x3F)
}

// hex4 reads \uXXXX at a position.
func (p *parser) hex4(at int) (rune, bool) {
	if at+6 > len(p.in) || p.in[at] != '\\' || p.in[at+1] != 'u' {
		return 0, false
	}
	v := rune(0)
	for _, c := range p.in[at+2 : at+6] {
		switch {
		case c >= '0' && c <= '9':
			v = v<<4 | rune(c-'0')
		case c|0x20 >= 'a' && c|0x20 <= 'f':
			v = v<<4 | rune(c|0x20-'a'+10)
		default:
			return 0, false
		}
	}
	return v, true
}

// Plain is s as valid UTF-8; unpaired surrogates become U+FFFD.
func Plain(s string) string {
	if utf8.ValidString(s) {
		return s
	}
	return strings.ToValidUTF8(s, string(utf8.RuneError))
}

// Pointer adds a reference token to an RFC 6901 pointer.
func Pointer(parent, token string) string {
	if strings.ContainsAny(token, "~/") {
		token = strings.ReplaceAll(strings.ReplaceAll(token, "~", "~0"), "/", "~1")
	}
	return parent + "/" + token
}

// Index adds a list index to an RFC 6901 pointer.
func Index(parent string, i int) string { return parent + "/" + strconv.Itoa(i) }

// NumberLength is the length of the JSON number that text begins with, 0 if
// there is none.
func NumberLength(text string) int {
	i := 0
	digits := func() bool {
		start := i
		for i < len(text) && text[i] >= '0' && text[i] <= '9' {
			i++
		}
		return i > start
	}
	if i < len(text) && text[i] == '-' {
		i++
	}
	zero := i < len(text) && text[i] == '0'
	if zero {
		i++
	} else if !digits() {
		return 0
	}
	if i < len(text) && text[i] == '.' {
		i++
		if !digits() {
			return 0
		}
	}
	if i < len(text) && (text[i] == 'e' || text[i] == 'E') {
		i++
		if i < len(text) && (text[i] == '+' || text[i] == '-') {
			i++
		}
		if !digits() {
			return 0
		}
	}
	return i
}

// Duplicates lists, as RFC 6901 pointers, each name that an object at any depth
// has more than once. Names are compared after their escapes are read.
func (n *Node) Duplicates() []string { return n.duplicates(nil, "") }

func (n *Node) duplicates(found []string, ptr string) []string {
	count := map[string]int{}
	for _, m := range n.Members {
		at := Pointer(ptr, Plain(m.Name))
		if count[m.Name]++; count[m.Name] == 2 {
			found = append(found, at)
		}
		found = m.Value.duplicates(found, at)
	}
	for i, e := range n.Elems {
		found = e.duplicates(found, Index(ptr, i))
	}
	return found
}
