package spec

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
)

// reader takes the table line by line; strings of the result are parts of the
// embedded text.
type reader struct {
	table      *Table
	typ        *Type
	element    *Element
	invariants *[]Invariant // of the type or element last read
}

// read makes a Table of its text form, which internal/gen describes.
func read(text string) (*Table, error) {
	r := reader{table: &Table{types: []*Type{nil}, names: map[string]TypeID{}}}
	n := 0
	for line := range strings.Lines(text) {
		n++
		if line[0] == '#' {
			continue
		}
		if err := r.line(strings.TrimSuffix(line, "\n")); err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
	}
	return r.table, r.table.link()
}

func (r *reader) line(line string) error {
	var fields [8]string
	for i := range fields {
		fields[i], line, _ = strings.Cut(line, "\t")
	}
	switch f := fields[1:]; fields[0] {
	case "T":
		return r.readType(f)
	case "E":
		return r.readElement(f)
	case "I":
		if r.invariants == nil {
			return fmt.Errorf("an invariant of nothing")
		}
		*r.invariants = append(*r.invariants, Invariant{Severity: f[0], Key: f[1], Expression: f[2], Human: f[3]})
	case "S":
		r.table.searches = append(r.table.searches, SearchParameter{
			Code: f[0], Bases: split(f[1]), Type: f[2], Expression: f[3], Targets: split(f[4]), URL: f[5],
		})
	default:
		return fmt.Errorf("unknown kind of line %q", fields[0])
	}
	return nil
}

func (r *reader) readType(f []string) error {
	t := &Type{ID: TypeID(len(r.table.types)), Name: f[0], Pattern: f[3]}
	kind, abstract := strings.CutSuffix(f[2], "!")
	t.Abstract = abstract
	t.Binding = binding(f[4])
	switch kind {
	case "primitive":
		t.Kind = Primitive
	case "complex":
		t.Kind = Complex
	case "resource":
		t.Kind = Resource
	case "backbone":
		t.Kind = Backbone
	default:
		return fmt.Errorf("%s is of unknown kind %q", t.Name, kind)
	}
	if f[1] != "" {
		if t.Base = r.table.names[f[1]]; t.Base == None {
			return fmt.Errorf("the base %s of %s is not before it", f[1], t.Name)
		}
	}
	r.table.types = append(r.table.types, t)
	r.table.names[t.Name] = t.ID
	r.typ, r.invariants = t, &t.Invariants
	return nil
}

func (r *reader) readElement(f []string) error {
	if r.typ == nil {
		return fmt.Errorf("an element of nothing")
	}
	e := &Element{Path: r.typ.Name + "." + f[0], Max: Unbounded}
	e.Name, e.Choice = strings.CutSuffix(f[0], "[x]")
	var err error
	if e.Min, err = strconv.Atoi(f[1]); err != nil {
		return err
	}
	if f[2] != "*" {
		if e.Max, err = strconv.Atoi(f[2]); err != nil {
			return err
		}
	}
	e.Modifier, e.Summary = strings.Contains(f[4], "m"), strings.Contains(f[4], "s")
	e.Binding = binding(f[5])
	for _, ref := range split(f[3]) {
		e.Types = append(e.Types, e.ref(ref))
	}
	r.typ.own = append(r.typ.own, e)
	r.element, r.invariants = e, &e.Invariants
	return nil
}

// binding reads "extensible VALUESET MAXVALUESET", or nothing.
func binding(s string) *Binding {
	if s == "" {
		return nil
	}
	b := &Binding{}
	b.Strength, s, _ = strings.Cut(s, " ")
	b.ValueSet, b.Max, _ = strings.Cut(s, " ")
	return b
}

// ref reads "Reference(Patient,Group)" or "@Observation.referenceRange".
func (e *Element) ref(s string) TypeRef {
	s, e.Content = strings.CutPrefix(s, "@")
	t := TypeRef{Key: e.Name}
	name, targets, _ := strings.Cut(strings.TrimSuffix(s, ")"), "(")
	t.Name = name
	if targets != "" {
		t.Targets = strings.Split(targets, ",")
	}
	if e.Choice {
		first := []rune(name)
		first[0] = unicode.ToUpper(first[0])
		t.Key += string(first)
	}
	return t
}

func split(s string) []string {
	if s == "" {
		return nil
	}
	return strings.Split(s, "|")
}
