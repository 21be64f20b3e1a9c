// Package spec is a compact table of what FHIR R4 (4.0.1) says about its
// types: elements with cardinality, types, choices, reference targets and
// bindings, invariants, the form of primitive values, and search parameters.
// It covers every data type and resource of the core package, profiles not.
//
// The table is generated (internal/gen) and embedded; Load reads it once.
// Everything it hands out is shared and must not be modified.
package spec

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"sync"
)

//go:generate go run ./internal/gen ../../../shared/r4/core-4.0.1-subset.tgz .

//go:embed r4.tsv
var tsv string

// TypeID numbers a type of the table, from 1; None is no type.
type TypeID int32

// None stands for a type that is not known.
const None TypeID = 0

// Kind says what a type is.
type Kind uint8

// The kinds of types (R4 structuredefinition-kind); a Backbone is an element
// that holds elements, such as Observation.component.
const (
	Primitive Kind = iota + 1
	Complex
	Resource
	Backbone
)

// Unbounded is the Max of an element that may repeat without limit ("*").
const Unbounded = int(^uint(0) >> 1)

// Type is a data type, resource type or backbone element.
type Type struct {
	ID   TypeID
	Name string // "Patient", "HumanName", "code", "Patient.contact"
	Base TypeID // None for Resource and Element
	Kind Kind
	// Abstract types (Resource, Element and their like) have no instances.
	Abstract bool
	// Pattern is the regular expression of a primitive's value, to match in
	// full (R4 datatypes.html); empty where R4 gives none.
	Pattern string
	// Invariants are the type's own; those of its bases apply too.
	Invariants []Invariant
	// Binding is that of every element of the type, such as Age, or nil.
	Binding *Binding
	// Elements holds the inherited elements first, then the type's own, in the
	// order of the standard.
	Elements []*Element

	own     []*Element
	members map[string]Member
	names   map[string]*Element
}

// Element is one element of a type.
type Element struct {
	Name       string // "value" for value[x]
	Path       string // "Observation.value[x]", of the type that brings it
	Min, Max   int    // Max is Unbounded for "*"
	Choice     bool   // value[x]: the JSON name carries the type
	Modifier   bool
	Summary    bool
	Content    bool // its type is that of another element, by content reference
	Types      []TypeRef
	Binding    *Binding
	Invariants []Invariant
	Index      int // its place in the standard's order, among all elements of a type
}

// TypeRef is one type that an element may hold.
type TypeRef struct {
	Type    TypeID
	Name    string   // of the type
	Key     string   // the JSON name of the element when it holds this type
	Targets []string // of Reference and canonical: types or profiles, empty for any
}

// Binding ties coded elements to a value set (R4 terminologies.html).
type Binding struct {
	Strength string // required, extensible, preferred, example
	ValueSet string // canonical without version
	Max      string // canonical of the maximum value set, or empty
}

// Invariant is a constraint in FHIRPath (R4 conformance-rules.html).
type Invariant struct {
	Key        string // "obs-7"
	Severity   string // error or warning
	Expression string
	Human      string
}

// Member is what a JSON name means in a type: the element, and its type.
type Member struct {
	Element *Element
	Type    TypeID
}

// SearchParameter is one of R4's search parameters.
type SearchParameter struct {
	Code       string
	Bases      []string
	Type       string
	Expression string // empty for composites of R4 that give none
	Targets    []string
	URL        string
}

// Table is the whole.
type Table struct {
	types    []*Type // by TypeID; the first is nil
	names    map[string]TypeID
	searches []SearchParameter
}

// R4 is the embedded table. It is read on first use, in well under 50 ms.
var R4 = sync.OnceValue(func() *Table {
	t, err := read(tsv)
	if err != nil {
		panic("spec: the embedded table: " + err.Error())
	}
	return t
})

// Types lists all types, each after its base.
func (t *Table) Types() []*Type { return t.types[1:] }

// SearchParameters lists all search parameters, by URL.
func (t *Table) SearchParameters() []SearchParameter { return t.searches }

// Named finds a type by its name, such as "Patient" or "Observation.component",
// or None. Names are case-sensitive.
func (t *Table) Named(name string) TypeID { return t.names[name] }

// Type is the type of an id, or nil for None and what is out of range.
func (t *Table) Type(id TypeID) *Type {
	if id <= 0 || int(id) >= len(t.types) {
		return nil
	}
	return t.types[id]
}

// Is reports whether id is of type want or of a type derived from it.
func (t *Table) Is(id, want TypeID) bool {
	for ; id > 0 && int(id) < len(t.types); id = t.types[id].Base {
		if id == want {
			return true
		}
	}
	return false
}

// Child is the element of a type by its FHIRPath name, inherited ones too: in
// Observation "value" is value[x]. It is nil if there is none.
func (t *Table) Child(id TypeID, name string) *Element {
	if typ := t.Type(id); typ != nil {
		return typ.names[name]
	}
	return nil
}

// Member is what a JSON name means in a type: in Observation "valueQuantity"
// is value[x] holding a Quantity. Its Element is nil if the type has no such
// name.
func (t *Table) Member(id TypeID, key string) Member {
	if typ := t.Type(id); typ != nil {
		return typ.members[key]
	}
	return Member{}
}

// Resolve finds the element at a path such as "Observation.component.code",
// or nil. A choice is written without its type: "Observation.value".
func (t *Table) Resolve(path string) *Element {
	head, rest, _ := strings.Cut(path, ".")
	id := t.names[head]
	var e *Element
	for rest != "" {
		if e != nil {
			if len(e.Types) != 1 {
				return nil
			}
			id = e.Types[0].Type
		}
		head, rest, _ = strings.Cut(rest, ".")
		if e = t.Child(id, strings.TrimSuffix(head, "[x]")); e == nil {
			return nil
		}
	}
	return e
}

// link gives every type its inherited elements and the tables of names.
func (t *Table) link() error {
	for _, typ := range t.Types() {
		if base := t.Type(typ.Base); base != nil {
			typ.Elements = slices.Clip(slices.Clone(base.Elements))
		}
		for _, e := range typ.own {
			if i := slices.IndexFunc(typ.Elements, func(o *Element) bool { return o.Name == e.Name }); i >= 0 {
				e.Index = i
				typ.Elements[i] = e
				continue
			}
			e.Index = len(typ.Elements)
			typ.Elements = append(typ.Elements, e)
		}
		if err := t.index(typ); err != nil {
			return err
		}
	}
	return nil
}

func (t *Table) index(typ *Type) error {
	typ.names = make(map[string]*Element, len(typ.Elements))
	typ.members = make(map[string]Member, len(typ.Elements))
	for _, e := range typ.Elements {
		typ.names[e.Name] = e
		for i := range e.Types {
			r := &e.Types[i]
			if r.Type = t.names[r.Name]; r.Type == None {
				return fmt.Errorf("%s is of unknown type %s", e.Path, r.Name)
			}
			typ.members[r.Key] = Member{e, r.Type}
		}
	}
	return nil
}
