package r4

import (
	"regexp"
	"strings"
	"unicode/utf8"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
)

// String is a FHIR string, nil when s is blank. Characters that neither FHIR
// nor XML allows are shown as U+FFFD, never dropped.
func String(s string) *dpb.String {
	if s = Clean(s); s == "" {
		return nil
	}
	return &dpb.String{Value: s}
}

// Strings is one FHIR string per entry that is not blank.
func Strings(ss ...string) []*dpb.String {
	var out []*dpb.String
	for _, s := range ss {
		if v := String(s); v != nil {
			out = append(out, v)
		}
	}
	return out
}

// Markdown is a FHIR markdown of plain words, nil when s is blank. What a renderer
// would take for HTML or for an entity is written as an entity, so that it shows
// as it was recorded (CommonMark 0.30, 6.2 and 6.6).
func Markdown(s string) *dpb.Markdown {
	if s = Clean(s); s == "" {
		return nil
	}
	s = entityStart.ReplaceAllString(s, "&amp;$1")
	return &dpb.Markdown{Value: tagStart.ReplaceAllString(s, "&lt;$1")}
}

var (
	entityStart = regexp.MustCompile(`&(#?[0-9A-Za-z]+;)`)
	tagStart    = regexp.MustCompile(`<([A-Za-z/!?])`)
)

// URI is a FHIR uri, nil when s is empty.
func URI(s string) *dpb.Uri {
	if s == "" {
		return nil
	}
	return &dpb.Uri{Value: s}
}

// Canonical is a FHIR canonical, nil when s is empty.
func Canonical(s string) *dpb.Canonical {
	if s == "" {
		return nil
	}
	return &dpb.Canonical{Value: s}
}

// Code is a FHIR code without an enumeration, nil when s is empty.
func Code(s string) *dpb.Code {
	if s == "" {
		return nil
	}
	return &dpb.Code{Value: s}
}

// ID is a FHIR id.
func ID(s string) *dpb.Id { return &dpb.Id{Value: s} }

// Boolean is a FHIR boolean.
func Boolean(b bool) *dpb.Boolean { return &dpb.Boolean{Value: b} }

// Integer is a FHIR integer, 32 bits signed.
func Integer(n int) *dpb.Integer { return &dpb.Integer{Value: int32(n)} }

// PositiveInt is a FHIR positiveInt; n is 1 or more.
func PositiveInt(n int) *dpb.PositiveInt { return &dpb.PositiveInt{Value: uint32(n)} }

// DecimalText is a FHIR decimal as it was written: "2.50" stays "2.50" (R4
// datatypes.html#decimal: precision is significant). Nil when there is none.
func DecimalText(s string) *dpb.Decimal {
	if s == "" {
		return nil
	}
	return &dpb.Decimal{Value: s}
}

// Clean trims white space at both ends (R4 datatypes.html#string advises
// against it) and shows each character that FHIR or XML does not allow as
// U+FFFD.
func Clean(s string) string {
	s = strings.TrimSpace(s)
	if utf8.ValidString(s) && strings.IndexFunc(s, notAllowed) < 0 {
		return s
	}
	return strings.Map(func(r rune) rune {
		if notAllowed(r) {
			return utf8.RuneError
		}
		return r
	}, s)
}

// notAllowed reports whether r is outside the Char production of XML 1.0,
// which also holds R4's ban on control characters other than tab, CR and LF.
func notAllowed(r rune) bool {
	switch {
	case r == '\t', r == '\n', r == '\r':
		return false
	case r < 0x20, r == 0x7f, r >= 0x80 && r < 0xa0:
		return true
	}
	return r == 0xfffe || r == 0xffff
}
