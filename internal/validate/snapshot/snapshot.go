// Package snapshot makes the snapshot of a StructureDefinition: every element of
// the type that it constrains, as R4 has it, with the rules of the differential
// laid over them (R4 profiling.html#snapshot). It knows R4 by the table of
// internal/spec, so that the definitions of elements are those of the standard by
// reference and not in its words.
package snapshot

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"nailbridge/internal/spec"
)

const base = "http://hl7.org/fhir/StructureDefinition/"

// simpleQuantity is the invariant by which the table has the profile SimpleQuantity.
const simpleQuantity = "sqty-1"

// element is an ElementDefinition as JSON.
type element = map[string]any

// Errors of Add.
var (
	// ErrBase says that the base is no type of R4 itself.
	ErrBase = errors.New("the base is no type of R4")
	// ErrElements says that elements of the differential are not those of the
	// type, or have no id.
	ErrElements = errors.New("elements that the type does not have")
)

// Add gives a StructureDefinition in JSON with its snapshot, which takes the place
// of any that it has. Members stand in the order of their names.
func Add(definition []byte) ([]byte, error) {
	d := json.NewDecoder(bytes.NewReader(definition))
	d.UseNumber()
	var tree map[string]any
	if err := d.Decode(&tree); err != nil {
		return nil, err
	}
	list, err := elements(tree)
	if err != nil {
		return nil, err
	}
	tree["snapshot"] = map[string]any{"element": list}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err = e.Encode(tree)
	return bytes.TrimSpace(b.Bytes()), err
}

// elements lists the elements of the snapshot.
func elements(tree map[string]any) ([]element, error) {
	typ := spec.R4().Type(spec.R4().Named(str(tree, "type")))
	if typ == nil || str(tree, "baseDefinition") != base+typ.Name {
		return nil, fmt.Errorf("%w: %s", ErrBase, str(tree, "baseDefinition"))
	}
	m := maker{rules: map[string]element{}}
	differential, _ := tree["differential"].(map[string]any)
	list, _ := differential["element"].([]any)
	for _, v := range list {
		e, _ := v.(map[string]any)
		id := str(e, "id")
		m.rules[id], m.order = e, append(m.order, id)
	}
	m.root(typ)
	m.below(typ, typ.Name, typ.Name)
	for id := range m.rules {
		if !m.used[id] {
			return nil, fmt.Errorf("%w: %q", ErrElements, id)
		}
	}
	return m.out, nil
}

// maker makes elements in the order of the type.
type maker struct {
	rules map[string]element // of the differential, by id
	order []string           // their ids as they stand
	used  map[string]bool
	out   []element
}

func (m *maker) root(typ *spec.Type) {
	e := element{"id": typ.Name, "path": typ.Name, "min": 0, "max": "*", "base": baseOf(typ.Name, 0, spec.Unbounded),
		"definition": meaning(typ.Name), "short": typ.Name, "isModifier": false}
	constrain(e, inherited(typ))
	m.add(e)
}

// inherited are the invariants of a type and of its bases.
func inherited(typ *spec.Type) (out []constraint) {
	for t := typ; t != nil; t = spec.R4().Type(t.Base) {
		out = ofType(out, t.Name)
	}
	return out
}

type constraint struct {
	spec.Invariant
	source string
}

// below adds the elements of a type under a path: those of the standard's own, and
// where the differential goes into a data type, those of that.
func (m *maker) below(typ *spec.Type, path, id string) {
	for _, e := range typ.Elements {
		name := e.Name
		if e.Choice {
			name += "[x]"
		}
		m.one(e, path+"."+name, id+"."+name)
	}
}

func (m *maker) one(e *spec.Element, path, id string) {
	parts := m.slices(id)
	whole := standard(e, path, id)
	if len(parts) > 0 && e.Types[0].Name == "Extension" {
		whole["slicing"] = byURL()
	}
	m.add(whole)
	m.inside(e, path, id)
	for _, slice := range parts {
		made := standard(e, path, slice)
		made["min"] = 0
		m.add(made)
		m.inside(e, path, slice)
	}
}

// slices are the ids of an element's slices.
func (m *maker) slices(id string) (out []string) {
	for _, rule := range m.order {
		if slice, ok := strings.CutPrefix(rule, id+":"); ok && !strings.Contains(slice, ".") {
			out = append(out, rule)
		}
	}
	return out
}

// byURL is the slicing that R4 puts on extensions, which a differential need not
// repeat (R4 profiling.html#slicing).
func byURL() map[string]any {
	return map[string]any{"discriminator": []any{map[string]any{"type": "value", "path": "url"}}, "ordered": false, "rules": "open"}
}

// inside goes into an element that holds elements of its own, or whose parts have
// rules.
func (m *maker) inside(e *spec.Element, path, id string) {
	if e.Content {
		return
	}
	typ := spec.R4().Type(e.Types[0].Type)
	if typ.Kind == spec.Backbone || len(e.Types) == 1 && m.ruled(id) {
		m.below(typ, path, id)
	}
}

// ruled reports rules about parts of an element.
func (m *maker) ruled(id string) bool {
	for rule := range m.rules {
		if strings.HasPrefix(rule, id+".") {
			return true
		}
	}
	return false
}

// add lays the rules of the differential over an element.
func (m *maker) add(e element) {
	id := e["id"].(string)
	if rules := m.rules[id]; rules != nil {
		if m.used == nil {
			m.used = map[string]bool{}
		}
		m.used[id] = true
		for k, v := range rules {
			if k == "constraint" {
				have, _ := e[k].([]any)
				v = append(have, v.([]any)...)
			}
			e[k] = v
		}
	}
	m.out = append(m.out, e)
}

// standard is an element as R4 has it.
func standard(e *spec.Element, path, id string) element {
	out := element{"id": id, "path": path, "min": e.Min, "max": times(e.Max), "base": baseOf(e.Path, e.Min, e.Max),
		"definition": meaning(e.Path), "short": e.Path, "isModifier": e.Modifier, "isSummary": e.Summary}
	if e.Modifier {
		out["isModifierReason"] = "R4 defines it as a modifier: it may change what the rest means."
	}
	if e.Content {
		out["contentReference"] = "#" + e.Types[0].Name
	} else {
		out["type"] = types(e)
	}
	if e.Binding != nil {
		out["binding"] = binding(e.Binding)
	}
	constrain(out, invariants(e))
	return out
}

// invariants are those of an element: what every element holds to, what every
// extension does, and its own.
func invariants(e *spec.Element) (out []constraint) {
	typ := spec.R4().Type(e.Types[0].Type)
	if typ.Kind != spec.Resource && e.Path != "Resource.id" && e.Path != "Element.id" && e.Path != "Extension.url" {
		out = ofType(out, "Element")
	}
	if typ.Name == "Extension" {
		out = ofType(out, "Extension")
	}
	owner, _, _ := strings.Cut(e.Path, ".")
	for _, i := range e.Invariants {
		if i.Key != simpleQuantity && !slices.ContainsFunc(out, func(c constraint) bool { return c.Key == i.Key }) {
			out = append(out, constraint{i, base + owner})
		}
	}
	return out
}

// ofType adds the invariants of a type by name.
func ofType(list []constraint, name string) []constraint {
	for _, i := range spec.R4().Type(spec.R4().Named(name)).Invariants {
		list = append(list, constraint{i, base + name})
	}
	return list
}

func constrain(e element, list []constraint) {
	var out []any
	for _, c := range list {
		out = append(out, map[string]any{"key": c.Key, "severity": c.Severity, "human": c.Human, "expression": c.Expression, "source": c.source})
	}
	if out != nil {
		e["constraint"] = out
	}
}

func types(e *spec.Element) (out []any) {
	for _, t := range e.Types {
		typ := map[string]any{"code": t.Name}
		switch {
		case e.Path == "Resource.id" || e.Path == "Element.id":
			system(typ, "string")
		case e.Path == "Extension.url":
			system(typ, "uri")
		case spec.R4().Type(t.Type).Kind == spec.Backbone:
			typ["code"] = "BackboneElement"
			if spec.R4().Type(spec.R4().Type(t.Type).Base).Name == "Element" {
				typ["code"] = "Element"
			}
		}
		if t.Name == "Quantity" && slices.ContainsFunc(e.Invariants, func(i spec.Invariant) bool { return i.Key == simpleQuantity }) {
			typ["profile"] = []any{base + "SimpleQuantity"}
		}
		var targets []any
		for _, x := range t.Targets {
			if !strings.Contains(x, "/") {
				x = base + x
			}
			targets = append(targets, x)
		}
		if targets != nil {
			typ["targetProfile"] = targets
		}
		out = append(out, typ)
	}
	return out
}

// system makes a type one of FHIRPath's own, as R4 has it for ids and urls (R4
// element.html, structuredefinition-fhir-type).
func system(typ map[string]any, fhir string) {
	typ["code"] = "http://hl7.org/fhirpath/System.String"
	typ["extension"] = []any{map[string]any{"url": base + "structuredefinition-fhir-type", "valueUrl": fhir}}
}

func binding(b *spec.Binding) map[string]any {
	out := map[string]any{"strength": b.Strength, "valueSet": b.ValueSet}
	if b.Max != "" {
		out["extension"] = []any{map[string]any{"url": base + "elementdefinition-maxValueSet", "valueCanonical": b.Max}}
	}
	return out
}

func baseOf(path string, min, max int) map[string]any {
	return map[string]any{"path": path, "min": min, "max": times(max)}
}

// meaning refers to the standard's definition.
func meaning(path string) string { return "As R4 (4.0.1) defines " + path + "." }

func times(max int) string {
	if max == spec.Unbounded {
		return "*"
	}
	return strconv.Itoa(max)
}

func str(m map[string]any, name string) string {
	s, _ := m[name].(string)
	return s
}
