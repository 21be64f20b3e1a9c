package record

import (
	"reflect"
	"strings"
	"sync"
	"unicode"
)

// maxSafeInteger is the greatest whole number that I-JSON carries exactly (RFC
// 7493 section 2.2); two greater ones may share a canonical form.
const maxSafeInteger = "9007199254740991"

// shape is one place of the record format, with the Go type that holds its
// value and its entry in the table of fields. A list has one shape for all its
// items, whose path ends in "*".
type shape struct {
	path  string
	name  string // member name; "*" for the item of a list, "" for the record
	typ   reflect.Type
	index int // of the struct field
	field
	members []*shape // of an object
	item    *shape   // of a list
	// holdsCritical: it or something below it is critical or identity, so that
	// it refuses the record when it is unreadable as a whole.
	holdsCritical bool
}

var (
	whenType    = reflect.TypeFor[When]()
	decimalType = reflect.TypeFor[Decimal]()
	codeType    = reflect.TypeFor[Code]()
)

// root is the shape of a whole record.
var root = sync.OnceValue(func() *shape {
	return newShape(&shape{typ: reflect.TypeFor[Record]()})
})

// newShape completes a shape whose path, name, type and field are known.
func newShape(s *shape) *shape {
	if c, ok := places[s.path]; ok {
		s.class = c
	}
	s.holdsCritical = s.class >= critical
	if s.typ.Kind() == reflect.Pointer {
		s.typ = s.typ.Elem()
	}
	switch {
	case s.typ.Kind() == reflect.Slice:
		s.item = newShape(&shape{path: s.path + "/*", name: "*", typ: s.typ.Elem(), field: s.itemField()})
		s.holdsCritical = s.holdsCritical || s.item.holdsCritical
	case s.isObject():
		for i := range s.typ.NumField() {
			name, _, _ := strings.Cut(s.typ.Field(i).Tag.Get("json"), ",")
			m := newShape(&shape{
				path: s.path + "/" + name, name: name, typ: s.typ.Field(i).Type, index: i,
				field: fields[s.typ.Name()+"."+name],
			})
			s.members = append(s.members, m)
			s.holdsCritical = s.holdsCritical || m.holdsCritical
		}
	}
	return s
}

// itemField is the field of a list's items: they share its set and form.
func (s *shape) itemField() field {
	f := s.field
	f.class = ordinary
	return f
}

func (s *shape) isObject() bool {
	return s.typ.Kind() == reflect.Struct && s.typ != whenType && s.typ != decimalType
}

func (s *shape) member(name string) *shape {
	for _, m := range s.members {
		if m.name == name {
			return m
		}
	}
	return nil
}

// folded finds the member whose name differs from name only by case.
func (s *shape) folded(name string) *shape {
	for _, m := range s.members {
		if strings.EqualFold(m.name, name) {
			return m
		}
	}
	return nil
}

// validID reports whether text can be an id or key: not empty, at most 255
// characters, no white space around it, nothing invisible in it.
func validID(text string) bool {
	if text == "" || strings.TrimSpace(text) != text {
		return false
	}
	n := 0
	for _, r := range text {
		if n++; n > 255 || r == unicode.ReplacementChar || !unicode.IsPrint(r) && !unicode.Is(unicode.Zs, r) {
			return false
		}
	}
	return true
}

// validURI reports whether text is an absolute URI in form: a scheme, a colon,
// and more, without blanks (FHIR R4 Identifier.system).
func validURI(text string) bool {
	scheme, rest, ok := strings.Cut(text, ":")
	if !ok || rest == "" || scheme == "" || len(text) > 255 {
		return false
	}
	for i, r := range scheme {
		letter := r|0x20 >= 'a' && r|0x20 <= 'z'
		if !letter && (i == 0 || !strings.ContainsRune("+-.0123456789", r)) {
			return false
		}
	}
	return !strings.ContainsFunc(rest, func(r rune) bool { return r <= ' ' || r > '~' || strings.ContainsRune("<>\"{}|\\^`", r) })
}
