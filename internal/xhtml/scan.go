package xhtml

import (
	"strconv"
	"strings"
	"unicode/utf8"
)

type tokenKind uint8

const (
	end tokenKind = iota
	characters
	open
	shut
)

// token is a run of characters or a tag. The text of a start tag is its
// attributes as written.
type token struct {
	kind   tokenKind
	offset int
	name   string
	text   string
	empty  bool // <br/>
}

// scanner reads XML 1.0 without declarations. Comments are passed over.
type scanner struct {
	src string
	pos int
}

// next reads a token; false is a fault of form at pos.
func (s *scanner) next() (token, bool) {
	start := s.pos
	rest := s.src[start:]
	switch {
	case rest == "":
		return token{offset: start}, true
	case rest[0] != '<':
		n := strings.IndexByte(rest, '<')
		if n < 0 {
			n = len(rest)
		}
		s.pos += n
		return token{kind: characters, offset: start, text: rest[:n]}, wellFormed(rest[:n]) && !strings.Contains(rest[:n], "]]>")
	case strings.HasPrefix(rest, "<!--"):
		n := strings.Index(rest[4:], "--")
		if n < 0 || !strings.HasPrefix(rest[4+n:], "-->") || !legal(rest[4:4+n]) {
			return token{}, false
		}
		s.pos += n + 7
		return s.next()
	case strings.HasPrefix(rest, "<![CDATA["):
		n := strings.Index(rest, "]]>")
		if n < 0 || !legal(rest[9:n]) {
			return token{}, false
		}
		s.pos += n + 3
		return token{kind: characters, offset: start, text: rest[9:n]}, true
	case strings.HasPrefix(rest, "</"):
		return s.shut(rest)
	}
	return s.open(rest)
}

func (s *scanner) shut(rest string) (token, bool) {
	n := nameLength(rest[2:])
	after := strings.TrimLeft(rest[2+n:], " \t\r\n")
	if n == 0 || after == "" || after[0] != '>' {
		return token{}, false
	}
	t := token{kind: shut, offset: s.pos, name: rest[2 : 2+n]}
	s.pos = len(s.src) - len(after) + 1
	return t, true
}

func (s *scanner) open(rest string) (token, bool) {
	n := nameLength(rest[1:])
	if n == 0 {
		return token{}, false
	}
	t := token{kind: open, offset: s.pos, name: rest[1 : 1+n]}
	quote := byte(0)
	for i := 1 + n; i < len(rest); i++ {
		switch c := rest[i]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '<':
			return token{}, false
		case c == '>':
			t.text = rest[1+n : i]
			t.text, t.empty = strings.CutSuffix(t.text, "/")
			s.pos += i + 1
			return t, true
		}
	}
	return token{}, false
}

type attribute struct{ name, value string }

// nextAttribute reads one attribute of a start tag; an empty name is the end.
func nextAttribute(s string) (attribute, string, bool) {
	t := strings.TrimLeft(s, " \t\r\n")
	if t == "" {
		return attribute{}, "", true
	}
	n := nameLength(t)
	if n == 0 || len(t) == len(s) {
		return attribute{}, "", false
	}
	a := attribute{name: t[:n]}
	t = strings.TrimLeft(t[n:], " \t\r\n")
	if t == "" || t[0] != '=' {
		return a, "", false
	}
	t = strings.TrimLeft(t[1:], " \t\r\n")
	if t == "" || t[0] != '"' && t[0] != '\'' {
		return a, "", false
	}
	n = strings.IndexByte(t[1:], t[0])
	if n < 0 {
		return a, "", false
	}
	a.value = t[1 : 1+n]
	return a, t[2+n:], !strings.Contains(a.value, "<") && wellFormed(a.value)
}

// nameLength is how many bytes at the start of s are an XML name, here of
// letters, digits and - _ . : only, or beyond ASCII.
func nameLength(s string) int {
	for i := range len(s) {
		c := s[i]
		letter := c|0x20 >= 'a' && c|0x20 <= 'z' || c == '_' || c == ':' || c >= utf8.RuneSelf
		if !letter && (i == 0 || (c < '0' || c > '9') && c != '-' && c != '.') {
			return i
		}
	}
	return len(s)
}

// legal reports whether all characters are of XML (XML 1.0, 2.2).
func legal(s string) bool {
	plain := true
	for i := range len(s) {
		if c := s[i]; c < ' ' && c != '\t' && c != '\n' && c != '\r' {
			return false
		} else if c >= utf8.RuneSelf {
			plain = false
		}
	}
	return plain || utf8.ValidString(s) && !strings.ContainsAny(s, "\ufffe\uffff")
}

// wellFormed reports whether characters are legal and every & begins a
// reference that XML defines (XML 1.0, 4.1 and 4.6).
func wellFormed(s string) bool {
	if !legal(s) {
		return false
	}
	for {
		i := strings.IndexByte(s, '&')
		if i < 0 {
			return true
		}
		name, rest, ok := strings.Cut(s[i+1:], ";")
		if _, known := reference(name); !ok || !known {
			return false
		}
		s = rest
	}
}

// reference is the character of &name;.
func reference(name string) (rune, bool) {
	switch name {
	case "amp":
		return '&', true
	case "lt":
		return '<', true
	case "gt":
		return '>', true
	case "quot":
		return '"', true
	case "apos":
		return '\'', true
	}
	number, ok := strings.CutPrefix(name, "#")
	base := 10
	if hex, isHex := strings.CutPrefix(number, "x"); isHex {
		number, base = hex, 16
	}
	n, err := strconv.ParseUint(number, base, 32)
	r := rune(n)
	return r, ok && err == nil && n <= utf8.MaxRune && utf8.ValidRune(r) && (r >= ' ' || r == '\t' || r == '\n' || r == '\r')
}

// unescape resolves the references of a text that is well-formed.
func unescape(s string) string {
	if !strings.Contains(s, "&") {
		return s
	}
	var b strings.Builder
	for {
		before, after, found := strings.Cut(s, "&")
		b.WriteString(before)
		if !found {
			return b.String()
		}
		name, rest, _ := strings.Cut(after, ";")
		r, _ := reference(name)
		b.WriteRune(r)
		s = rest
	}
}
