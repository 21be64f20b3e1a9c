package back

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"nailbridge/mapping/internal/rawjson"
)

// node is a JSON value that knows whether it was read. All methods take nil,
// which is a value that is not there.
type node struct {
	kind    rawjson.Kind
	text    string
	names   []string
	members map[string]*node
	elems   []*node
	read    bool // of a leaf
}

func newNode(n *rawjson.Node) *node {
	out := &node{kind: n.Kind, text: n.Text}
	for _, m := range n.Members {
		if out.members == nil {
			out.members = map[string]*node{}
		}
		out.names = append(out.names, m.Name)
		out.members[m.Name] = newNode(m.Value)
	}
	for _, e := range n.Elems {
		out.elems = append(out.elems, newNode(e))
	}
	return out
}

// get is a member, by its path of names.
func (n *node) get(path ...string) *node {
	for _, p := range path {
		if n == nil {
			return nil
		}
		n = n.members[p]
	}
	return n
}

// list are the elements of a member that repeats; a single value counts as one.
func (n *node) list(path ...string) []*node {
	m := n.get(path...)
	switch {
	case m == nil:
		return nil
	case m.kind == rawjson.Array:
		return m.elems
	}
	return []*node{m}
}

// first is the first element of a member that repeats.
func (n *node) first(path ...string) *node {
	if l := n.list(path...); len(l) > 0 {
		return l[0]
	}
	return nil
}

// str reads a primitive as text; "" where it is not there or no primitive.
func (n *node) str(path ...string) string {
	m := n.get(path...)
	if m == nil || m.kind == rawjson.Array || m.kind == rawjson.Object || m.kind == rawjson.Null {
		return ""
	}
	m.read = true
	return m.text
}

// peek is str without reading.
func (n *node) peek(path ...string) string {
	m := n.get(path...)
	if m == nil || m.kind == rawjson.Array || m.kind == rawjson.Object {
		return ""
	}
	return m.text
}

// take marks every leaf of the value as read: what says the same again.
func (n *node) take(path ...string) {
	m := n.get(path...)
	if m == nil {
		return
	}
	m.read = true
	for _, c := range m.members {
		c.take()
	}
	for _, e := range m.elems {
		e.take()
	}
}

// leave undoes take: what was looked at says something that no record holds.
func (n *node) leave(path ...string) {
	m := n.get(path...)
	if m == nil {
		return
	}
	m.read = false
	for _, c := range m.members {
		c.leave()
	}
	for _, e := range m.elems {
		e.leave()
	}
}

// leaveTime leaves a date or time, and what its extensions say of it.
func (n *node) leaveTime(name string) {
	n.leave(name)
	n.leave("_" + name)
}

// ext is the first extension of an element by its URL.
func (n *node) ext(url string) *node {
	if l := n.exts(url); len(l) > 0 {
		return l[0]
	}
	return nil
}

func (n *node) exts(url string) []*node {
	return slices.DeleteFunc(slices.Clone(n.list("extension")), func(x *node) bool { return x.peek("url") != url })
}

// leaves counts the leaves of the value, and how many of them were read. A leaf
// is a string, number or boolean.
func (n *node) leaves() (all, read int) {
	if n == nil {
		return 0, 0
	}
	switch n.kind {
	case rawjson.Object:
		for _, m := range n.members {
			a, r := m.leaves()
			all, read = all+a, read+r
		}
	case rawjson.Array:
		for _, e := range n.elems {
			a, r := e.leaves()
			all, read = all+a, read+r
		}
	default:
		all = 1
		if n.read {
			read = 1
		}
	}
	return all, read
}

// unread calls f with the pointer and the number of unread leaves of each
// element, in the order of their names.
func (n *node) unread(ptr string, f func(ptr string, leaves int)) {
	for _, name := range slices.Sorted(slices.Values(n.names)) {
		if all, read := n.members[name].leaves(); all > read {
			f(ptr+"/"+name, all-read)
		}
	}
}

func number(n int) string { return strconv.Itoa(n) }

// compare orders values by what they say, members in the order of their names.
func (n *node) compare(m *node) int {
	if c := cmp.Or(cmp.Compare(n.kind, m.kind), strings.Compare(n.text, m.text)); c != 0 {
		return c
	}
	a, b := slices.Sorted(slices.Values(n.names)), slices.Sorted(slices.Values(m.names))
	if c := slices.Compare(a, b); c != 0 {
		return c
	}
	for _, name := range a {
		if c := n.members[name].compare(m.members[name]); c != 0 {
			return c
		}
	}
	return slices.CompareFunc(n.elems, m.elems, (*node).compare)
}

// marks says of each leaf, in their order, whether it was read.
func (n *node) marks(to []bool) []bool {
	for _, name := range n.names {
		to = n.members[name].marks(to)
	}
	for _, e := range n.elems {
		to = e.marks(to)
	}
	if n.kind != rawjson.Object && n.kind != rawjson.Array {
		to = append(to, n.read)
	}
	return to
}

// mark has leaves read that were read, as marks gave them; it gives the rest.
func (n *node) mark(read []bool) []bool {
	for _, name := range n.names {
		read = n.members[name].mark(read)
	}
	for _, e := range n.elems {
		read = e.mark(read)
	}
	if n.kind != rawjson.Object && n.kind != rawjson.Array && len(read) > 0 {
		n.read, read = n.read || read[0], read[1:]
	}
	return read
}
