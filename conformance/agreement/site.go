package main

import (
	"cmp"
	"slices"

	"nailbridge/internal/spec"
)

// site is one member of one object of a resource, with what R4 says of it.
type site struct {
	root    map[string]any // the resource as a whole
	object  map[string]any
	key     string
	element *spec.Element
	typ     *spec.Type // of the value
	parent  *spec.Type // of the object
	depth   int
}

// value is what stands there.
func (s site) value() any { return s.object[s.key] }

// text is the value where it is text, alone and not empty.
func (s site) text() (string, bool) {
	t, ok := s.value().(string)
	return t, ok && t != ""
}

// in reports an object of a type at the site, alone or as the first of a list.
func (s site) in(typ string) (map[string]any, bool) {
	if s.typ.Name != typ {
		return nil, false
	}
	v := s.value()
	if list, ok := v.([]any); ok && len(list) > 0 {
		v = list[0]
	}
	m, ok := v.(map[string]any)
	return m, ok
}

// sites lists the members of a resource and all below, in an order that depends
// on the resource alone.
func sites(root map[string]any) []site {
	w := walker{root: root, table: spec.R4()}
	w.object(root, w.table.Named(name(root)), 0)
	return w.found
}

func name(m map[string]any) string {
	s, _ := m["resourceType"].(string)
	return s
}

type walker struct {
	root  map[string]any
	table *spec.Table
	found []site
}

func (w *walker) object(m map[string]any, id spec.TypeID, depth int) {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b string) int { return cmp.Compare(a, b) })
	for _, k := range keys {
		mem := w.table.Member(id, k)
		if mem.Element == nil {
			continue
		}
		w.found = append(w.found, site{w.root, m, k, mem.Element, w.table.Type(mem.Type), w.table.Type(id), depth})
		list, many := m[k].([]any)
		if !many {
			list = []any{m[k]}
		}
		for _, v := range list {
			if o, ok := v.(map[string]any); ok {
				t := mem.Type
				if r := w.table.Named(name(o)); w.table.Type(t).Kind == spec.Resource && r != spec.None {
					t = r
				}
				w.object(o, t, depth+1)
			}
		}
	}
}
