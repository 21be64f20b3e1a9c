package fhirpath

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"sync"

	"github.com/cockroachdb/apd/v3"

	"nailbridge/internal/fhirpath/temporal"
	"nailbridge/internal/spec"
)

type kind uint8

const (
	none       kind = iota
	node            // an element of the data
	boolean         // the rest are FHIRPath's own types (N1 4.1)
	text            //
	integer         //
	decimal         //
	date            //
	dateTime        //
	timeOfDay       //
	quantities      //
	typeInfo        // what type() gives (N1 10.2)
)

var kindNames = [...]string{
	boolean: "Boolean", text: "String", integer: "Integer", decimal: "Decimal", date: "Date", dateTime: "DateTime",
	timeOfDay: "Time", quantities: "Quantity", typeInfo: "TypeInfo",
}

// Item is one item of a collection: an element of the data, or a value of
// FHIRPath's own types. The zero Item is none.
type Item struct {
	kind kind
	typ  spec.TypeID    // of a node
	num  int64          // Boolean: 0 or 1; Integer
	val  any            // node: its JSON value; String: string; Decimal: *apd.Decimal; and so on
	ext  map[string]any // node of a primitive: the object that holds its id and extensions
}

// Node is an element of the data with its JSON value and type. With spec.None
// the type is that of resourceType, or unknown.
func Node(value any, typ spec.TypeID) Item { return Item{kind: node, typ: typ, val: value} }

// PrimitiveNode is a primitive element with its JSON value, which may be nil,
// and the object under its name with an underscore, which holds its id and
// extensions and may be nil (R4 json.html#primitive).
func PrimitiveNode(value any, extra map[string]any, typ spec.TypeID) Item {
	return Item{kind: node, typ: typ, val: value, ext: extra}
}

// Boolean, String and Integer make values of FHIRPath's own types.
func Boolean(b bool) Item {
	it := Item{kind: boolean}
	if b {
		it.num = 1
	}
	return it
}

// String makes a String.
func String(s string) Item { return Item{kind: text, val: s} }

// Integer makes an Integer; n is within 32 bits (N1 4.1.3).
func Integer(n int32) Item { return Item{kind: integer, num: int64(n)} }

func decimalItem(d *apd.Decimal) Item { return Item{kind: decimal, val: d} }

func temporalItem(v temporal.Value) Item {
	it := Item{kind: date, val: &v}
	switch v.Kind() {
	case temporal.DateTime:
		it.kind = dateTime
	case temporal.Time:
		it.kind = timeOfDay
	}
	return it
}

// IsNode reports whether it is an element of the data.
func (it Item) IsNode() bool { return it.kind == node }

// Value is the JSON value of an element, nil otherwise.
func (it Item) Value() any {
	if it.kind == node {
		return it.val
	}
	return nil
}

// Type is the type of an element, spec.None otherwise or if not known.
func (it Item) Type() spec.TypeID { return it.typ }

// TypeName is "FHIR.Patient" or "System.Boolean"; an element of unknown type
// is of type "FHIR.Element".
func (p *Program) TypeName(it Item) string {
	space, name := p.typeName(it)
	return space + "." + name
}

func (p *Program) typeName(it Item) (space, name string) {
	if it.kind != node {
		return "System", kindNames[it.kind]
	}
	if t := p.model.Type(it.typ); t != nil {
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
	return v.text(), true
}

// text writes a value of FHIRPath's own types.
func (it Item) text() string {
	switch it.kind {
	case boolean:
		return strconv.FormatBool(it.num != 0)
	case integer:
		return strconv.FormatInt(it.num, 10)
	case decimal:
		return it.val.(*apd.Decimal).Text('f')
	case date, dateTime, timeOfDay:
		return it.val.(*temporal.Value).String()
	case quantities:
		return it.val.(*quantity).String()
	case typeInfo:
		return strings.Join(it.val.([]string), ".")
	}
	s, _ := it.val.(string)
	return s
}

// native is the value of FHIRPath's own types that an item has or stands for:
// a primitive element stands for its value, a Quantity of FHIR for a Quantity
// (R4 fhirpath.html). It is false for other elements and those without value.
func (p *Program) native(it Item) (Item, bool) {
	if it.kind != node {
		return it, it.kind != none
	}
	switch v := it.val.(type) {
	case string:
		return p.nativeString(it, v), true
	case bool:
		return Boolean(v), true
	case json.Number:
		return p.nativeNumber(it, v)
	case map[string]any:
		if p.model.Is(it.typ, p.types.quantity) {
			return nativeQuantity(v)
		}
	}
	return Item{}, false
}

// nativeString reads a string by the type of its element. What is no date where
// one should be stays a string.
func (p *Program) nativeString(it Item, s string) Item {
	var v temporal.Value
	ok := false
	switch p.types.kind(it.typ) {
	case date:
		v, ok = temporal.ParseDate(s)
	case dateTime:
		v, ok = temporal.ParseDateTime(s)
	case timeOfDay:
		v, ok = temporal.ParseTime(s)
	}
	if ok {
		return temporalItem(v)
	}
	return Item{kind: text, val: it.val}
}

// nativeNumber reads a number: an Integer if its type says so, or if the type
// is not known and it has no fraction.
func (p *Program) nativeNumber(it Item, n json.Number) (Item, bool) {
	if p.types.kind(it.typ) != decimal {
		if i, err := strconv.ParseInt(string(n), 10, 32); err == nil {
			return Item{kind: integer, num: i}, true
		}
	}
	d, ok := parseDecimal(string(n))
	if !ok {
		return Item{}, false
	}
	return decimalItem(d), true
}

func inInteger(n int64) bool { return n >= math.MinInt32 && n <= math.MaxInt32 }

// types are the ids of the types that the engine treats specially.
type types struct {
	quantity, reference, coding, concept, extension, xhtml spec.TypeID

	resource spec.TypeID
	kinds    []kind // of the values of primitives, by TypeID
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
func primitiveKind(m Model, id spec.TypeID) kind {
	if m.Type(id).Kind != spec.Primitive {
		return none
	}
	for name, k := range map[string]kind{
		"boolean": boolean, "integer": integer, "decimal": decimal, "date": date,
		"dateTime": dateTime, "instant": dateTime, "time": timeOfDay,
	} {
		if m.Is(id, m.Named(name)) {
			return k
		}
	}
	return text
}

func (t *types) kind(id spec.TypeID) kind {
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
