package fhirpath

import (
	"encoding/json"
	"strconv"
	"sync"

	"nailbridge/internal/fhirpath/temporal"
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

// TypeName is "FHIR.Patient" or "System.Boolean"; an element of unknown type
// is of type "FHIR.Element".
func (p *Program) TypeName(it Item) string {
	space, name := p.typeName(it)
	return space + "." + name
}

func (p *Program) typeName(it Item) (space, name string) {
	if it.Kind != node {
		return "System", it.Kind.Name()
	}
	if t := p.model.Type(it.Type); t != nil {
		return "FHIR", t.Name
	}
	return "FHIR", "Element"
}

// Text is the value as toString() gives it (N1 5.5.7), of elements of primitive
// type too. It is false for what has no such form.
func (p *Program) Text(it Item) (string, bool) {
	v, ok := p.native(it)
	if !ok {
		return "", false
	}
	return v.Text(), true
}

// native is the value of FHIRPath's own types that an item has or stands for:
// a primitive element stands for its value, a Quantity of FHIR for a Quantity
// (R4 fhirpath.html). It is false for other elements and those without value.
func (p *Program) native(it Item) (Item, bool) {
	if it.Kind != node {
		return it, it.Kind != none
	}
	switch v := it.Val.(type) {
	case string:
		return p.nativeString(it, v), true
	case bool:
		return value.Boolean(v), true
	case json.Number:
		return p.nativeNumber(it, v)
	case map[string]any:
		if p.model.Is(it.Type, p.types.quantity) {
			return value.FromFHIR(v)
		}
	}
	return Item{}, false
}

// nativeString reads a string by the type of its element. What is no date where
// one should be stays a string.
func (p *Program) nativeString(it Item, s string) Item {
	var v temporal.Value
	ok := false
	switch p.types.kind(it.Type) {
	case date:
		v, ok = temporal.ParseDate(s)
	case dateTime:
		v, ok = temporal.ParseDateTime(s)
	case timeOfDay:
		v, ok = temporal.ParseTime(s)
	}
	if ok {
		return value.Temporal(v)
	}
	return Item{Kind: text, Val: it.Val}
}

// nativeNumber reads a number: an Integer if its type says so, or if the type
// is not known and it has no fraction.
func (p *Program) nativeNumber(it Item, n json.Number) (Item, bool) {
	if p.types.kind(it.Type) != decimal {
		if i, err := strconv.ParseInt(string(n), 10, 32); err == nil {
			return Item{Kind: integer, Int: i}, true
		}
	}
	d, ok := value.ParseDecimal(string(n))
	if !ok {
		return Item{}, false
	}
	return value.Decimal(d), true
}

// types are the ids of the types that the engine treats specially.
type types struct {
	quantity, reference, coding, concept, extension, xhtml spec.TypeID

	resource spec.TypeID
	kinds    []value.Kind // of the values of primitives, by TypeID
}

func newTypes(m Model) *types {
	t := &types{
		quantity: m.Named("Quantity"), reference: m.Named("Reference"), coding: m.Named("Coding"),
		concept: m.Named("CodeableConcept"), extension: m.Named("Extension"), xhtml: m.Named("xhtml"),
		resource: m.Named("Resource"),
	}
	for id := spec.TypeID(1); m.Type(id) != nil; id++ {
		t.kinds = append(t.kinds, primitiveKind(m, id))
	}
	return t
}

// primitiveKind follows the table of types in R4 fhirpath.html.
func primitiveKind(m Model, id spec.TypeID) value.Kind {
	if m.Type(id).Kind != spec.Primitive {
		return none
	}
	for name, k := range map[string]value.Kind{
		"boolean": boolean, "integer": integer, "decimal": decimal, "date": date,
		"dateTime": dateTime, "instant": dateTime, "time": timeOfDay,
	} {
		if m.Is(id, m.Named(name)) {
			return k
		}
	}
	return text
}

func (t *types) kind(id spec.TypeID) value.Kind {
	if id <= 0 || int(id) > len(t.kinds) {
		return none
	}
	return t.kinds[id-1]
}

// known holds the types of each Model in use; there are one or two.
var known sync.Map

func typesOf(m Model) *types {
	if t, ok := known.Load(m); ok {
		return t.(*types)
	}
	t, _ := known.LoadOrStore(m, newTypes(m))
	return t.(*types)
}
