package engine

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"

	"nailbridge/internal/fhirpath"
	"nailbridge/internal/spec"
	"nailbridge/internal/validate/defs"
)

// profile is a StructureDefinition that constrains a type, compiled: the rules
// of its bases with its own laid over them, which is what a snapshot says.
type profile struct {
	url  string
	typ  *shape
	root *node
}

// node is what a profile asks of one element or slice.
type node struct {
	name      string // of the element in FHIRPath: "value"
	slice     string // name of the slice, or empty
	element   *spec.Element
	typ       *shape // of its children, nil where it may have several types
	min       int
	max       int // -1: as in the type
	types     []defs.ElementType
	fixed     any
	pattern   any
	low, high any
	maxLength int
	binding   *spec.Binding

	invariants []*invariant
	slicing    *defs.Slicing
	children   []*node
	slices     []*node
}

func (n *node) child(name string) *node {
	for _, c := range n.children {
		if c.name == name {
			return c
		}
	}
	return nil
}

// clone copies a node with all below it.
func (n *node) clone() *node {
	c := *n
	c.children, c.slices = nil, nil
	c.invariants = slices.Clone(n.invariants)
	for _, x := range n.children {
		c.children = append(c.children, x.clone())
	}
	for _, x := range n.slices {
		c.slices = append(c.slices, x.clone())
	}
	return &c
}

// profiles holds compiled profiles and expressions of a Validator.
type profiles struct {
	compiled sync.Map // by canonical: *profile or error
	programs sync.Map // by expression: *fhirpath.Program or error
}

// profile finds and compiles a profile; it is nil if there is none.
func (v *Validator) profile(canonical string) (*profile, error) {
	if p, ok := v.profiles.compiled.Load(canonical); ok {
		if err, bad := p.(error); bad {
			return nil, err
		}
		return p.(*profile), nil
	}
	s := v.defs.Structure(canonical)
	if s == nil {
		return nil, nil
	}
	p, err := v.compileProfile(s, nil)
	if err != nil {
		v.profiles.compiled.Store(canonical, err)
		return nil, err
	}
	v.profiles.compiled.Store(canonical, p)
	return p, nil
}

// Compile compiles a profile, to learn early whether it can be used: its
// elements must stand in the order of the base, and exist there. R4's own types
// are known without a profile.
func (v *Validator) Compile(canonical string) error {
	p, err := v.profile(canonical)
	if err == nil && p == nil && v.core.canonical(canonical) == nil {
		err = fmt.Errorf("no definition of %s", canonical)
	}
	return err
}

func (v *Validator) program(expression string) (*fhirpath.Program, error) {
	if p, ok := v.profiles.programs.Load(expression); ok {
		if err, bad := p.(error); bad {
			return nil, err
		}
		return p.(*fhirpath.Program), nil
	}
	p, err := fhirpath.Compile(expression, fhirpath.Options{AsFilters: true})
	if err != nil {
		v.profiles.programs.Store(expression, err)
		return nil, err
	}
	v.profiles.programs.Store(expression, p)
	return p, nil
}

// compileProfile lays what s says over its base.
func (v *Validator) compileProfile(s *defs.Structure, below []string) (*profile, error) {
	if slices.Contains(below, s.URL) {
		return nil, fmt.Errorf("%s: its base is itself", s.URL)
	}
	typ := v.core.named(absoluteType(s.Type))
	if typ == nil {
		return nil, fmt.Errorf("%s: R4 has no type %s", s.URL, s.Type)
	}
	p := &profile{url: s.URL, typ: typ, root: &node{name: typ.Name, typ: typ, max: -1}}
	if name := absoluteType(s.BaseDefinition); s.Derivation == "constraint" && v.core.named(name) == nil {
		base := v.defs.Structure(s.BaseDefinition)
		if base == nil {
			return nil, fmt.Errorf("%s: no definition of its base %s", s.URL, s.BaseDefinition)
		}
		b, err := v.compileProfile(base, append(below, s.URL))
		if err != nil {
			return nil, err
		}
		p.root = b.root.clone()
	}
	c := profileCompiler{v: v, p: p, at: map[string]*node{}, order: map[*node]int{}}
	for _, e := range s.Elements() {
		if err := c.element(&e); err != nil {
			return nil, fmt.Errorf("%s: %s: %w", s.URL, e.Path, err)
		}
	}
	return p, nil
}

// profileCompiler reads the elements of a differential in their order.
type profileCompiler struct {
	v     *Validator
	p     *profile
	at    map[string]*node // the node last read at each path
	order map[*node]int    // index of the child last read
}

func (c *profileCompiler) element(e *defs.Element) error {
	n, err := c.locate(e.Path, e.SliceName)
	if err != nil {
		return err
	}
	for path := range c.at {
		if strings.HasPrefix(path, e.Path+".") {
			delete(c.at, path)
		}
	}
	c.at[e.Path] = n
	return c.fill(n, e)
}

// locate finds the node of a path, made where it is not there yet.
func (c *profileCompiler) locate(path, slice string) (*node, error) {
	i := strings.LastIndexByte(path, '.')
	if i < 0 {
		if path != c.p.typ.Name {
			return nil, fmt.Errorf("a path begins with the type %s", c.p.typ.Name)
		}
		return c.p.root, nil
	}
	above := c.at[path[:i]]
	if above == nil {
		var err error
		if above, err = c.locate(path[:i], ""); err != nil {
			return nil, err
		}
		c.at[path[:i]] = above
	}
	return c.below(above, path[i+1:], slice)
}

// below finds or makes the child of a node. A choice may be named with its type,
// "valueQuantity", which means its slice of that type.
func (c *profileCompiler) below(above *node, name, slice string) (*node, error) {
	if above.typ == nil {
		return nil, fmt.Errorf("%s has several types, so its elements are not known", above.name)
	}
	plain := strings.TrimSuffix(name, "[x]")
	e := c.v.core.table.Child(above.typ.ID, plain)
	var only string
	if e == nil {
		m := c.v.core.table.Member(above.typ.ID, name)
		if m.Element == nil {
			return nil, fmt.Errorf("%s has no element %s", above.typ.Name, name)
		}
		e, only = m.Element, c.v.core.table.Type(m.Type).Name
		plain = e.Name
	}
	if e.Index < c.order[above] {
		return nil, fmt.Errorf("%s stands behind elements that follow it in the base; the order of the base is to be kept", name)
	}
	c.order[above] = e.Index
	n := above.child(plain)
	if n == nil {
		n = c.make(e, plain)
		above.children = append(above.children, n)
	}
	if slice == "" && only != "" {
		slice = name
	}
	if slice == "" {
		return n, nil
	}
	return c.slice(n, slice, only), nil
}

func (c *profileCompiler) make(e *spec.Element, name string) *node {
	n := &node{name: name, element: e, max: -1}
	if len(e.Types) == 1 {
		n.typ = c.v.core.shapes[e.Types[0].Type]
	}
	return n
}

// slice finds or makes a slice, or a slice of a slice, which is named "outer/inner"
// (R4 profiling.html#reslicing). One of a choice by type restricts it to the type.
func (c *profileCompiler) slice(n *node, name, only string) *node {
	if outer, _, within := cutLast(name, "/"); within && slices.ContainsFunc(n.slices, func(s *node) bool { return s.slice == outer }) {
		n = c.slice(n, outer, only)
	}
	for _, s := range n.slices {
		if s.slice == name {
			return s
		}
	}
	s := c.make(n.element, n.name)
	s.slice = name
	if only != "" {
		s.types = []defs.ElementType{{Code: only}}
		s.typ = c.v.core.named(only)
		if n.slicing == nil {
			n.slicing = byType()
		}
	}
	n.slices = append(n.slices, s)
	return s
}

func cutLast(s, sep string) (before, after string, found bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return s, "", false
}

func byType() *defs.Slicing {
	return &defs.Slicing{Rules: "open", Discriminator: []struct{ Type, Path string }{{"type", "$this"}}}
}

// fill lays the rules of an element over what the base has.
func (c *profileCompiler) fill(n *node, e *defs.Element) error {
	if e.Min != nil {
		n.min = *e.Min
	}
	if e.Max != "" && e.Max != "*" {
		max, err := strconv.Atoi(e.Max)
		if err != nil {
			return err
		}
		n.max = max
	}
	if len(e.Type) > 0 && n.element != nil {
		n.types = e.Type
		if len(e.Type) == 1 {
			c.narrow(n, c.v.core.named(typeCode(e.Type[0].Code)))
		}
	}
	for _, x := range []struct {
		into *any
		v    any
	}{{&n.fixed, e.Fixed}, {&n.pattern, e.Pattern}, {&n.low, e.MinValue}, {&n.high, e.MaxValue}} {
		if x.v != nil {
			*x.into = x.v
		}
	}
	if e.MaxLength != nil {
		n.maxLength = *e.MaxLength
	}
	if e.Binding != nil {
		n.binding = &spec.Binding{Strength: e.Binding.Strength, ValueSet: e.Binding.ValueSet}
	}
	if e.Slicing != nil {
		n.slicing = e.Slicing
	}
	return c.constraints(n, e)
}

// narrow gives a node the type that a definition names, unless what it has is
// one of that: the elements of Patient.contact are not those of BackboneElement.
func (c *profileCompiler) narrow(n *node, typ *shape) {
	if n.typ == nil || typ == nil || !c.v.core.table.Is(n.typ.ID, typ.ID) {
		n.typ = typ
	}
}

func typeCode(code string) string {
	if strings.HasPrefix(code, "http://hl7.org/fhirpath/System.") {
		return "string"
	}
	return absoluteType(code)
}

// constraints adds invariants that the type does not have itself.
func (c *profileCompiler) constraints(n *node, e *defs.Element) error {
	for _, x := range e.Constraint {
		if x.Expression == "" || c.inherited(n, x) {
			continue
		}
		p, err := c.v.program(x.Expression)
		if err == nil && n.typ != nil {
			_, err = fhirpath.Compile(x.Expression, fhirpath.Options{AsFilters: true, Strict: true, On: n.typ.ID})
		}
		if err != nil {
			return fmt.Errorf("constraint %s: %w", x.Key, err)
		}
		i := spec.Invariant{Key: x.Key, Severity: x.Severity, Expression: x.Expression, Human: x.Human}
		n.invariants = append(n.invariants, &invariant{Invariant: i, section: c.p.url, program: p, ofText: ofText.MatchString(x.Expression)})
	}
	return nil
}

// inherited reports an invariant that the type or the element has, or the
// profile's base: snapshots list those again, some in words of their own, with
// the type that they come from. What has the key of another and says something
// else is an invariant of its own.
func (c *profileCompiler) inherited(n *node, x defs.Constraint) bool {
	if source := c.v.core.canonical(x.Source); source != nil {
		return true
	}
	same := func(i *spec.Invariant) bool { return i.Key == x.Key && i.Expression == x.Expression }
	has := func(list []*invariant) bool {
		return slices.ContainsFunc(list, func(i *invariant) bool { return same(&i.Invariant) })
	}
	if has(n.invariants) || n.typ != nil && has(n.typ.invariants) {
		return true
	}
	return n.element != nil && slices.ContainsFunc(n.element.Invariants, func(i spec.Invariant) bool { return same(&i) })
}
