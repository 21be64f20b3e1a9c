package main

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// definition is what the table needs of a StructureDefinition.
type definition struct {
	URL            string
	Name           string
	Kind           string
	Abstract       bool
	Derivation     string
	BaseDefinition string
	Snapshot       struct{ Element []element }
}

type element struct {
	Path             string
	Min              int
	Max              string
	Base             struct{ Path string }
	ContentReference string
	IsModifier       bool
	IsSummary        bool
	MaxLength        int
	Type             []typeRef
	Binding          *binding
	Constraint       []constraint
}

type typeRef struct {
	Extension     []extension
	Code          string
	Profile       []string
	TargetProfile []string
}

type extension struct {
	URL         string
	ValueURL    string
	ValueString string
	ValueCanonical,
	ValueURI string
	ValueBoolean bool
}

type binding struct {
	Extension []extension
	Strength  string
	ValueSet  string
}

type constraint struct {
	Extension  []extension
	Key        string
	Severity   string
	Human      string
	Expression string
	Source     string
}

type search struct {
	Code       string
	Base       []string
	Type       string
	Expression string
	Target     []string
	URL        string
}

const (
	extRegex = base + "regex"
	extMax   = base + "elementdefinition-maxValueSet"
	system   = "http://hl7.org/fhirpath/"
)

// write puts out a type with its own elements, and each element that holds
// elements as a type of its own: "Observation.component".
func (g *generator) write(b *bytes.Buffer, d *definition) error {
	kind := strings.TrimSuffix(d.Kind, "-type")
	if d.Abstract {
		kind += "!"
	}
	pattern := ""
	if v := d.value(); v != nil {
		for _, x := range v.Type[0].Extension {
			if x.URL == extRegex {
				pattern = x.ValueString
			}
		}
	}
	line(b, "T", d.Name, strings.TrimPrefix(d.BaseDefinition, base), kind, pattern, d.Snapshot.Element[0].bound())
	if err := d.invariants(b, &d.Snapshot.Element[0]); err != nil {
		return err
	}
	if err := d.elements(b, d.Name); err != nil {
		return err
	}
	for i := range d.Snapshot.Element {
		e := &d.Snapshot.Element[i]
		if !d.parent(e) {
			continue
		}
		line(b, "T", e.Path, e.Type[0].Code, "backbone")
		if err := d.elements(b, e.Path); err != nil {
			return err
		}
	}
	return nil
}

// value is the element that holds the value of a primitive type.
func (d *definition) value() *element {
	if d.Kind != "primitive-type" {
		return nil
	}
	for i := range d.Snapshot.Element {
		if d.Snapshot.Element[i].Path == d.Name+".value" {
			return &d.Snapshot.Element[i]
		}
	}
	return nil
}

// parent reports whether e, not the type itself, has elements below it.
func (d *definition) parent(e *element) bool {
	return e.Path != d.Name && slices.ContainsFunc(d.Snapshot.Element, func(o element) bool {
		return strings.HasPrefix(o.Path, e.Path+".")
	})
}

// elements writes the elements right below path which the type itself brings;
// inherited ones stand with the type that brings them.
func (d *definition) elements(b *bytes.Buffer, path string) error {
	for i := range d.Snapshot.Element {
		e := &d.Snapshot.Element[i]
		name, ok := strings.CutPrefix(e.Path, path+".")
		if !ok || strings.Contains(name, ".") || e == d.value() {
			continue
		}
		if own := e.Base.Path == "" || e.Base.Path == e.Path; !own && d.Kind != "primitive-type" {
			continue
		}
		if d.Kind == "primitive-type" && (d.Name != "xhtml" || name == "id") {
			continue
		}
		line(b, "E", name, strconv.Itoa(e.Min), e.Max, d.types(e), e.flags(), e.bound())
		if err := d.invariants(b, e); err != nil {
			return err
		}
	}
	return nil
}

// types writes what an element may hold. The type of Resource.id is id
// (R4 resource.html), though its definition says string.
func (d *definition) types(e *element) string {
	if d.parent(e) {
		return e.Path
	}
	if e.ContentReference != "" {
		return "@" + strings.TrimPrefix(e.ContentReference, "#")
	}
	var out []string
	for _, t := range e.Type {
		name := t.Code
		if strings.HasPrefix(name, system) {
			name = "string"
			for _, x := range t.Extension {
				if x.ValueURL != "" {
					name = x.ValueURL
				}
			}
		}
		if e.Path == "Resource.id" {
			name = "id"
		}
		if len(t.TargetProfile) > 0 {
			targets := make([]string, len(t.TargetProfile))
			for i, p := range t.TargetProfile {
				targets[i] = strings.TrimPrefix(p, base)
			}
			name += "(" + strings.Join(targets, ",") + ")"
		}
		out = append(out, name)
	}
	return strings.Join(out, "|")
}

func (e *element) flags() string {
	var f string
	if e.IsModifier {
		f += "m"
	}
	if e.IsSummary {
		f += "s"
	}
	return f
}

func (e *element) bound() string {
	if e.Binding == nil || e.Binding.ValueSet == "" {
		return ""
	}
	out := e.Binding.Strength + " " + unversioned(e.Binding.ValueSet)
	for _, x := range e.Binding.Extension {
		if x.URL == extMax {
			out += " " + unversioned(x.ValueCanonical+x.ValueURI+x.ValueURL)
		}
	}
	return out
}

func unversioned(canonical string) string {
	url, _, _ := strings.Cut(canonical, "|")
	return url
}

// invariants writes those constraints of e that stand nowhere else: a
// constraint with a source is inherited from that type, and comes with it.
func (d *definition) invariants(b *bytes.Buffer, e *element) error {
	for _, c := range e.Constraint {
		source := strings.TrimPrefix(c.Source, base)
		if source != "" && source != d.Name {
			if !d.inherits(e, source) {
				return fmt.Errorf("%s: constraint %s comes from %s, which is no type of it", e.Path, c.Key, source)
			}
			continue
		}
		if c.Expression == "" {
			return fmt.Errorf("%s: constraint %s has no expression", e.Path, c.Key)
		}
		line(b, "I", c.Severity, c.Key, c.Expression, c.Human)
	}
	if e.simple() {
		line(b, "I", "error", "sqty-1", "comparator.empty()", "The comparator is not used on a SimpleQuantity")
	}
	return nil
}

// simple reports an element that holds a SimpleQuantity: a Quantity with one rule
// more, whose definition the package leaves out (R4 datatypes.html#SimpleQuantity).
// Where it may hold other types too, the rule says nothing of them: none of those
// has a comparator.
func (e *element) simple() bool {
	return slices.ContainsFunc(e.Type, func(t typeRef) bool { return slices.Contains(t.Profile, base+"SimpleQuantity") })
}

// inherits reports whether the constraints of source come with e: with
// Element for all elements, with the type of the element, or with a base of
// the definition for the root.
func (d *definition) inherits(e *element, source string) bool {
	if source == "Element" || slices.ContainsFunc(e.Type, func(t typeRef) bool { return t.Code == source }) {
		return true
	}
	return e.Path == d.Name && (source == "DomainResource" || source == "Quantity" || source == "BackboneElement")
}
