package syntax

import (
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

type kind uint8

const (
	end kind = iota
	symbol
	word      // an identifier or keyword
	delimited // `identifier`
	text      // 'string'
	number
	date
	dateTime
	timeOfDay
	special // $this
)

type token struct {
	kind   kind
	offset int
	text   string // unescaped
}

type lexer struct {
	src string
	pos int
}

func (l *lexer) fail(offset int, reason string) (token, error) {
	return token{}, &Error{Offset: offset, Reason: reason}
}

// next reads one token, after white space and comments (N1 10).
func (l *lexer) next() (token, error) {
	if err := l.skip(); err != nil {
		return token{}, err
	}
	start := l.pos
	if start >= len(l.src) {
		return token{kind: end, offset: start}, nil
	}
	switch c := l.src[start]; {
	case isLetter(c):
		return token{word, start, l.while(isWord)}, nil
	case isDigit(c):
		l.while(isDigit)
		if l.pos+1 < len(l.src) && l.src[l.pos] == '.' && isDigit(l.src[l.pos+1]) {
			l.pos++
			l.while(isDigit)
		}
		return token{number, start, l.src[start:l.pos]}, nil
	case c == '\'':
		return l.quoted(text)
	case c == '`':
		return l.quoted(delimited)
	case c == '@':
		return l.moment()
	case c == '$':
		l.pos++
		return token{special, start, l.while(isWord)}, nil
	default:
		for _, s := range []string{"<=", ">=", "!=", "!~"} {
			if strings.HasPrefix(l.src[start:], s) {
				l.pos += 2
				return token{symbol, start, s}, nil
			}
		}
		if strings.IndexByte("()[]{}.,+-*/&|<>=~%", c) < 0 {
			return l.fail(start, "unexpected character")
		}
		l.pos++
		return token{symbol, start, l.src[start:l.pos]}, nil
	}
}

func (l *lexer) skip() error {
	for l.pos < len(l.src) {
		rest := l.src[l.pos:]
		switch {
		case strings.IndexByte(" \t\r\n", rest[0]) >= 0:
			l.pos++
		case strings.HasPrefix(rest, "//"):
			if i := strings.IndexAny(rest, "\r\n"); i >= 0 {
				l.pos += i
			} else {
				l.pos = len(l.src)
			}
		case strings.HasPrefix(rest, "/*"):
			i := strings.Index(rest[2:], "*/")
			if i < 0 {
				_, err := l.fail(l.pos, "a comment does not end")
				return err
			}
			l.pos += i + 4
		default:
			return nil
		}
	}
	return nil
}

func (l *lexer) while(ok func(byte) bool) string {
	start := l.pos
	for l.pos < len(l.src) && ok(l.src[l.pos]) {
		l.pos++
	}
	return l.src[start:l.pos]
}

// quoted reads a string or delimited identifier and its escapes (N1 4.1.2).
func (l *lexer) quoted(k kind) (token, error) {
	start := l.pos
	quote := l.src[start]
	l.pos++
	var b strings.Builder
	for l.pos < len(l.src) {
		switch c := l.src[l.pos]; c {
		case quote:
			l.pos++
			if !utf8.ValidString(b.String()) {
				return l.fail(start, "not UTF-8")
			}
			return token{k, start, b.String()}, nil
		case '\\':
			l.pos++
			l.escape(&b)
		default:
			b.WriteByte(c)
			l.pos++
		}
	}
	return l.fail(start, "a string or identifier does not end")
}

// escape reads what follows a backslash. Where that is no escape, the
// backslash is ignored (N1 4.1.2).
func (l *lexer) escape(b *strings.Builder) {
	if l.pos >= len(l.src) {
		return
	}
	c := l.src[l.pos]
	switch c {
	case 'f':
		b.WriteByte('\f')
	case 'n':
		b.WriteByte('\n')
	case 'r':
		b.WriteByte('\r')
	case 't':
		b.WriteByte('\t')
	case 'u':
		if r, ok := hex(l.src, l.pos+1); ok {
			l.pos += 5
			if low, ok := l.lowSurrogate(r); ok {
				r = utf16.DecodeRune(r, low)
				l.pos += 6
			}
			b.WriteRune(r)
			return
		}
		b.WriteByte(c)
	default:
		b.WriteByte(c)
	}
	l.pos++
}

// lowSurrogate finds the second half of a pair \uD83D\uDD25.
func (l *lexer) lowSurrogate(high rune) (rune, bool) {
	if !utf16.IsSurrogate(high) || !strings.HasPrefix(l.src[l.pos:], `\u`) {
		return 0, false
	}
	low, ok := hex(l.src, l.pos+2)
	return low, ok && utf16.DecodeRune(high, low) != utf8.RuneError
}

func hex(s string, at int) (rune, bool) {
	if at+4 > len(s) {
		return 0, false
	}
	var r rune
	for _, c := range []byte(s[at : at+4]) {
		d := strings.IndexByte("0123456789abcdef", c|0x20)
		if d < 0 || c < '0' {
			return 0, false
		}
		r = r<<4 | rune(d)
	}
	return r, true
}

// moment reads @2015-02-04T14:34:28.1+10:00, its shorter forms, and @T14:34.
// Whether the day exists is for the reader of the tree to say.
func (l *lexer) moment() (token, error) {
	start := l.pos
	l.pos++
	k := date
	if l.peek("T") {
		l.pos++
		if !l.clock() {
			return l.fail(start, "an hour is missing")
		}
		return token{timeOfDay, start, l.src[start+2 : l.pos]}, nil
	}
	if !l.digits(4) {
		return l.fail(start, "a year of four digits is missing")
	}
	if l.dash() {
		l.dash()
	}
	if l.peek("T") {
		k = dateTime
		l.pos++
		if l.clock() {
			l.zone()
		}
	}
	return token{k, start, l.src[start+1 : l.pos]}, nil
}

func (l *lexer) peek(s string) bool { return strings.HasPrefix(l.src[l.pos:], s) }

// digits takes n digits, or nothing.
func (l *lexer) digits(n int) bool {
	if l.pos+n > len(l.src) {
		return false
	}
	for i := range n {
		if !isDigit(l.src[l.pos+i]) {
			return false
		}
	}
	l.pos += n
	return true
}

// dash takes "-01", or nothing.
func (l *lexer) dash() bool { return l.after("-", 2) }

func (l *lexer) after(mark string, n int) bool {
	back := l.pos
	if l.peek(mark) {
		l.pos += len(mark)
		if l.digits(n) {
			return true
		}
	}
	l.pos = back
	return false
}

// clock takes 14, 14:34, 14:34:28 or 14:34:28.123.
func (l *lexer) clock() bool {
	if !l.digits(2) {
		return false
	}
	minute := l.after(":", 2)
	second := minute && l.after(":", 2)
	if second && l.after(".", 1) {
		l.while(isDigit)
	}
	return true
}

func (l *lexer) zone() {
	back := l.pos
	if l.peek("Z") {
		l.pos++
	} else if !(l.after("+", 2) || l.after("-", 2)) || !l.after(":", 2) {
		l.pos = back
	}
}

func isDigit(c byte) bool  { return c >= '0' && c <= '9' }
func isLetter(c byte) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' || c == '_' }
func isWord(c byte) bool   { return isLetter(c) || isDigit(c) }
