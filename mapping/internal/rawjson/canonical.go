package rawjson

import (
	"math"
	"slices"
	"strconv"
	"unicode/utf16"
	"unicode/utf8"
)

// Canonical is n in the canonical form of RFC 8785. It is not exact where the
// RFC has no form, for a number beyond an IEEE 754 double or a string with an
// unpaired surrogate: there the literal stands, which no canonical form equals.
func (n *Node) Canonical() (out []byte, exact bool) {
	w := writer{number: CanonicalNumber}
	w.value(n)
	return w.out, !w.noForm
}

// Sorted is n with members and strings as in Canonical, and numbers as sent.
func (n *Node) Sorted() []byte {
	w := writer{number: func(literal string) (string, bool) { return literal, true }}
	w.value(n)
	return w.out
}

// writer writes a tree in the form of RFC 8785.
type writer struct {
	out    []byte
	number func(literal string) (string, bool)
	noForm bool // something had no canonical form and its literal was written
}

func (w *writer) value(n *Node) {
	switch n.Kind {
	case String:
		w.str(n.Text)
	case Number:
		text, ok := w.number(n.Text)
		w.noForm = w.noForm || !ok
		w.out = append(w.out, text...)
	case Array:
		w.out = append(w.out, '[')
		for i, e := range n.Elems {
			w.comma(i)
			w.value(e)
		}
		w.out = append(w.out, ']')
	case Object:
		w.object(n)
	default:
		w.out = append(w.out, n.Text...)
	}
}

func (w *writer) comma(i int) {
	if i > 0 {
		w.out = append(w.out, ',')
	}
}

// object sorts members by the UTF-16 code units of their names (section 3.2.3).
func (w *writer) object(n *Node) {
	sorted := slices.Clone(n.Members)
	slices.SortFunc(sorted, func(a, b Member) int { return slices.Compare(codeUnits(a.Name), codeUnits(b.Name)) })
	w.out = append(w.out, '{')
	for i, m := range sorted {
		w.comma(i)
		w.str(m.Name)
		w.out = append(w.out, ':')
		w.value(m.Value)
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
func (w *writer) str(s string) {
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

func (w *writer) control(c byte) {
	for i := 0; i < len(escapes); i += 2 {
		if escapes[i+1] == c {
			w.out = append(w.out, '\\', escapes[i])
			return
		}
	}
	w.out = append(w.out, "\\u00"...)
	w.out = append(w.out, "0123456789abcdef"[c>>4], "0123456789abcdef"[c&0xF])
}

// CanonicalNumber writes a number as ECMAScript does (section 3.2.2.3): the
// shortest digits that give the same double, with an exponent below 1e-6 and
// from 1e21. A number beyond a double is given back as it is, with false.
func CanonicalNumber(literal string) (string, bool) {
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
