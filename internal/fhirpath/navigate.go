package fhirpath

import (
	"cmp"
	"slices"

	"nailbridge/internal/fhirpath/value"
	"nailbridge/internal/spec"
)

// typed gives a resource of unknown type the type of its resourceType.
func (p *Program) typed(it Item) Item {
	if it.Kind == node && (it.Type == spec.None || it.Type == p.types.resource) {
		it.Type = p.resourceType(it.Val, it.Type)
	}
	return it
}

// resourceType is the type that a JSON object names, or otherwise.
func (p *Program) resourceType(v any, otherwise spec.TypeID) spec.TypeID {
	obj, _ := v.(map[string]any)
	name, ok := obj["resourceType"].(string)
	if !ok {
		return otherwise
	}
	if t := p.model.Type(p.model.Named(name)); t != nil && t.Kind == spec.Resource {
		return t.ID
	}
	return otherwise
}

// child appends the children of it with a name (N1 3).
func (m *machine) child(it *Item, name string, out []Item) []Item {
	obj, ok := it.Val.(map[string]any)
	if it.Kind != node || !ok {
		return m.valueChild(it, name, out)
	}
	e := m.model.Child(it.Type, name)
	if e == nil {
		if m.model.Type(it.Type) == nil {
			shadow, _ := obj["_"+name]
			return m.spread(obj[name], shadow, spec.None, out)
		}
		return out
	}
	for i := range e.Types {
		r := &e.Types[i]
		v, has := obj[r.Key]
		var shadow any
		if m.types.kind(r.Type) != none {
			shadow = obj["_"+r.Key]
		}
		if has || shadow != nil {
			return m.spread(v, shadow, r.Type, out)
		}
	}
	return out
}

// valueChild appends the children of a primitive element, and the parts of
// what type() gives and of Quantities.
func (m *machine) valueChild(it *Item, name string, out []Item) []Item {
	switch {
	case it.Kind == typeInfo:
		parts := it.Val.([]string)
		if name == "namespace" {
			return m.emit(out, value.String(parts[0]))
		}
		if name == "name" {
			return m.emit(out, value.String(parts[1]))
		}
	case it.Kind == quantities:
		q := it.Val.(*value.Quantity)
		if name == "value" {
			return m.emit(out, value.Decimal(q.Number))
		}
		if name == "unit" {
			return m.emit(out, value.String(q.Unit))
		}
	case it.Kind == node && name == "extension":
		return m.spread(it.Ext["extension"], nil, m.types.extension, out)
	case it.Kind == node && name == "id":
		return m.spread(it.Ext["id"], it.Ext["_id"], m.model.Named("string"), out)
	case it.Kind == node && name == "value":
		if v, ok := m.native(*it); ok {
			return m.emit(out, v)
		}
	}
	return out
}

// spread appends the values of one member: the items of an array, or the one
// value. A shadow is what stands under the name with an underscore
// (R4 json.html#primitive).
func (m *machine) spread(v, shadow any, typ spec.TypeID, out []Item) []Item {
	list, many := v.([]any)
	extras, manyExtras := shadow.([]any)
	if !many && !manyExtras {
		return m.put(v, shadow, typ, out)
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
		out = m.put(value, extra, typ, out)
	}
	return out
}

func (m *machine) put(v, shadow any, typ spec.TypeID, out []Item) []Item {
	extra, _ := shadow.(map[string]any)
	if v == nil && extra == nil {
		return out
	}
	if typ == m.types.resource || typ == spec.None {
		typ = m.resourceType(v, typ)
	}
	return m.emit(out, Item{Kind: node, Type: typ, Val: v, Ext: extra})
}

// children appends all children of it, in the order of the standard
// (N1 5.8.1). Members that its type does not have are no elements.
func (m *machine) children(it *Item, out []Item) []Item {
	if it.Kind != node {
		return out
	}
	obj, ok := it.Val.(map[string]any)
	if !ok {
		out = m.valueChild(it, "id", out)
		return m.valueChild(it, "extension", out)
	}
	var space [32]member
	members := m.members(obj, it.Type, space[:0])
	for _, c := range members {
		out = m.spread(obj[c.key], obj["_"+c.key], c.typ, out)
	}
	return out
}

// member is a JSON name of an object, without underscore.
type member struct {
	key   string
	typ   spec.TypeID
	order int
}

// members lists the elements that an object holds, in the order of the
// standard; of an object of unknown type, all members by name.
func (m *machine) members(obj map[string]any, typ spec.TypeID, out []member) []member {
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
		c := member{key: key}
		if known := m.model.Member(typ, key); known.Element != nil {
			c.typ, c.order = known.Type, known.Element.Index
		} else if m.model.Type(typ) != nil {
			continue
		}
		out = append(out, c)
	}
	slices.SortFunc(out, func(a, b member) int {
		if o := cmp.Compare(a.order, b.order); o != 0 {
			return o
		}
		return cmp.Compare(a.key, b.key)
	})
	return out
}

// descendants appends all children, their children, and so on, each before
// its own (N1 5.8.2).
func (m *machine) descendants(it *Item, out []Item) ([]Item, error) {
	from := len(out)
	out = m.children(it, out)
	if err := m.step(1); err != nil {
		return out, err
	}
	// The children are moved to a buffer, since each is followed by its own.
	kids := append(m.buffer(), out[from:]...)
	out = out[:from]
	for i := range kids {
		out = append(out, kids[i])
		var err error
		if out, err = m.descendants(&kids[i], out); err != nil {
			return out, err
		}
	}
	m.memory -= len(kids) * itemSize // release counts them once more
	m.release(kids)
	return out, nil
}
