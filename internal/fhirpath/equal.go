package fhirpath

import (
	"reflect"

	"nailbridge/internal/fhirpath/value"
)

// equal compares two items. Unknown is the answer of = to dates and
// quantities that cannot be compared (N1 6.1.1).
func (m *machine) equal(a, b *Item, how value.Equality) Truth {
	m.steps--
	x, okX := m.tree.Native(*a)
	y, okY := m.tree.Native(*b)
	if okX && okY {
		m.steps -= x.Cost() + y.Cost()
		return value.Equal(x, y, how)
	}
	if okX != okY || a.Kind != node || b.Kind != node {
		return False
	}
	return m.equalNodes(a, b, how)
}

// equalNodes compares elements that have no value of their own: all children
// must be equal, in order; for equivalence, in any order.
func (m *machine) equalNodes(a, b *Item, how value.Equality) Truth {
	if a.Type != b.Type {
		return False
	}
	if sameMap(a.Val, b.Val) && sameMap(a.Ext, b.Ext) {
		return True
	}
	x, y := m.children(a, m.buffer()), m.children(b, m.buffer())
	defer m.release(x)
	defer m.release(y)
	if a.Val != nil && b.Val != nil && !m.sameNames(a, b) {
		return False
	}
	if m.step(0) != nil {
		return Unknown // the caller's next step refuses
	}
	return m.equalLists(x, y, how)
}

// sameMap reports whether two objects are one and the same.
func sameMap(a, b any) bool {
	x, okX := a.(map[string]any)
	y, okY := b.(map[string]any)
	return okX && okY && reflect.ValueOf(x).Pointer() == reflect.ValueOf(y).Pointer()
}

// sameNames reports whether two objects have members of the same names.
func (m *machine) sameNames(a, b *Item) bool {
	x, okX := a.Val.(map[string]any)
	y, okY := b.Val.(map[string]any)
	if !okX || !okY || len(x) != len(y) {
		return false
	}
	for key := range x {
		if _, ok := y[key]; !ok {
			return false
		}
	}
	return true
}

// equalLists compares collections of any size, the empty ones too.
func (m *machine) equalLists(x, y []Item, how value.Equality) Truth {
	if len(x) != len(y) {
		return False
	}
	if how == value.Equivalent && len(x) > 1 {
		return m.equivalentLists(x, y)
	}
	result := True
	for i := range x {
		switch m.equal(&x[i], &y[i], how) {
		case False:
			return False
		case Unknown:
			result = Unknown
		}
		if m.step(0) != nil {
			return Unknown
		}
	}
	return result
}

// equivalentLists finds a partner in y for each of x, in any order (N1 6.1.2).
func (m *machine) equivalentLists(x, y []Item) Truth {
	taken := make([]bool, len(y))
next:
	for i := range x {
		for j := range y {
			if m.step(0) != nil {
				return Unknown
			}
			if !taken[j] && m.equal(&x[i], &y[j], value.Equivalent) == True {
				taken[j] = true
				continue next
			}
		}
		return False
	}
	return True
}

// contains reports whether an item equal to it is in a list.
func (m *machine) contains(list []Item, it *Item) bool {
	for i := range list {
		if m.equal(&list[i], it, value.Equals) == True {
			return true
		}
		if m.step(0) != nil {
			return false
		}
	}
	return false
}
