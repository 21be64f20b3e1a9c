package searchparam

import (
	"maps"
	"slices"
	"strings"

	"nailbridge/internal/fhirpath"
)

// Definition is one search parameter of one resource type as R4 defines it.
type Definition struct {
	Type string // the base type; "Resource" for those of every type
	Name string // the code used in a query
	Kind Kind
	// Element is the data type of the element for tokens ("CodeableConcept",
	// "Coding", "Identifier", "ContactPoint", "code", "boolean", "string",
	// "id"), and "canonical" for references and uris that are canonical URLs.
	Element string
	// System is the code system that a code element implies: the one its
	// required binding names (search.html#token).
	System string
	ID     string // the last part of the definition's canonical URL
	// Expression is R4's expression, of which only this type's part stands
	// here when a definition is shared by several types.
	Expression string
	Targets    string // reference: the types it may point to, space separated
	Parts      string // composite: its parts, parameters of the same type, space separated
	Own        string // the definition's URL when it is not R4's
	About      string // what it finds, of those that are not R4's

	program *fhirpath.Program
}

// anyType stands for a reference that may point to any type.
const anyType = "*"

// URL is the canonical URL of R4's own SearchParameter.
func (d *Definition) URL() string {
	if d.Own != "" {
		return d.Own
	}
	return "http://hl7.org/fhir/SearchParameter/" + d.ID
}

// targets are the types that a bare id may mean.
func (d *Definition) targets() []string {
	if d.Targets == anyType {
		return Types()
	}
	return strings.Fields(d.Targets)
}

// common are the parameters of every type (search.html#all).
var common = []Definition{
	{Type: "Resource", Name: "_id", Kind: Token, Element: "id", ID: "Resource-id", Expression: "Resource.id"},
	{Type: "Resource", Name: "_lastUpdated", Kind: Date, ID: "Resource-lastUpdated", Expression: "Resource.meta.lastUpdated"},
	{Type: "Resource", Name: "_profile", Kind: URI, Element: "canonical", ID: "Resource-profile", Expression: "Resource.meta.profile"},
	{Type: "Resource", Name: "_security", Kind: Token, Element: "Coding", ID: "Resource-security", Expression: "Resource.meta.security"},
	{Type: "Resource", Name: "_source", Kind: URI, Element: "uri", ID: "Resource-source", Expression: "Resource.meta.source"},
	{Type: "Resource", Name: "_tag", Kind: Token, Element: "Coding", ID: "Resource-tag", Expression: "Resource.meta.tag"},
}

// LastUpdatedName is the parameter that has no row of Index.Rows: the instant
// is known only to the store that commits the version.
const LastUpdatedName = "_lastUpdated"

// registry holds every type's parameters by name, those of every type among
// them.
var registry = buildRegistry()

func buildRegistry() map[string]map[string]*Definition {
	out := map[string]map[string]*Definition{}
	for _, table := range [][]Definition{people, care, artifacts} {
		for i := range table {
			d := &table[i]
			d.program = mustCompile(d.Expression)
			if out[d.Type] == nil {
				out[d.Type] = map[string]*Definition{}
			}
			out[d.Type][d.Name] = d
		}
	}
	several := map[string]*Definition{} // of a search over several types
	for i := range common {
		d := &common[i]
		d.program = mustCompile(d.Expression)
		for _, byName := range out {
			byName[d.Name] = d
		}
		if d.Name == "_id" || d.Name == LastUpdatedName {
			several[d.Name] = d
		}
	}
	out[""] = several
	return out
}

var (
	careTypes     = typesOf(people, care)
	artifactTypes = typesOf(artifacts)
	allTypes      = typesOf(people, care, artifacts)
)

func typesOf(tables ...[]Definition) []string {
	var out []string
	for _, t := range tables {
		for _, d := range t {
			out = append(out, d.Type)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Types are the resource types that can be searched, sorted.
func Types() []string { return allTypes }

// CareTypes are the types that the mapping makes, sorted.
func CareTypes() []string { return careTypes }

// ArtifactTypes are the types of definitions and code systems that resources
// point to, sorted.
func ArtifactTypes() []string { return artifactTypes }

// Definitions are the parameters of a type, sorted by name; nil for
// a type that is not searched. The slice must not be modified.
func Definitions(typ string) []*Definition { return sorted[typ] }

// sorted is the registry in the order of names.
var sorted = func() map[string][]*Definition {
	out := map[string][]*Definition{}
	for typ, byName := range registry {
		for _, name := range slices.Sorted(maps.Keys(byName)) {
			out[typ] = append(out[typ], byName[name])
		}
	}
	return out
}()
