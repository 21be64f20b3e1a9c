package record

import (
	"bytes"
	_ "embed"
	"reflect"
)

// SchemaID is the $id of the JSON Schema of the record format.
const SchemaID = "https://nailbridge.example/schema/record-" + SchemaVersion + ".json"

//go:embed record.schema.json
var schemaJSON []byte

// Schema is the JSON Schema (2020-12) of the record format, with a description
// of each field and its unit. It is written from the types and the table of
// fields by the tests of this package, which hold it equal to them. It is
// stricter than the bridge, which keeps and flags much that the schema does not
// allow; what refuses a record is marked x-unreadable.
func Schema() []byte { return bytes.Clone(schemaJSON) }

// PathInfo describes one place of the record format.
type PathInfo struct {
	// Path is a pattern of RFC 6901 pointers in which "*" stands for any index,
	// such as "/surgery/toes/*/block/agents/*/mL".
	Path        string
	Type        PathType
	Set         *Set   // of a code, else nil
	Unit        string // UCUM, "" where there is none
	Description string
	// Identifies: missing or unreadable refuses the record (D2.1).
	Identifies bool
	// Refuses: unreadable refuses the record (D2.1); so does an object or list
	// with such a place in it.
	Refuses bool
	// Partial: may be less than a full date in a live record too.
	Partial bool
}

// PathType is the type of the value at a place.
type PathType string

// The types of value.
const (
	ObjectPath  PathType = "object"
	ListPath    PathType = "list"
	TextPath    PathType = "text"
	IDPath      PathType = "id"
	URIPath     PathType = "uri"
	CodePath    PathType = "code"
	WhenPath    PathType = "when"
	DecimalPath PathType = "decimal"
	IntegerPath PathType = "integer"
	BooleanPath PathType = "boolean"
)

// Leaf reports whether the place holds a value and no further places.
func (p PathInfo) Leaf() bool { return p.Type != ObjectPath && p.Type != ListPath }

// Paths lists every place of the record format, in the order of the types, a
// list before its items and an object before its members.
func Paths() []PathInfo {
	var all []PathInfo
	root().visit(func(s *shape) {
		if s.path == "" {
			return
		}
		all = append(all, PathInfo{
			Path: s.path, Type: s.pathType(), Set: s.set, Unit: s.unit, Description: s.desc,
			Identifies: s.class == identity, Refuses: s.holdsCritical, Partial: s.partial,
		})
	})
	return all
}

func (s *shape) visit(f func(*shape)) {
	f(s)
	for _, m := range s.members {
		m.visit(f)
	}
	if s.item != nil {
		s.item.visit(f)
	}
}

func (s *shape) pathType() PathType {
	switch {
	case s.typ == whenType:
		return WhenPath
	case s.typ == decimalType:
		return DecimalPath
	case s.typ == codeType:
		return CodePath
	case s.item != nil:
		return ListPath
	case s.isObject():
		return ObjectPath
	case s.typ.Kind() == reflect.Bool:
		return BooleanPath
	case s.typ.Kind() == reflect.Int64:
		return IntegerPath
	case s.form == itemID:
		return IDPath
	case s.form == systemURI:
		return URIPath
	default:
		return TextPath
	}
}
