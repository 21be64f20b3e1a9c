package pages

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"nailbridge/internal/spec"
)

// structureDefinition is R4's StructureDefinition as far as the pages tell of it
// (structuredefinition.html).
type structureDefinition struct {
	ID, URL, Version, Name, Title, Description, Kind, Type, Derivation string

	Context      []struct{ Type, Expression string }
	Snapshot     struct{ Element []elementDefinition }
	Differential struct{ Element []elementDefinition }
}

type elementDefinition struct {
	ID, Path, SliceName, Short, Definition, Max string

	Min         *int
	MustSupport bool
	Type        []struct {
		Code                   string
		Profile, TargetProfile []string
	}
	Binding *struct{ Strength, ValueSet string }
	// Constraint has what must hold beside.
	Constraint []struct{ Key, Severity, Human string }
	// Fixed is the value that is demanded, of "fixed..." or "pattern...", as JSON.
	Fixed string
}

// UnmarshalJSON reads the element, and what it demands under whichever name.
func (e *elementDefinition) UnmarshalJSON(b []byte) error {
	type plain elementDefinition
	if err := json.Unmarshal(b, (*plain)(e)); err != nil {
		return err
	}
	var members map[string]json.RawMessage
	if err := json.Unmarshal(b, &members); err != nil {
		return err
	}
	for name, v := range members {
		if strings.HasPrefix(name, "fixed") || strings.HasPrefix(name, "pattern") {
			var out bytes.Buffer
			if err := json.Compact(&out, v); err != nil {
				return err
			}
			e.Fixed = out.String()
		}
	}
	return nil
}

// Profile is a profile of a resource type.
type Profile struct {
	ID, Title, URL, Version, Description string
	Rules                                []Rule

	elements []elementDefinition
}

// Rule is what a profile says of one element.
type Rule struct {
	Element, Times string
	Must           bool
	Says           []string
}

// profile reads what a definition says beside R4: its differential, of which half a
// cardinality is completed from its snapshot or from R4.
func (d *structureDefinition) profile() *Profile {
	p := &Profile{ID: d.ID, Title: cmp.Or(d.Title, d.Name, d.ID), URL: d.URL, Version: d.Version, Description: d.Description}
	whole := map[string]elementDefinition{}
	for _, e := range d.Snapshot.Element {
		whole[e.ID] = e
	}
	for _, e := range d.Differential.Element {
		e.complete(whole[e.ID])
		p.elements = append(p.elements, e)
		if r := (Rule{Element: e.ID, Times: e.times(), Must: e.MustSupport, Says: e.says()}); r.Times != "" || r.Must || len(r.Says) > 0 {
			p.Rules = append(p.Rules, r)
		}
	}
	return p
}

// complete fills in the half of a cardinality that is not stated.
func (e *elementDefinition) complete(whole elementDefinition) {
	if e.times() == "" {
		return
	}
	if base := spec.R4().Resolve(strings.TrimSuffix(e.Path, "[x]")); base != nil && whole.times() == "" {
		least, most, _ := strings.Cut(times(base.Min, base.Max), "..")
		n, _ := strconv.Atoi(least)
		whole.Min, whole.Max = &n, most
	}
	if e.Min == nil {
		e.Min = whole.Min
	}
	e.Max = cmp.Or(e.Max, whole.Max)
}

// times is the cardinality that it states, "" for none.
func (e *elementDefinition) times() string {
	if e.Min == nil && e.Max == "" {
		return ""
	}
	least := ""
	if e.Min != nil {
		least = strconv.Itoa(*e.Min)
	}
	return least + ".." + e.Max
}

// says is what it demands beside, a sentence each.
func (e *elementDefinition) says() []string {
	var out []string
	if s := cmp.Or(e.Short, e.Definition); s != "" {
		out = append(out, s)
	}
	if e.Fixed != "" {
		out = append(out, "Value: `"+e.Fixed+"`")
	}
	for _, t := range e.Type {
		for _, p := range slices.Concat(t.Profile, t.TargetProfile) {
			out = append(out, t.Code+" of `"+p+"`")
		}
	}
	if b := e.Binding; b != nil && b.ValueSet != "" {
		out = append(out, fmt.Sprintf("Codes: `%s` (%s)", b.ValueSet, b.Strength))
	}
	for _, c := range e.Constraint {
		out = append(out, fmt.Sprintf("%s (%s): %s", c.Key, c.Severity, c.Human))
	}
	return out
}

// extension is the end of the URL of the extension that a slice is of, "" where it
// is no such slice.
func (e *elementDefinition) extension() string {
	for _, t := range e.Type {
		if t.Code == "Extension" && len(t.Profile) > 0 {
			url, _, _ := strings.Cut(t.Profile[0], "|")
			return url[strings.LastIndexByte(url, '/')+1:]
		}
	}
	return ""
}

// cardinalities is what the profiles make of a node: of the element itself, not of
// its slices, but for extensions.
func cardinalities(n *node, profiles []*Profile) []Cardinality {
	var out []Cardinality
	for _, p := range profiles {
		for _, e := range p.elements {
			path := e.Path
			if end := e.extension(); e.SliceName != "" && end != "" {
				path += "[" + end + "]"
			} else if strings.Contains(e.ID, ":") {
				continue
			}
			if path == n.defined && (e.times() != "" || e.MustSupport) {
				out = append(out, Cardinality{Times: e.times(), Must: e.MustSupport, Profile: p.Title, Href: "#" + p.ID})
			}
		}
	}
	return out
}
