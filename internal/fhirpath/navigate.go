package fhirpath

import (
	"nailbridge/internal/fhirpath/tree"
)

// Model tells the engine the types of the data. *spec.Table is one.
type Model = tree.Model

// child appends the children of it with a name (N1 3).
func (m *machine) child(it *Item, name string, out []Item) []Item {
	from := len(out)
	out = m.tree.Child(it, name, out)
	m.charge(len(out) - from)
	return out
}

// children appends all children of it (N1 5.8.1).
func (m *machine) children(it *Item, out []Item) []Item {
	from := len(out)
	out = m.tree.Children(it, out)
	m.charge(len(out) - from)
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
