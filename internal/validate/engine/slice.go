package engine

import (
	"slices"
	"strings"

	"nailbridge/internal/fhirpath"
	"nailbridge/internal/validate/defs"
)

// sliced sorts the instances of an element into the slices of a profile and
// holds each to its own (R4 profiling.html#slicing).
func (r *run) sliced(c *node, list []instance) {
	by := slicingOf(c)
	if by == nil {
		return // it cannot be told which slice an instance is of
	}
	of := make([][]instance, len(c.slices))
	last, loose := -1, false
	for _, x := range list {
		r.push(x.name, x.index)
		at := r.sliceOf(c, by, x)
		switch {
		case at < 0:
			loose = true
			if by.Rules == "closed" {
				r.breaks("slice-closed", "structure", "the element is of none of the slices, and no others are allowed", "")
			}
		case at < last && by.Ordered:
			r.breaks("slice-order", "structure", "the slices do not stand in their order", "")
		case loose && by.Rules == "openAtEnd":
			r.breaks("slice-end", "structure", "elements of no slice stand before one of a slice", "")
		}
		if at >= 0 {
			last = max(last, at)
			of[at] = append(of[at], x)
			r.node(c.slices[at], x)
		}
		r.pop()
	}
	for i, s := range c.slices {
		r.count(s, len(of[i]))
		if len(s.slices) > 0 { // those of a slice that is sliced again
			r.sliced(s, of[i])
		}
	}
}

// slicingOf is the slicing of an element: its own, that which R4 itself puts on
// extensions, by url, and what a choice without one has, by type; or nil.
func slicingOf(c *node) *defs.Slicing {
	if c.slicing != nil {
		return c.slicing
	}
	if c.name == "extension" || c.name == "modifierExtension" {
		return &defs.Slicing{Rules: "open", Discriminator: []struct{ Type, Path string }{{"value", "url"}}}
	}
	if c.element != nil && c.element.Choice {
		return byType()
	}
	return nil
}

// sliceOf is the index of the first slice that an instance belongs to, or -1.
func (r *run) sliceOf(c *node, by *defs.Slicing, x instance) int {
	for i, s := range c.slices {
		if r.belongs(s, by, x) {
			return i
		}
	}
	return -1
}

func (r *run) belongs(s *node, by *defs.Slicing, x instance) bool {
	if len(by.Discriminator) == 0 {
		clean, _ := r.try(func() bool { r.node(s, x); return true })
		return clean
	}
	for _, d := range by.Discriminator {
		if !r.discriminates(s, d.Type, d.Path, x) {
			return false
		}
	}
	return true
}

// discriminates asks one discriminator (R4 profiling.html#discriminator).
func (r *run) discriminates(s *node, typ, path string, x instance) bool {
	found, ok := r.at4(path, x)
	if !ok {
		return false
	}
	n, rest := s.walk(path)
	switch typ {
	case "exists":
		return n == nil || (len(found) > 0) == (n.max != 0)
	case "type":
		return n != nil && r.anyOf(found, func(it fhirpath.Item) bool { return r.ofTypes(n, path, it) })
	case "profile":
		return n != nil && r.anyOf(found, func(it fhirpath.Item) bool { return r.ofProfile(n, it) })
	}
	return n != nil && r.anyOf(found, func(it fhirpath.Item) bool { return r.ofValue(n, rest, path, it) })
}

// at4 gives what a discriminator's path leads to in an instance.
func (r *run) at4(path string, x instance) ([]fhirpath.Item, bool) {
	p, err := r.v.program(path)
	if err != nil {
		return nil, false
	}
	out, err := p.Eval(&r.env, x.item())
	return out, err == nil
}

func (r *run) anyOf(items []fhirpath.Item, is func(fhirpath.Item) bool) bool {
	for _, it := range items {
		if is(it) {
			return true
		}
	}
	return false
}

// walk goes down a path in a slice: to the node that it ends at, or to the last
// one on the way that has a fixed or pattern value, and what of the path is left
// there. resolve() stays where it is.
func (n *node) walk(path string) (*node, []string) {
	steps := steps(path)
	for i, s := range steps {
		if n.fixed != nil || n.pattern != nil {
			return n, steps[i:]
		}
		if s == "$this" || strings.HasSuffix(s, ")") && !strings.HasPrefix(s, "extension(") {
			continue
		}
		next := n.child(s)
		if url, ok := strings.CutPrefix(s, "extension('"); ok {
			next = n.extensionSlice(strings.TrimSuffix(url, "')"))
		}
		if next == nil {
			if s == "url" && len(n.types) > 0 {
				return n, steps[i:]
			}
			return nil, nil
		}
		n = next
	}
	return n, nil
}

// extensionSlice is the slice of extensions with a url.
func (n *node) extensionSlice(url string) *node {
	e := n.child("extension")
	if e == nil {
		return nil
	}
	for _, s := range e.slices {
		for _, t := range s.types {
			for _, p := range t.Profile {
				if p == url {
					return s
				}
			}
		}
		if u := s.child("url"); u != nil && u.fixed == url {
			return s
		}
	}
	return nil
}

// steps splits a path at the dots outside brackets.
func steps(path string) []string {
	var out []string
	depth, from := 0, 0
	for i := range len(path) {
		switch path[i] {
		case '(':
			depth++
		case ')':
			depth--
		case '.':
			if depth == 0 {
				out, from = append(out, path[from:i]), i+1
			}
		}
	}
	return append(out, path[from:])
}

// ofValue compares with the fixed or pattern value of a node, with a part of it
// where the path goes on, with the url of an extension's profile, or with a
// required value set.
func (r *run) ofValue(n *node, rest []string, _ string, it fhirpath.Item) bool {
	want, part := n.fixed, n.fixed == nil
	if part {
		want = n.pattern
	}
	if want != nil {
		for _, w := range parts(want, rest) {
			if part && matches(w, it.Val) || equal(w, it.Val) {
				return true
			}
		}
		return false
	}
	if len(rest) > 0 {
		return r.ofURL(n, it)
	}
	if n.binding != nil && n.binding.Strength == "required" {
		clean, _ := r.try(func() bool { r.inSet(ruleBinding, n.binding.ValueSet, it.Val); return true })
		return clean
	}
	if m, ok := it.Val.(map[string]any); ok && len(n.children) > 0 {
		clean, _ := r.try(func() bool { r.node(n, instance{v: m, shape: r.core.shapes[it.Type]}); return true })
		return clean
	}
	return false
}

func (r *run) ofURL(n *node, it fhirpath.Item) bool {
	for _, t := range n.types {
		for _, p := range t.Profile {
			if url, _, _ := strings.Cut(p, "|"); it.Val == url {
				return true
			}
		}
	}
	return false
}

// parts takes a JSON tree down a path.
func parts(v any, path []string) []any {
	if list, ok := v.([]any); ok {
		var out []any
		for _, x := range list {
			out = append(out, parts(x, path)...)
		}
		return out
	}
	if len(path) == 0 {
		return []any{v}
	}
	m, _ := v.(map[string]any)
	if path[0] == "$this" {
		return parts(v, path[1:])
	}
	if next, ok := m[path[0]]; ok {
		return parts(next, path[1:])
	}
	return nil
}

// ofTypes reports whether an item is of one of a node's types; behind resolve()
// the types are those of the targets.
func (r *run) ofTypes(n *node, path string, it fhirpath.Item) bool {
	s := r.core.shapes[it.Type]
	if s == nil {
		return false
	}
	for _, t := range n.types {
		if strings.HasSuffix(path, "resolve()") {
			if r.allowed(t.TargetProfile, s.Name) {
				return true
			}
		} else if r.isOf(s, t) {
			return true
		}
	}
	return false
}

func (r *run) ofProfile(n *node, it fhirpath.Item) bool {
	m, ok := it.Val.(map[string]any)
	if !ok || it.Type == 0 {
		return false
	}
	for _, t := range n.types {
		for _, p := range append(t.Profile, t.TargetProfile...) {
			if clean, known := r.conformsThere(p, r.core.shapes[it.Type], m); clean && known {
				return true
			}
		}
	}
	return false
}

// InSlice answers slice(): whether an element is of the slice of a profile with a
// name. Slices of one name on other elements are not meant.
func (r *run) InSlice(it fhirpath.Item, url, name string) (in, known bool) {
	p, err := r.v.profile(url)
	if err != nil || p == nil {
		return false, false
	}
	ways := p.root.ways(name)
	of, index, placed := it.Place()
	shape := r.core.shapes[it.Type]
	if len(ways) == 0 || !placed || shape == nil {
		return false, len(ways) > 0
	}
	was := r.profile
	r.profile = p
	defer func() { r.profile = was }()
	e := r.core.shapes[of].Elements[index]
	return slices.ContainsFunc(ways, func(way []*node) bool {
		return way[0].element == e && r.reaches(way, instance{it.Val, it.Ext, shape, e.Name, -1})
	}), true
}

// ways lists how the slices with a name are reached from the element that is
// sliced: over it, and the slices that are sliced again, to the slice.
func (n *node) ways(name string) (out [][]*node) {
	for _, c := range n.children {
		out = append(out, c.ways(name)...)
	}
	for _, s := range n.slices {
		if s.slice == name {
			out = append(out, []*node{n, s})
		}
		for _, way := range s.ways(name) {
			if way[0] == s {
				way = append([]*node{n}, way...)
			}
			out = append(out, way)
		}
	}
	return out
}

// reaches reports whether an instance is of each slice on a way.
func (r *run) reaches(way []*node, x instance) bool {
	for i, s := range way[1:] {
		c := way[i]
		by := slicingOf(c)
		if by == nil {
			return false
		}
		if at := r.sliceOf(c, by, x); at < 0 || c.slices[at] != s {
			return false
		}
	}
	return true
}
