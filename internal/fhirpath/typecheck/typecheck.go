// Package typecheck finds faults of a FHIRPath expression before there is any
// data: members that no type on the path has, a wrong type at the start, and
// criteria that can be no Boolean (N1 9, type safety and strict evaluation).
// Where the type of a part is not known, nothing is said about it.
package typecheck

import (
	"fmt"
	"slices"
	"strings"

	"nailbridge/internal/fhirpath/syntax"
	"nailbridge/internal/spec"
)

// Options are the strictness of Check.
type Options struct {
	// Ordered refuses first, last, tail, skip, take and an index on children()
	// and descendants(), which have no order (N1 3.1).
	Ordered bool
}

// Check reads an expression that will be evaluated on a context of a type. Its
// error is a *syntax.Error with the place of the first fault.
func Check(source string, table *spec.Table, context spec.TypeID, o Options) error {
	tree, err := syntax.Parse(source)
	if err != nil {
		return err
	}
	c := checker{table: table, o: o}
	root := shape{any: context == spec.None}
	if context != spec.None {
		root = c.of(context)
	}
	_, err = c.check(tree, scope{this: root})
	return err
}

type checker struct {
	table *spec.Table
	o     Options
}

// shape is what is known of the types of a collection's items. Nothing known
// is any; no types and not any is the empty collection.
type shape struct {
	any       bool
	fhir      []spec.TypeID
	system    []string // FHIRPath's own types
	unordered bool
}

var unknown = shape{any: true}

func system(name string) shape { return shape{system: []string{name}} }

// scope holds what the special variables stand for.
type scope struct {
	this  shape
	total shape
}

// of is the shape of an element of a type. Of an abstract resource, such as a
// contained one, nothing is known.
func (c *checker) of(id spec.TypeID) shape {
	if t := c.table.Type(id); t == nil || t.Abstract {
		return unknown
	}
	return shape{fhir: []spec.TypeID{id}}
}

func (s shape) join(o shape) shape {
	out := shape{any: s.any || o.any, unordered: s.unordered || o.unordered}
	if out.any {
		return out
	}
	out.fhir, out.system = slices.Clone(s.fhir), slices.Clone(s.system)
	for _, id := range o.fhir {
		if !slices.Contains(out.fhir, id) {
			out.fhir = append(out.fhir, id)
		}
	}
	for _, name := range o.system {
		if !slices.Contains(out.system, name) {
			out.system = append(out.system, name)
		}
	}
	return out
}

func (c *checker) describe(s shape) string {
	var names []string
	for _, id := range s.fhir {
		names = append(names, c.table.Type(id).Name)
	}
	return strings.Join(append(names, s.system...), ", ")
}

func fault(n syntax.Node, format string, args ...any) error {
	return &syntax.Error{Offset: n.Offset(), Reason: fmt.Sprintf(format, args...)}
}

func (c *checker) check(n syntax.Node, in scope) (shape, error) {
	switch n := n.(type) {
	case nil:
		return in.this, nil
	case *syntax.Literal:
		return literal(n), nil
	case *syntax.Special:
		return map[string]shape{"this": in.this, "index": system("Integer"), "total": in.total}[n.Name], nil
	case *syntax.Variable:
		return variable(n.Name), nil
	case *syntax.Member:
		return c.member(n, in)
	case *syntax.Call:
		return c.call(n, in)
	case *syntax.Indexer:
		if _, err := c.check(n.Index, in); err != nil {
			return unknown, err
		}
		s, err := c.check(n.On, in)
		return s, c.needsOrder(n, "an index", s, err)
	case *syntax.Unary:
		return c.check(n.X, in)
	case *syntax.Binary:
		return c.binary(n, in)
	case *syntax.TypeOp:
		s, err := c.check(n.X, in)
		if err != nil {
			return unknown, err
		}
		return c.cast(n.Op, s, n.Type), nil
	}
	return unknown, nil
}

func literal(n *syntax.Literal) shape {
	names := map[syntax.LiteralKind]string{
		syntax.Boolean: "Boolean", syntax.String: "String", syntax.Integer: "Integer", syntax.Decimal: "Decimal",
		syntax.Date: "Date", syntax.DateTime: "DateTime", syntax.Time: "Time", syntax.Quantity: "Quantity",
	}
	if n.Kind == syntax.Empty {
		return shape{}
	}
	return system(names[n.Kind])
}

func variable(name string) shape {
	switch {
	case name == "sct", name == "loinc", name == "ucum", strings.HasPrefix(name, "vs-"), strings.HasPrefix(name, "ext-"):
		return system("String")
	}
	return unknown
}

// member checks one step of a path. A type at the start must be that of the
// context, or one it derives from or that derives from it.
func (c *checker) member(n *syntax.Member, in scope) (shape, error) {
	on := in.this
	if n.On != nil {
		var err error
		if on, err = c.check(n.On, in); err != nil {
			return unknown, err
		}
	} else if t := c.table.Type(c.table.Named(n.Name)); t != nil && t.Kind != spec.Primitive {
		return c.start(n, t, on)
	}
	if on.any {
		return unknown, nil
	}
	out := shape{unordered: on.unordered}
	found := len(on.fhir)+len(on.system) == 0
	for _, id := range on.fhir {
		s, ok := c.child(id, n.Name)
		if ok {
			out, found = out.join(s), true
		}
	}
	for _, name := range on.system {
		if name == "TypeInfo" || name == "Quantity" {
			out, found = out.join(unknown), true
		}
	}
	if !found {
		return unknown, fault(n, "no element %s in %s", n.Name, c.describe(on))
	}
	return out, nil
}

func (c *checker) start(n *syntax.Member, t *spec.Type, on shape) (shape, error) {
	if on.any {
		return c.of(t.ID), nil
	}
	for _, id := range on.fhir {
		if c.table.Is(id, t.ID) {
			return on, nil
		}
		if c.table.Is(t.ID, id) {
			return c.of(t.ID), nil
		}
	}
	return unknown, fault(n, "the context is %s, not %s", c.describe(on), t.Name)
}

// child is the shape of an element of a type. Primitives have a value too.
func (c *checker) child(id spec.TypeID, name string) (shape, bool) {
	if t := c.table.Type(id); t.Kind == spec.Primitive && name == "value" {
		return unknown, true
	}
	e := c.table.Child(id, name)
	if e == nil {
		return shape{}, false
	}
	out := shape{}
	for _, r := range e.Types {
		out = out.join(c.of(r.Type))
	}
	return out, true
}

// cast narrows to a type for as and ofType, to nothing if no item can be of
// it; is gives a Boolean.
func (c *checker) cast(op string, s shape, names []string) shape {
	if op == "is" {
		return system("Boolean")
	}
	name := strings.Join(names, ".")
	space := ""
	if len(names) > 1 && (names[0] == "FHIR" || names[0] == "System") {
		space, name = names[0], strings.Join(names[1:], ".")
	}
	id := c.table.Named(name)
	if id == spec.None || space == "System" {
		return unknown
	}
	possible := s.any || len(s.system) > 0
	for _, have := range s.fhir {
		possible = possible || c.table.Is(have, id) || c.table.Is(id, have)
	}
	if !possible {
		return shape{}
	}
	out := c.of(id)
	out.unordered = s.unordered
	return out
}

func (c *checker) binary(n *syntax.Binary, in scope) (shape, error) {
	l, err := c.check(n.L, in)
	if err != nil {
		return unknown, err
	}
	r, err := c.check(n.R, in)
	if err != nil {
		return unknown, err
	}
	switch n.Op {
	case "|":
		return l.join(r), nil
	case "+", "-", "*", "/", "div", "mod":
		return unknown, nil
	case "&":
		return system("String"), nil
	}
	return system("Boolean"), nil
}

// needsOrder refuses what picks by place from a collection without order.
func (c *checker) needsOrder(n syntax.Node, what string, s shape, err error) error {
	if err == nil && c.o.Ordered && s.unordered {
		err = fault(n, "%s of a collection without order", what)
	}
	return err
}
