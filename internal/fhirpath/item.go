package fhirpath

import (
	"nailbridge/internal/fhirpath/value"
	"nailbridge/internal/spec"
)

// Item is one item of a collection. The zero Item is none.
type Item = value.Item

// Truth is a Boolean that may be empty.
type Truth = value.Truth

// The three values of FHIRPath's logic (N1 6.5).
const (
	Unknown = value.Unknown // the empty collection
	False   = value.False
	True    = value.True
)

// The kinds of items, by short names.
const (
	none       = value.None
	node       = value.Element
	boolean    = value.Booleans
	text       = value.Strings
	integer    = value.Integers
	decimal    = value.Decimals
	date       = value.Dates
	dateTime   = value.DateTimes
	timeOfDay  = value.Times
	quantities = value.Quantities
	typeInfo   = value.TypeInfos
)

// Node is an element of the data with its JSON value and type. With spec.None
// the type is that of resourceType, or unknown.
func Node(v any, typ spec.TypeID) Item { return Item{Kind: node, Type: typ, Val: v} }

// PrimitiveNode is a primitive element with its JSON value, which may be nil,
// and the object under its name with an underscore, which holds its id and
// extensions and may be nil (R4 json.html#primitive).
func PrimitiveNode(v any, extra map[string]any, typ spec.TypeID) Item {
	return Item{Kind: node, Type: typ, Val: v, Ext: extra}
}

// typeName is "FHIR", "Patient" or "System", "Boolean"; an element of unknown type
// is of type "FHIR", "Element".
func (p *Program) typeName(it Item) (space, name string) {
	if it.Kind != node {
		return "System", it.Kind.Name()
	}
	if t := p.tree.Model.Type(it.Type); t != nil {
		return "FHIR", t.Name
	}
	return "FHIR", "Element"
}

// Text is the value as toString() gives it (N1 5.5.7), of elements of primitive
// type too. It is false for what has no such form.
func (p *Program) Text(it Item) (string, bool) {
	v, ok := p.tree.Native(it)
	if !ok {
		return "", false
	}
	return v.Text(), true
}
