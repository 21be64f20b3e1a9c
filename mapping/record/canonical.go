package record

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strconv"
	"unicode/utf16"
	"unicode/utf8"
)

// The ways in which bytes have no canonical form.
var (
	// ErrNotJSON says that the bytes are not one JSON value in UTF-8 within
	// MaxBytes and MaxDepth.
	ErrNotJSON = errors.New("not one JSON value")
	// ErrDuplicateMember says that an object has a member twice.
	ErrDuplicateMember = errors.New("a member occurs more than once in one object")
	// ErrNoCanonicalForm says that a number is beyond an IEEE 754 double, or
	// that a string has an unpaired surrogate (RFC 8785 sections 3.2.2.2 and
	// 3.2.2.3).
	ErrNoCanonicalForm = errors.New("a number or string that RFC 8785 cannot carry")
)

// Canonical is the canonical JSON of RFC 8785 of the value in b. The error is
// ErrNotJSON, ErrDuplicateMember or ErrNoCanonicalForm.
func Canonical(b []byte) ([]byte, error) {
	tree, err := parseUnique(b)
	if err != nil {
		return nil, err
	}
	w := canonicalWriter{number: canonicalNumber}
	w.value(tree)
	if w.noForm {
		return nil, ErrNoCanonicalForm
	}
	return w.out, nil
}

// ContentHash is the content hash of D1.1: SHA-256, in lower-case hex, of the
// canonical JSON of the record without its savedAt. It has an answer for all
// JSON that Decode does not refuse: where RFC 8785 has no form for a number or
// a string, its literal stands, which no canonical form can equal. The error is
// ErrNotJSON or ErrDuplicateMember; Decoded.Hash has an answer then too.
func ContentHash(b []byte) (string, error) {
	tree, err := parseUnique(b)
	if err != nil {
		return "", err
	}
	return hashOf(tree), nil
}

// hashOf is the content hash of a tree without duplicate members.
func hashOf(tree *node) string {
	content := *tree
	content.members = slices.DeleteFunc(slices.Clone(tree.members), func(m member) bool { return m.name == "savedAt" })
	w := canonicalWriter{number: canonicalNumber}
	w.value(&content)
	return hexSum(w.out)
}

func hexSum(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// Encode writes r as JSON that Decode reads back to an equal record: members in
// the order and strings in the form of RFC 8785, while each number keeps its
// text, since 2.50 mL recorded is not 2.5. Canonical of it is RFC 8785 in full.
func Encode(r *Record) ([]byte, error) {
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(r); err != nil {
		return nil, err
	}
	tree, err := parseUnique(buf.Bytes())
	if err != nil {
		return nil, err
	}
	w := canonicalWriter{number: func(literal string) (string, bool) { return literal, true }}
	w.value(tree)
	return w.out, nil
}

func parseUnique(b []byte) (*node, error) {
	tree, f := parse(b)
	if f != nil {
		return nil, ErrNotJSON
	}
	d := decoder{}
	d.duplicates(tree, "")
	if d.duplicated {
		return nil, ErrDuplicateMember
	}
	return tree, nil
}

// canonicalWriter writes a tree in the form of RFC 8785.
type canonicalWriter struct {
	out    []byte
	number func(literal string) (string, bool)
	noForm bool // something had no canonical form and its literal was written
}

func (w *canonicalWriter) value(n *node) {
	switch n.kind {
	case stringNode:
		w.str(n.text)
	case numberNode:
		text, ok := w.number(n.text)
		w.noForm = w.noForm || !ok
		w.out = append(w.out, text...)
	case arrayNode:
		w.out = append(w.out, '[')
		for i, e := range n.elems {
			w.comma(i)
			w.value(e)
		}
		w.out = append(w.out, ']')
	case objectNode:
		w.object(n)
	default:
		w.out = append(w.out, n.text...)
	}
}

func (w *canonicalWriter) comma(i int) {
	if i > 0 {
		w.out = append(w.out, ',')
	}
}

// object sorts members by the UTF-16 code units of their names (section 3.2.3).
func (w *canonicalWriter) object(n *node) {
	sorted := slices.Clone(n.members)
	slices.SortFunc(sorted, func(a, b member) int { return slices.Compare(codeUnits(a.name), codeUnits(b.name)) })
	w.out = append(w.out, '{')
	for i, m := range sorted {
		w.comma(i)
		w.str(m.name)
		w.out = append(w.out, ':')
		w.value(m.value)
	}
	w.out = append(w.out, '}')
}

// codeUnits is s in UTF-16, an unpaired surrogate as itself.
func codeUnits(s string) []uint16 {
	var units []uint16
	for len(s) > 0 {
		r, size := decodeRune(s)
		if utf16.IsSurrogate(r) {
			units = append(units, uint16(r))
		} else {
			units = utf16.AppendRune(units, r)
		}
		s = s[size:]
	}
	return units
}

// decodeRune is utf8.DecodeRuneInString that reads the three-byte form of an
// unpaired surrogate too.
func decodeRune(s string) (rune, int) {
	r, size := utf8.DecodeRuneInString(s)
	if r == utf8.RuneError && size == 1 && len(s) >= 3 && s[0] == 0xED {
		return 0xD000 | rune(s[1]&0x3F)<<6 | rune(s[2]&0x3F), 3
	}
	return r, size
}

// str writes a string with the escapes of section 3.2.2.2.
func (w *canonicalWriter) str(s string) {
	const hexDigits = "0123456789abcdef"
	w.out = append(w.out, '"')
	for len(s) > 0 {
		r, size := decodeRune(s)
		switch {
		case r == '"' || r == '\\':
			w.out = append(w.out, '\\', byte(r))
		case r < ' ':
			w.control(byte(r))
		case utf16.IsSurrogate(r):
			w.noForm = true
			w.out = append(w.out, '\\', 'u', 'd', hexDigits[r>>8&0xF], hexDigits[r>>4&0xF], hexDigits[r&0xF])
		default:
			w.out = append(w.out, s[:size]...)
		}
		s = s[size:]
	}
	w.out = append(w.out, '"')
}

func (w *canonicalWriter) control(c byte) {
	for i := 0; i < len(escapes); i += 2 {
		if escapes[i+1] == c {
			w.out = append(w.out, '\\', escapes[i])
			return
		}
	}
	w.out = append(w.out, "\\u00"...)
	w.out = append(w.out, "0123456789abcdef"[c>>4], "0123456789abcdef"[c&0xF])
}

// canonicalNumber writes a number as ECMAScript does (section 3.2.2.3): the
// shortest digits that give the same double, with an exponent below 1e-6 and
// from 1e21. A number beyond a double is given back as it is, with false.
func canonicalNumber(literal string) (string, bool) {
	f, err := strconv.ParseFloat(literal, 64)
	if err != nil {
		return literal, false
	}
	if f == 0 {
		return "0", true
	}
	if a := math.Abs(f); a >= 1e-6 && a < 1e21 {
		return strconv.FormatFloat(f, 'f', -1, 64), true
	}
	text := strconv.FormatFloat(f, 'e', -1, 64)
	// Go pads the exponent to two digits; ECMAScript does not.
	if n := len(text); n > 4 && text[n-2] == '0' && (text[n-3] == '-' || text[n-3] == '+') {
		text = text[:n-2] + text[n-1:]
	}
	return text, true
}
