package pages

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"nailbridge/internal/spec"
	"nailbridge/mapping/coverage"
)

// guide is the input, read.
type guide struct {
	in          Input
	types       []*Type
	maps        []*CodeMap
	codes       codes
	extensions  []*Extension
	parameters  parameters
	protocols   []*Protocol
	definitions []Definition
	profiles    map[string][]*Profile // by resource type
	paths       map[string]bool       // every path that has a row

	requirements Requirements
}

// Type is the page of a resource type.
type Type struct {
	Name, Why  string
	Count      int // of the demo
	Values     int
	FromRecord int
	Profiles   []*Profile
	Rows       []Row
	Example    string // a resource as JSON
	ExampleID  string
	Searches   []Search
}

// Definition is one definition of the guide.
type Definition struct {
	Type, Title, URL, Version, About string
	Href                             string // where the pages tell of it, "" for nowhere else
}

func read(in Input) (*guide, error) {
	g := &guide{in: in, profiles: map[string][]*Profile{}, paths: map[string]bool{}}
	all, err := definitionsOf(in.Artifacts)
	if err != nil {
		return nil, err
	}
	for i, a := range all {
		older := i > 0 && all[i-1].URL == a.URL && a.URL != ""
		if err := g.take(a, older); err != nil {
			return nil, fmt.Errorf("guide: %s: %w", a.file, err)
		}
	}
	g.codes.link()
	if g.requirements, err = requirements(in.Requirements); err != nil {
		return nil, err
	}
	if err := g.readTypes(); err != nil {
		return nil, err
	}
	g.whereExtensionsOccur()
	return g, nil
}

// artifact is a definition with what all definitions have.
type artifact struct {
	ResourceType, ID, URL, Version, Name, Title, Description string

	file string
	json []byte
}

// definitionsOf reads the artifacts in the order of type, URL and version, the
// latest first. What has no canonical URL is an example, and no definition.
func definitionsOf(artifacts []Artifact) ([]artifact, error) {
	var out []artifact
	for _, a := range artifacts {
		x := artifact{file: a.Name, json: a.JSON}
		if err := json.Unmarshal(a.JSON, &x); err != nil {
			return nil, fmt.Errorf("guide: %s: %w", a.Name, err)
		}
		if x.URL != "" {
			out = append(out, x)
		}
	}
	slices.SortStableFunc(out, func(a, b artifact) int {
		return cmp.Or(strings.Compare(a.ResourceType, b.ResourceType), strings.Compare(a.URL, b.URL), spec.CompareVersions(b.Version, a.Version))
	})
	return out, nil
}

// take reads one definition. The pages tell of the latest version; of older ones,
// that they are served.
func (g *guide) take(a artifact, older bool) error {
	d := Definition{Type: a.ResourceType, Title: cmp.Or(a.Title, a.Name, a.ID), URL: a.URL, Version: a.Version, About: a.Description}
	if !older {
		href, err := g.takeAs(a.ResourceType, a.json)
		if err != nil {
			return err
		}
		d.Href = href
	}
	g.definitions = append(g.definitions, d)
	return nil
}

// takeAs reads an artifact as what it is, and gives where the pages tell of it.
func (g *guide) takeAs(typ string, b []byte) (href string, err error) {
	switch typ {
	case "StructureDefinition":
		return g.takeStructure(b)
	case "ConceptMap":
		return g.takeMap(b)
	case "CodeSystem":
		return g.codes.takeSystem(b)
	case "ValueSet":
		return g.codes.takeSet(b)
	case "SearchParameter":
		return g.parameters.takeParameter(b)
	case "CapabilityStatement":
		return parametersPage, g.parameters.takeStatement(b)
	case "PlanDefinition":
		return g.takeProtocol(b)
	}
	return "", nil
}

func (g *guide) takeStructure(b []byte) (href string, err error) {
	var d structureDefinition
	if err := json.Unmarshal(b, &d); err != nil {
		return "", err
	}
	switch {
	case d.Type == "Extension":
		x := d.asExtension()
		g.extensions = append(g.extensions, x)
		return extensionsPage + "#" + x.ID, nil
	case d.Kind == "resource" && d.Derivation == "constraint":
		p := d.profile()
		g.profiles[d.Type] = append(g.profiles[d.Type], p)
		return typePage(d.Type) + "#" + p.ID, nil
	}
	return "", nil
}

// readTypes makes the page of each type of the resources, and of each type that a
// profile is of.
func (g *guide) readTypes() error {
	roots, samples := map[string]*node{}, map[string]*sample{}
	for _, b := range g.in.Resources {
		tree, err := treeOf(b)
		if err != nil {
			return err
		}
		typ, _ := tree["resourceType"].(string)
		if roots[typ] == nil {
			roots[typ], samples[typ] = newNode(typ, typ), &sample{}
		}
		roots[typ].grow(tree)
		samples[typ].take(tree, b)
	}
	for typ := range g.profiles {
		if roots[typ] == nil {
			roots[typ], samples[typ] = newNode(typ, typ), &sample{}
		}
	}
	for _, root := range roots {
		root.list(g.paths)
	}
	for typ, root := range roots {
		root.define(spec.R4().Named(typ), typ)
		t := &Type{Name: typ, Why: why[typ], Profiles: g.profiles[typ], Searches: g.parameters.of(typ)}
		t.Rows = g.rows(root, t.Profiles)
		for _, r := range t.Rows {
			if !r.Holds && !g.in.Coverage.Of(r.Path).Known() {
				return fmt.Errorf("guide: nothing says where %s comes from", r.Path)
			}
		}
		t.Count = samples[typ].count
		t.Values, t.FromRecord = count(t.Rows)
		t.ExampleID, t.Example = samples[typ].id, samples[typ].json
		g.types = append(g.types, t)
	}
	slices.SortFunc(g.types, func(a, b *Type) int { return strings.Compare(a.Name, b.Name) })
	return nil
}

func treeOf(b []byte) (map[string]any, error) {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	var tree map[string]any
	if err := d.Decode(&tree); err != nil {
		return nil, fmt.Errorf("guide: a resource: %w", err)
	}
	return tree, nil
}

// sample is the resource of a type that shows most: of those with the most paths,
// the shortest, and of these the first by id.
type sample struct {
	count, paths int
	id, json     string
}

func (s *sample) take(tree map[string]any, b []byte) {
	s.count++
	id, _ := tree["id"].(string)
	var pretty bytes.Buffer
	_ = json.Indent(&pretty, b, "", "  ") // it was read
	different := map[string]bool{}
	coverage.Walk(tree, func(path string, _ any) { different[path] = true })
	paths := len(different)
	if cmp.Or(s.paths-paths, pretty.Len()-len(s.json), strings.Compare(id, s.id)) < 0 || s.json == "" {
		s.paths, s.id, s.json = paths, id, pretty.String()
	}
}
