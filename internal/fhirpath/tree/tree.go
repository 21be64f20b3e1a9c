// Package tree walks resources held as JSON trees, as encoding/json makes them
// with UseNumber, by the names and types of FHIR: choices, primitives that are
// split between two members, resources in resources (R4 json.html).
package tree

import (
	"cmp"
	"encoding/json"
	"slices"
	"strconv"
	"sync"

	"nailbridge/internal/fhirpath/temporal"
	"nailbridge/internal/fhirpath/value"
	"nailbridge/internal/spec"
)

// Model tells the types of the data. *spec.Table is one.
type Model interface {
	// Named finds a type by name, or spec.None.
	Named(name string) spec.TypeID
	// Type describes a type, or is nil for spec.None.
	Type(id spec.TypeID) *spec.Type
	// Is reports whether id is want or derived from it.
	Is(id, want spec.TypeID) bool
	// Child finds an element of a type by its FHIRPath name, "value" for
	// value[x], or is nil.
	Child(id spec.TypeID, name string) *spec.Element
	// Member tells what a JSON name means in a type; its Element is nil if it
	// means nothing.
	Member(id spec.TypeID, key string) spec.Member
}

// Tree walks data by the types of a Model.
type Tree struct {
	Model Model
	// Some types by their ids.
	Quantity, Coding, Concept, Extension, Resource, text spec.TypeID

	kinds []value.Kind // of the values of primitives, by TypeID
}

func newTree(m Model) *Tree {
	t := &Tree{
		Model: m, Quantity: m.Named("Quantity"), Coding: m.Named("Coding"), Concept: m.Named("CodeableConcept"),
		Extension: m.Named("Extension"), Resource: m.Named("Resource"), text: m.Named("string"),
	}
	for id := spec.TypeID(1); m.Type(id) != nil; id++ {
		t.kinds = append(t.kinds, primitiveKind(m, id))
	}
	return t
}

// primitiveKind follows the table of types in R4 fhirpath.html.
func primitiveKind(m Model, id spec.TypeID) value.Kind {
	if m.Type(id).Kind != spec.Primitive {
		return value.None
	}
	for name, k := range map[string]value.Kind{
		"boolean": value.Booleans, "integer": value.Integers, "decimal": value.Decimals, "date": value.Dates,
		"dateTime": value.DateTimes, "instant": value.DateTimes, "time": value.Times,
	} {
		if m.Is(id, m.Named(name)) {
			return k
		}
	}
	return value.Strings
}

// KindOf is the kind of value that a primitive type has, None for other types.
func (t *Tree) KindOf(id spec.TypeID) value.Kind {
	if id <= 0 || int(id) > len(t.kinds) {
		return value.None
	}
	return t.kinds[id-1]
}

// known holds the Tree of each Model in use; there are one or two.
var known sync.Map

// For is the Tree of a Model, made once.
func For(m Model) *Tree {
	if t, ok := known.Load(m); ok {
		return t.(*Tree)
	}
	t, _ := known.LoadOrStore(m, newTree(m))
	return t.(*Tree)
}

// Typed gives a resource of unknown type the type of its resourceType.
func (t *Tree) Typed(it value.Item) value.Item {
	if it.Kind == value.Element && (it.Type == spec.None || it.Type == t.Resource) {
		it.Type = t.resourceType(it.Val, it.Type)
	}
	return it
}

// resourceType is the type that a JSON object names, or otherwise.
func (t *Tree) resourceType(v any, otherwise spec.TypeID) spec.TypeID {
	obj, _ := v.(map[string]any)
	name, ok := obj["resourceType"].(string)
	if !ok {
		return otherwise
	}
	if t := t.Model.Type(t.Model.Named(name)); t != nil && t.Kind == spec.Resource {
		return t.ID
	}
	return otherwise
}

// Child appends the children of it with a name (N1 3).
func (t *Tree) Child(it *value.Item, name string, out []value.Item) []value.Item {
	obj, ok := it.Val.(map[string]any)
	if it.Kind != value.Element || !ok {
		return t.valueChild(it, name, out)
	}
	e := t.Model.Child(it.Type, name)
	if e == nil {
		if t.Model.Type(it.Type) == nil {
			shadow, _ := obj["_"+name]
			return t.Spread(obj[name], shadow, spec.None, out)
		}
		return out
	}
	for i := range e.Types {
		r := &e.Types[i]
		v, has := obj[r.Key]
		var shadow any
		if t.KindOf(r.Type) != value.None {
			shadow = obj["_"+r.Key]
		}
		if has || shadow != nil {
			return placed(t.Spread(v, shadow, r.Type, out), len(out), it.Type, e.Index)
		}
	}
	return out
}

// placedIn is placed by the name of the element.
func (t *Tree) placedIn(of spec.TypeID, name string, out []value.Item, first int) []value.Item {
	if e := t.Model.Child(of, name); e != nil {
		return placed(out, first, of, e.Index)
	}
	return out
}

// placed notes as which element of a type the items behind the first were reached.
func placed(out []value.Item, first int, of spec.TypeID, index int) []value.Item {
	for i := first; i < len(out); i++ {
		out[i].Int = value.Place(of, index)
	}
	return out
}

// valueChild appends the children of a primitive element, and the parts of
// what type() gives and of Quantities.
func (t *Tree) valueChild(it *value.Item, name string, out []value.Item) []value.Item {
	switch {
	case it.Kind == value.TypeInfos:
		parts := it.Val.([]string)
		if name == "namespace" {
			return append(out, value.String(parts[0]))
		}
		if name == "name" {
			return append(out, value.String(parts[1]))
		}
	case it.Kind == value.Quantities:
		q := it.Val.(*value.Quantity)
		if name == "value" {
			return append(out, value.Decimal(q.Number))
		}
		if name == "unit" {
			return append(out, value.String(q.Unit))
		}
	case it.Kind == value.Element && name == "extension":
		return t.placedIn(it.Type, name, t.Spread(it.Ext["extension"], nil, t.Extension, out), len(out))
	case it.Kind == value.Element && name == "id":
		return t.placedIn(it.Type, name, t.Spread(it.Ext["id"], it.Ext["_id"], t.text, out), len(out))
	case it.Kind == value.Element && name == "value":
		if v, ok := t.Native(*it); ok {
			return append(out, v)
		}
	}
	return out
}

// Spread appends the values of one member: the items of an array, or the one
// value. A shadow is what stands under the name with an underscore
// (R4 json.html#primitive).
func (t *Tree) Spread(v, shadow any, typ spec.TypeID, out []value.Item) []value.Item {
	list, many := v.([]any)
	extras, manyExtras := shadow.([]any)
	if !many && !manyExtras {
		return t.put(v, shadow, typ, out)
	}
	if !many && v != nil {
		list = []any{v}
	}
	for i := range max(len(list), len(extras)) {
		var value, extra any
		if i < len(list) {
			value = list[i]
		}
		if i < len(extras) {
			extra = extras[i]
		}
		out = t.put(value, extra, typ, out)
	}
	return out
}

func (t *Tree) put(v, shadow any, typ spec.TypeID, out []value.Item) []value.Item {
	extra, _ := shadow.(map[string]any)
	if v == nil && extra == nil {
		return out
	}
	if typ == t.Resource || typ == spec.None {
		typ = t.resourceType(v, typ)
	}
	return append(out, value.Item{Kind: value.Element, Type: typ, Val: v, Ext: extra})
}

// Children appends all children of it, in the order of the standard
// (N1 5.8.1). Members that its type does not have are no elements.
func (t *Tree) Children(it *value.Item, out []value.Item) []value.Item {
	if it.Kind != value.Element {
		return out
	}
	obj, ok := it.Val.(map[string]any)
	if !ok {
		out = t.valueChild(it, "id", out)
		return t.valueChild(it, "extension", out)
	}
	var space [32]Member
	members := t.Members(obj, it.Type, space[:0])
	known := t.Model.Type(it.Type) != nil
	for _, c := range members {
		from := len(out)
		out = t.Spread(obj[c.Key], obj["_"+c.Key], c.Type, out)
		if known {
			placed(out, from, it.Type, c.order)
		}
	}
	return out
}

// Member is a JSON name of an object, without underscore.
type Member struct {
	Key   string
	Type  spec.TypeID
	order int
}

// Members lists the elements that an object holds, in the order of the
// standard; of an object of unknown type, all members by name.
func (t *Tree) Members(obj map[string]any, typ spec.TypeID, out []Member) []Member {
	for key := range obj {
		if key == "resourceType" {
			continue
		}
		if len(key) > 1 && key[0] == '_' {
			key = key[1:]
			if _, both := obj[key]; both {
				continue
			}
		}
		c := Member{Key: key}
		if known := t.Model.Member(typ, key); known.Element != nil {
			c.Type, c.order = known.Type, known.Element.Index
		} else if t.Model.Type(typ) != nil {
			continue
		}
		out = append(out, c)
	}
	slices.SortFunc(out, func(a, b Member) int {
		if o := cmp.Compare(a.order, b.order); o != 0 {
			return o
		}
		return cmp.Compare(a.Key, b.Key)
	})
	return out
}

// Native is the value of FHIRPath's own types that an item has or stands for:
// a primitive element stands for its value, a Quantity of FHIR for a Quantity
// (R4 fhirpath.html). It is false for other elements and those without value.
func (t *Tree) Native(it value.Item) (value.Item, bool) {
	if it.Kind != value.Element {
		return it, it.Kind != value.None
	}
	switch v := it.Val.(type) {
	case string:
		return t.nativeString(it, v), true
	case bool:
		return value.Boolean(v), true
	case json.Number:
		return t.nativeNumber(it, v)
	case map[string]any:
		if t.Model.Is(it.Type, t.Quantity) {
			return value.FromFHIR(v)
		}
	}
	return value.Item{}, false
}

// nativeString reads a string by the type of its element. What is no date where
// one should be stays a string.
func (t *Tree) nativeString(it value.Item, s string) value.Item {
	var v temporal.Value
	ok := false
	switch t.KindOf(it.Type) {
	case value.Dates:
		v, ok = temporal.ParseDate(s)
	case value.DateTimes:
		v, ok = temporal.ParseDateTime(s)
	case value.Times:
		v, ok = temporal.ParseTime(s)
	}
	if ok {
		return value.Temporal(v)
	}
	return value.Item{Kind: value.Strings, Val: it.Val}
}

// nativeNumber reads a number: an Integer if its type says so, or if the type
// is not known and it has no fraction.
func (t *Tree) nativeNumber(it value.Item, n json.Number) (value.Item, bool) {
	if t.KindOf(it.Type) != value.Decimals {
		if i, err := strconv.ParseInt(string(n), 10, 32); err == nil {
			return value.Item{Kind: value.Integers, Int: i}, true
		}
	}
	d, ok := value.ParseDecimal(string(n))
	if !ok {
		return value.Item{}, false
	}
	return value.Decimal(d), true
}
