package pages

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"nailbridge/mapping/terms"
)

// CodeMap is a code map with the evidence of its targets.
type CodeMap struct {
	ID, Title, URL, About, Copyright string
	Source                           *Link
	Lines                            []Mapping
}

// Mapping is one code of a map and one code that it is sent as too.
type Mapping struct {
	Code, Means         string
	System              string // in short
	Target, Display     string
	Relation, Comment   string
	Leaves              string // under which settings
	Confidence, Sources string
}

type conceptMap struct {
	ID, URL, Title, Name, Description, Copyright, SourceCanonical string

	Group []struct {
		Source, Target string
		Element        []struct {
			Code, Display string
			Target        []struct{ Code, Display, Equivalence, Comment string }
		}
	}
}

func (g *guide) takeMap(b []byte) (href string, err error) {
	var m conceptMap
	if err := json.Unmarshal(b, &m); err != nil {
		return "", err
	}
	out := &CodeMap{ID: m.ID, Title: cmp.Or(m.Title, m.Name), URL: m.URL, About: m.Description, Copyright: m.Copyright}
	for _, group := range m.Group {
		out.Source = &Link{group.Source, codesPage + "#" + last(group.Source)}
		for _, e := range group.Element {
			for _, t := range e.Target {
				line := Mapping{
					Code: e.Code, Means: e.Display, System: systemName(group.Target), Target: t.Code, Display: t.Display,
					Relation: relation[t.Equivalence], Comment: t.Comment,
				}
				g.prove(&line, terms.Coding{System: group.Target, Code: t.Code, Display: t.Display})
				out.Lines = append(out.Lines, line)
			}
		}
	}
	slices.SortStableFunc(out.Lines, func(a, b Mapping) int { return strings.Compare(a.Code, b.Code) })
	g.maps = append(g.maps, out)
	return mapsPage + "#" + m.ID, nil
}

// prove adds the evidence of a target.
func (g *guide) prove(line *Mapping, c terms.Coding) {
	evidence, ok := g.in.Terms.Evidence(c.System, c.Code)
	if !ok {
		line.Confidence, line.Sources = "own code", "defined by the bridge"
		line.Leaves = "always"
		return
	}
	line.Confidence, line.Sources = cmp.Or(evidence.Confidence, "defined by R4"), evidence.Sources
	free := g.in.Terms.Permits(terms.Setting{SnomedCT: terms.FreeSet, HCPCS: true}, c)
	switch {
	case c.System == terms.HCPCS:
		line.Leaves = "where the settings send HCPCS"
	case c.System != terms.SNOMEDCT:
		line.Leaves = "always"
	case free:
		line.Leaves = "free-set and licensed"
	default:
		line.Leaves = "licensed"
	}
}

// relation is a target's relation to the code mapped, in words (R4
// concept-map-equivalence).
var relation = map[string]string{
	"equivalent": "means the same", "equal": "means the same", "wider": "is wider", "subsumes": "is wider",
	"narrower": "is narrower", "specializes": "is narrower", "relatedto": "is related", "inexact": "overlaps", "unmatched": "none", "disjoint": "is another",
}

// systemNames are code systems by the names that people use.
var systemNames = map[string]string{terms.SNOMEDCT: "SNOMED CT", terms.LOINC: "LOINC", terms.HCPCS: "HCPCS"}

func systemName(url string) string { return cmp.Or(systemNames[url], last(url)) }

func last(url string) string { return url[strings.LastIndexByte(url, '/')+1:] }

// codes are the code systems with their value sets.
type codes struct {
	Systems []*CodeSystem
	Sets    []*ValueSet
}

// CodeSystem is a list of codes of ours.
type CodeSystem struct {
	ID, Title, URL, Version, Description string
	Concept                              []struct{ Code, Display, Definition string }
}

// ValueSet is a choice of codes.
type ValueSet struct {
	ID, Title, URL, Version, Description string
	Compose                              struct {
		Include []struct {
			System   string
			ValueSet []string
			Concept  []struct{ Code, Display string }
		}
	} `json:"compose"`
	From []Link `json:"-"`
}

func (c *codes) takeSystem(b []byte) (href string, err error) {
	s := &CodeSystem{}
	if err := json.Unmarshal(b, s); err != nil {
		return "", err
	}
	c.Systems = append(c.Systems, s)
	return codesPage + "#" + s.ID, nil
}

func (c *codes) takeSet(b []byte) (href string, err error) {
	s := &ValueSet{}
	if err := json.Unmarshal(b, s); err != nil {
		return "", err
	}
	c.Sets = append(c.Sets, s)
	return codesPage + "#set-" + s.ID, nil
}

// link says of each value set where its codes are.
func (c *codes) link() {
	slices.SortFunc(c.Systems, func(a, b *CodeSystem) int { return strings.Compare(a.ID, b.ID) })
	slices.SortFunc(c.Sets, func(a, b *ValueSet) int { return strings.Compare(a.ID, b.ID) })
	here := map[string]string{}
	for _, s := range c.Systems {
		here[s.URL] = "#" + s.ID
	}
	for _, s := range c.Sets {
		for _, i := range s.Compose.Include {
			text := i.System
			if n := len(i.Concept); n > 0 {
				text = fmt.Sprintf("%s (%d codes)", text, n)
			}
			s.From = append(s.From, Link{cmp.Or(text, strings.Join(i.ValueSet, ", ")), here[i.System]})
		}
	}
}

// Extension is an extension of ours.
type Extension struct {
	ID, Title, URL, Version, About string
	On                             []string // the elements that it may stand on
	Value                          string   // the type of its value, "" where it has parts
	Parts                          []Part
	Where                          []Link // of the demo
}

// Part is a part of an extension with several.
type Part struct{ Name, Times, Type, Means string }

func (d *structureDefinition) asExtension() *Extension {
	x := &Extension{ID: d.ID, Title: cmp.Or(d.Title, d.Name), URL: d.URL, Version: d.Version, About: d.Description}
	for _, c := range d.Context {
		x.On = append(x.On, c.Expression)
	}
	parts := map[string]int{}
	for _, e := range d.Differential.Element {
		path, slice, of := strings.Cut(e.ID, ":")
		switch {
		case e.ID == "Extension.value[x]":
			x.Value = typeCodes(e)
		case of && path == "Extension.extension" && !strings.Contains(slice, "."):
			parts[slice] = len(x.Parts)
			x.Parts = append(x.Parts, Part{Name: slice, Times: e.times(), Means: cmp.Or(e.Short, e.Definition)})
		case of && strings.HasSuffix(slice, ".value[x]"):
			if i, known := parts[strings.TrimSuffix(slice, ".value[x]")]; known {
				x.Parts[i].Type = typeCodes(e)
			}
		}
	}
	return x
}

func typeCodes(e elementDefinition) string {
	var out []string
	for _, t := range e.Type {
		out = append(out, t.Code)
	}
	return strings.Join(out, ", ")
}

// extensionLink is where an extension in a path is defined; nil for others than
// ours, and for parts.
func (g *guide) extensionLink(name string) *Link {
	_, end, is := strings.Cut(strings.TrimSuffix(name, "]"), "[")
	if !is {
		return nil
	}
	for _, x := range g.extensions {
		if last(x.URL) == end {
			return &Link{x.Title, extensionsPage + "#" + x.ID}
		}
	}
	return nil
}

// whereExtensionsOccur links each extension to the rows that it has in the tables,
// and to the protocols that have it.
func (g *guide) whereExtensionsOccur() {
	slices.SortFunc(g.extensions, func(a, b *Extension) int { return strings.Compare(a.ID, b.ID) })
	for _, x := range g.extensions {
		for _, t := range g.types {
			for _, r := range t.Rows {
				if r.Name == "extension["+last(x.URL)+"]" {
					x.Where = append(x.Where, Link{r.Path, typePage(t.Name) + "#" + r.ID})
				}
			}
		}
		for _, p := range g.protocols {
			if p.uses(x.URL) {
				x.Where = append(x.Where, Link{p.Title, protocolsPage + "#" + p.ID})
			}
		}
	}
}

// parameters are what a hub may search by.
type parameters struct {
	Types []SearchType
	Rules []string                   // what the statement says of them all, by sentences
	own   map[string]searchParameter // by URL
}

// SearchType is what a hub may do with a type.
type SearchType struct {
	Name     string
	Searches []Search
	Includes []string
	Reverse  []string
	Asks     []string // interactions
}

// Search is a search parameter.
type Search struct{ Name, Kind, Definition, About string }

type searchParameter struct{ URL, Description, Expression string }

func (p *parameters) takeParameter(b []byte) (href string, err error) {
	var s searchParameter
	if err := json.Unmarshal(b, &s); err != nil {
		return "", err
	}
	if p.own == nil {
		p.own = map[string]searchParameter{}
	}
	p.own[s.URL] = s
	p.tell()
	return parametersPage, nil
}

func (p *parameters) takeStatement(b []byte) error {
	var s struct {
		Rest []struct {
			Documentation string
			Resource      []struct {
				Type                            string
				Interaction                     []struct{ Code string }
				SearchInclude, SearchRevInclude []string
				SearchParam                     []struct{ Name, Type, Definition, Documentation string }
			}
		}
	}
	if err := json.Unmarshal(b, &s); err != nil {
		return err
	}
	for _, rest := range s.Rest {
		p.Rules = sentences(rest.Documentation)
		for _, r := range rest.Resource {
			t := SearchType{Name: r.Type, Includes: r.SearchInclude, Reverse: r.SearchRevInclude}
			for _, i := range r.Interaction {
				t.Asks = append(t.Asks, i.Code)
			}
			for _, q := range r.SearchParam {
				t.Searches = append(t.Searches, Search{Name: q.Name, Kind: q.Type, Definition: q.Definition, About: q.Documentation})
			}
			p.Types = append(p.Types, t)
		}
	}
	p.tell()
	return nil
}

// sentences cuts a text at its full stops.
func sentences(text string) (out []string) {
	for s := range strings.SplitSeq(text, ". ") {
		if s != "" {
			out = append(out, strings.TrimSuffix(s, ".")+".")
		}
	}
	return out
}

// tell says of parameters of our own what they mean, whichever came first.
func (p *parameters) tell() {
	for i := range p.Types {
		for j := range p.Types[i].Searches {
			s := &p.Types[i].Searches[j]
			if own, ok := p.own[s.Definition]; ok {
				s.About = own.Description + " Expression: `" + own.Expression + "`"
			}
		}
	}
}

func (p *parameters) of(typ string) []Search {
	for _, t := range p.Types {
		if t.Name == typ {
			return t.Searches
		}
	}
	return nil
}

// Protocol is a follow-up protocol.
type Protocol struct {
	ID, Title, URL, Version, Description, Usage string

	Extension intervals
	Action    []Action
}

// Action is one step of a protocol.
type Action struct {
	ID, Title, Description string

	Extension     intervals
	Documentation []struct{ Citation string }
	RelatedAction []struct{ OffsetDuration duration }
}

type duration struct {
	Value json.Number
	Unit  string
}

// String is the duration with its unit.
func (d duration) String() string { return d.Value.String() + " " + d.Unit }

// intervals are extensions that say windows.
type intervals []interval

type interval struct {
	URL       string
	Extension []struct {
		URL           string
		ValueDuration duration
	}
}

// of is an interval in words, of the extension whose URL ends so; "" where it has
// none.
func (x intervals) of(end string) string {
	for _, e := range x {
		if last(e.URL) != end {
			continue
		}
		part := map[string]duration{}
		for _, p := range e.Extension {
			part[p.URL] = p.ValueDuration
		}
		window := fmt.Sprintf("from %s before to %s after", part["before"], part["after"])
		if offset, is := part["offset"]; is {
			return fmt.Sprintf("%s, %s", offset, window)
		}
		return window
	}
	return ""
}

// Window says how far from its date a step may be.
func (a Action) Window() string { return a.Extension.of("follow-up-window") }

// Recall says when a missed step is called again, where it says so itself.
func (a Action) Recall() string { return a.Extension.of("follow-up-recall") }

// Recall says when a missed step is called again that does not say so itself.
func (p Protocol) Recall() string { return p.Extension.of("follow-up-recall") }

func (g *guide) takeProtocol(b []byte) (href string, err error) {
	p := &Protocol{}
	if err := json.Unmarshal(b, p); err != nil {
		return "", err
	}
	g.protocols = append(g.protocols, p)
	return protocolsPage + "#" + p.ID, nil
}

// uses reports whether a protocol has an extension.
func (p Protocol) uses(url string) bool {
	is := func(x intervals) bool { return slices.ContainsFunc(x, func(i interval) bool { return i.URL == url }) }
	return is(p.Extension) || slices.ContainsFunc(p.Action, func(a Action) bool { return is(a.Extension) })
}
