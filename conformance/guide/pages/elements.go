package pages

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"nailbridge/internal/spec"
	"nailbridge/mapping/coverage"
)

// node is one FHIR path of a resource type.
type node struct {
	path     string
	name     string // its last step
	values   map[string]int
	children map[string]*node
	typ      spec.TypeID
	element  *spec.Element // nil: R4 has no such element
	defined  string        // as a definition writes the path: "Observation.value[x]"
}

func newNode(path, name string) *node {
	return &node{path: path, name: name, values: map[string]int{}, children: map[string]*node{}}
}

// grow adds the paths of a resource to the tree of its type.
func (n *node) grow(tree map[string]any) {
	coverage.Walk(tree, func(path string, v any) {
		at := n
		for _, step := range steps(path)[1:] {
			next := at.children[step]
			if next == nil {
				next = newNode(at.path+"."+step, step)
				at.children[step] = next
			}
			at = next
		}
		if v != nil {
			at.values[text(v)]++
		}
	})
}

// steps cuts a path at its dots, of which a name in brackets may have some.
func steps(path string) []string {
	var out []string
	depth, from := 0, 0
	for i, r := range path {
		switch {
		case r == '[':
			depth++
		case r == ']':
			depth--
		case r == '.' && depth == 0:
			out, from = append(out, path[from:i]), i+1
		}
	}
	return append(out, path[from:])
}

func text(v any) string {
	switch v := v.(type) {
	case string:
		return v
	case json.Number:
		return v.String()
	case bool:
		return strconv.FormatBool(v)
	}
	return fmt.Sprint(v)
}

// list adds the paths of the tree.
func (n *node) list(to map[string]bool) {
	to[n.path] = true
	for _, c := range n.children {
		c.list(to)
	}
}

// define finds each node's element in R4.
func (n *node) define(typ spec.TypeID, defined string) {
	n.typ, n.defined = typ, defined
	for _, c := range n.children {
		bare, _, _ := strings.Cut(c.name, "[")
		m := spec.R4().Member(typ, bare)
		c.element = m.Element
		step := c.name
		if m.Element != nil && m.Element.Choice {
			step = m.Element.Name + "[x]"
		}
		c.define(m.Type, defined+"."+step)
	}
}

// ordered are the children in the standard's order, the type of the resource
// first.
func (n *node) ordered() []*node {
	place := func(c *node) int {
		if c.element == nil {
			return -1
		}
		return c.element.Index
	}
	return slices.SortedFunc(maps.Values(n.children), func(a, b *node) int {
		return cmp.Or(place(a)-place(b), strings.Compare(a.name, b.name))
	})
}

// Row is one row of an element table.
type Row struct {
	Path, ID     string
	Before, Name string // the path before its last step, and that
	Times        string // how often R4 lets it occur
	Type         string
	Profiles     []Cardinality
	Record       bool // some of it comes from a record; else it is computed
	Holds        bool // no value itself, but other elements
	Claims       []ClaimGroup
	With         *Link // the value that it is part of
	Computed     []string
	Defined      *Link // the definition of an extension
	Examples     []string
}

// Cardinality is what a profile makes of it.
type Cardinality struct {
	Times, Profile, Href string
	Must                 bool
}

// ClaimGroup is what several record paths have in common.
type ClaimGroup struct {
	Transform, Words string
	Records          []string
}

// rows writes out a tree, each path once.
func (g *guide) rows(n *node, profiles []*Profile) []Row {
	origin := g.in.Coverage.Of(n.path)
	r := Row{
		Path: n.path, ID: anchor(n.path), Before: strings.TrimSuffix(n.path, n.name), Name: n.name,
		Holds: len(n.values) == 0, Claims: grouped(origin.Claims), Computed: origin.Computed,
		Examples: examples(n), Profiles: cardinalities(n, profiles), Defined: g.extensionLink(n.name),
	}
	if n.element != nil {
		r.Times = times(n.element.Min, n.element.Max)
	}
	if t := spec.R4().Type(n.typ); t != nil && n.element != nil {
		r.Type = t.Name
	}
	switch {
	case g.paths[origin.With]:
		r.With = &Link{origin.With, "#" + anchor(origin.With)}
	case origin.With != "": // it has no row of its own
		r.Claims = append(r.Claims, grouped(g.in.Coverage.Of(origin.With).Claims)...)
	}
	r.Record = len(origin.Claims) > 0 || origin.With != ""
	var below []Row
	for _, c := range n.ordered() {
		rows := g.rows(c, profiles)
		r.Record = r.Record || r.Holds && rows[0].Record
		below = append(below, rows...)
	}
	if !r.Record { // the tag has said it
		for i, how := range r.Computed {
			r.Computed[i] = strings.TrimSpace(strings.TrimPrefix(strings.TrimPrefix(how, "computed"), ":"))
		}
	}
	return append([]Row{r}, below...)
}

// anchor is the id of a path's row.
func anchor(path string) string {
	return strings.NewReplacer("[", "~", "]", "").Replace(path)
}

func times(least, most int) string {
	if most == spec.Unbounded {
		return fmt.Sprintf("%d..*", least)
	}
	return fmt.Sprintf("%d..%d", least, most)
}

func grouped(claims []coverage.Claim) []ClaimGroup {
	var out []ClaimGroup
	for _, c := range claims {
		i := slices.IndexFunc(out, func(g ClaimGroup) bool { return g.Transform == c.Transform && g.Words == c.Words })
		if i < 0 {
			i, out = len(out), append(out, ClaimGroup{Transform: c.Transform, Words: c.Words})
		}
		out[i].Records = append(out[i].Records, c.Record)
	}
	return out
}

// Of each path so many values are shown, cut at so many letters.
const (
	mostExamples  = 3
	longestSample = 72
)

// examples are the values that occur most, each once.
func examples(n *node) []string {
	if n.name == "div" {
		return []string{"the narrative in XHTML"}
	}
	all := slices.SortedFunc(maps.Keys(n.values), func(a, b string) int {
		return cmp.Or(n.values[b]-n.values[a], strings.Compare(a, b))
	})
	most := mostExamples
	if n.name == "id" || n.name == "reference" {
		most = 1 // one is as good as another
	}
	var out []string
	for _, v := range all[:min(most, len(all))] {
		if letters := []rune(v); len(letters) > longestSample {
			v = string(letters[:longestSample]) + "…"
		}
		out = append(out, v)
	}
	return out
}

// count gives how many rows hold values, and how many of these come from a record.
func count(rows []Row) (values, fromRecord int) {
	for _, r := range rows {
		if !r.Holds {
			values++
			if r.Record {
				fromRecord++
			}
		}
	}
	return values, fromRecord
}
