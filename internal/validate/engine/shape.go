package engine

import (
	"fmt"
	"strings"
	"sync"

	"nailbridge/internal/fhirpath"
	"nailbridge/internal/spec"
	"nailbridge/internal/validate/defs"
)

// shape is a type of the table, ready to be held against objects.
type shape struct {
	*spec.Type
	members    map[string]*member // by JSON name, with and without underscore
	required   []*element
	choices    []*element
	invariants []*invariant    // of the type and its bases
	check      func(*run, any) // of a primitive's value

	coding, concept, quantity, reference, extension, narrative, identifier, resource, domain bool
}

// element is an element of a type.
type element struct {
	*spec.Element
	invariants []*invariant
	keys       []string // the JSON names it may have
	repeats    bool
}

// member is what a JSON name means in a type.
type member struct {
	*element
	key     string // without underscore
	under   string // with one
	shadow  bool   // the name has an underscore
	shape   *shape
	targets []string
}

// invariant is a rule in FHIRPath, compiled.
type invariant struct {
	spec.Invariant
	section string
	program *fhirpath.Program
	ofText  bool // an empty result means that there is nothing to ask about
	// quick decides without FHIRPath; its second result is false where it does
	// not know. Tests hold it against the expression.
	quick func(*run, fhirpath.Item) (holds, known bool)
}

// core is R4's table of types, compiled.
type core struct {
	table  *spec.Table
	shapes []*shape // by spec.TypeID
	elem   *shape   // Element: ids and extensions of primitives
}

var r4 = sync.OnceValue(newCore)

func newCore() *core {
	c := &core{table: spec.R4()}
	c.shapes = make([]*shape, len(c.table.Types())+1)
	programs := map[string]*fhirpath.Program{}
	for _, t := range c.table.Types() {
		c.shapes[t.ID] = c.shape(t, programs)
	}
	for _, s := range c.shapes[1:] {
		c.link(s, programs)
	}
	c.elem = c.named("Element")
	return c
}

func (c *core) named(name string) *shape { return c.shapes[c.table.Named(name)] }

// canonical finds a type by R4's canonical of it, without a version or with R4's.
func (c *core) canonical(url string) *shape {
	name, ok := strings.CutPrefix(strings.TrimSuffix(url, "|4.0.1"), defs.Base)
	if !ok {
		return nil
	}
	return c.named(name)
}

func (c *core) shape(t *spec.Type, programs map[string]*fhirpath.Program) *shape {
	s := &shape{Type: t, members: make(map[string]*member, 2*len(t.Elements))}
	is := func(name string) bool { return c.table.Is(t.ID, c.table.Named(name)) }
	s.coding, s.concept, s.quantity = is("Coding"), is("CodeableConcept"), is("Quantity")
	s.reference, s.extension, s.narrative, s.identifier = is("Reference"), is("Extension"), is("Narrative"), is("Identifier")
	s.resource, s.domain = is("Resource"), is("DomainResource")
	for at := t; at != nil; at = c.table.Type(at.Base) {
		for _, i := range at.Invariants {
			s.invariants = append(s.invariants, compile(i, at.Name, programs))
		}
	}
	if t.Kind == spec.Primitive {
		s.check = primitiveCheck(t.Name)
	}
	return s
}

// link gives a shape its members, whose shapes are all there by now.
func (c *core) link(s *shape, programs map[string]*fhirpath.Program) {
	for _, e := range s.Elements {
		el := &element{Element: e, repeats: e.Max != 1}
		for _, i := range e.Invariants {
			el.invariants = append(el.invariants, compile(i, s.Name, programs))
		}
		for i := range e.Types {
			t := &e.Types[i]
			el.keys = append(el.keys, t.Key)
			m := &member{element: el, key: t.Key, under: "_" + t.Key, shape: c.shapes[t.Type], targets: t.Targets}
			s.members[t.Key] = m
			if m.shape.Kind == spec.Primitive {
				under := *m
				under.shadow = true
				s.members["_"+t.Key] = &under
			}
		}
		if e.Min > 0 {
			s.required = append(s.required, el)
		}
		if e.Choice {
			s.choices = append(s.choices, el)
		}
	}
}

// compile makes an invariant ready. Those of the embedded table all compile,
// which a test shows.
func compile(i spec.Invariant, of string, programs map[string]*fhirpath.Program) *invariant {
	p := programs[i.Expression]
	if p == nil {
		var err error
		if p, err = fhirpath.Compile(i.Expression, fhirpath.Options{AsFilters: true}); err != nil {
			panic(fmt.Sprintf("engine: invariant %s of %s: %v", i.Key, of, err))
		}
		programs[i.Expression] = p
	}
	return &invariant{Invariant: i, section: section(of), program: p, ofText: ofText.MatchString(i.Expression), quick: quick[i.Key+" "+i.Expression]}
}
