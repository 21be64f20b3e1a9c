package searchparam

import (
	"errors"
	"net/url"
	"strings"
	"unicode/utf8"
)

// Pair is one name and value of a query, decoded, in the order sent.
type Pair struct{ Name, Value string }

// ErrMalformed is a query string with a broken escape or bytes that are not
// UTF-8. Such a query is refused whole: dropping a part would widen it.
var ErrMalformed = errors.New("malformed query string")

// ParseQuery reads a query string or a form body, which have the same form.
func ParseQuery(raw string) ([]Pair, error) {
	var out []Pair
	for part := range strings.SplitSeq(raw, "&") {
		if part == "" {
			continue
		}
		name, value, _ := strings.Cut(part, "=")
		n, err1 := url.QueryUnescape(name)
		v, err2 := url.QueryUnescape(value)
		if err1 != nil || err2 != nil || !utf8.ValidString(n) || !utf8.ValidString(v) {
			return nil, ErrMalformed
		}
		if n == "" || strings.ContainsRune(n+v, 0) {
			return nil, ErrMalformed
		}
		out = append(out, Pair{n, v})
	}
	return out, nil
}

// readable puts back the characters that a query string may hold as they are
// (RFC 3986 section 3.4) and that our criteria are full of.
var readable = strings.NewReplacer("%2F", "/", "%3A", ":", "%2C", ",")

// EncodeQuery writes pairs as a query string that ParseQuery reads back.
func EncodeQuery(pairs []Pair) string {
	var b strings.Builder
	for i, p := range pairs {
		if i > 0 {
			b.WriteByte('&')
		}
		writeEscaped(&b, p.Name)
		b.WriteByte('=')
		writeEscaped(&b, p.Value)
	}
	return b.String()
}

func writeEscaped(b *strings.Builder, s string) {
	escaped := url.QueryEscape(s)
	if escaped == s { // as most names are
		b.WriteString(s)
		return
	}
	_, _ = readable.WriteString(b, escaped) // a Builder takes everything
}

// errEscape is a backslash before a character that search does not escape.
const errEscape = fault(`a backslash may only stand before one of , | $ \`)

// splitEscaped cuts s at each unescaped separator and leaves escapes in place
// (search.html#escaping).
func splitEscaped(s string, sep byte) []string {
	var out []string
	start := 0
	for i := 0; i < len(s); i++ {
		switch s[i] {
		case '\\':
			i++
		case sep:
			out = append(out, s[start:i])
			start = i + 1
		}
	}
	return append(out, s[start:])
}

// unescapedParts cuts s at each unescaped separator and takes the escapes away.
func unescapedParts(s string, sep byte) ([]string, error) {
	parts := splitEscaped(s, sep)
	for i, p := range parts {
		var err error
		if parts[i], err = unescape(p); err != nil {
			return nil, err
		}
	}
	return parts, nil
}

// unescape takes the escapes \, \| \$ and \\ away; any other is an error.
func unescape(s string) (string, error) {
	if !strings.Contains(s, `\`) {
		return s, nil
	}
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' {
			i++
			if i == len(s) || !strings.ContainsRune(`,|$\`, rune(s[i])) {
				return "", errEscape
			}
		}
		b.WriteByte(s[i])
	}
	return b.String(), nil
}
