// Package guide is the implementation guide: everything that a hub needs to know
// about the resources that the bridge publishes, as FHIR resources, and as a FHIR
// package. It gathers what the rooms of the project hold as data: profiles
// (mapping/profiles), extensions, code systems, value sets and concept maps
// (mapping/terms), protocols (mapping/followup), search parameters
// (internal/searchparam) and the CapabilityStatement (internal/hub). The examples
// are here; testdata holds a defect for each constraint of each profile.
package guide

import (
	"cmp"
	"embed"
	"encoding/json"
	"fmt"
	"path"
	"slices"
	"time"

	"nailbridge/internal/hub"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/validate/snapshot"
	"nailbridge/mapping/followup"
	"nailbridge/mapping/profiles"
	"nailbridge/mapping/terms"
)

// The package, which has versions of its own.
const (
	PackageID = "nailbridge.guide"
	Version   = "0.2.0"
	Canonical = terms.CanonicalBase // what the canonicals of its resources begin with
	title     = "Toenail surgery and its follow-up, as Nailbridge publishes them"
)

// Published is the date of the version.
var Published = time.Date(2026, 11, 28, 0, 0, 0, 0, time.UTC)

// Setting is the licence setting of what the guide holds of other code systems: the
// free set of SNOMED CT, LOINC, and HCPCS modifiers.
var Setting = terms.Setting{SnomedCT: terms.FreeSet, HCPCS: true}

//go:embed examples/*.json
var examples embed.FS

// Artifact is one resource of the guide.
type Artifact struct {
	Name    string // of its file: Type-id.json
	JSON    []byte // do not modify
	Example bool

	Head
}

// Head is what an index tells of a resource, as far as it has it.
type Head struct {
	ResourceType, ID, URL, Version, Kind, Type, Content string
	Title, Name, Description                            string
}

// Artifacts lists the resources of the guide by file name, definitions before
// examples. Profiles and extensions have their snapshots.
func Artifacts() ([]Artifact, error) {
	texts, err := everything()
	if err != nil {
		return nil, err
	}
	var out []Artifact
	for _, text := range texts {
		if out, err = add(out, text, false); err != nil {
			return nil, err
		}
	}
	sorted := func(a, b Artifact) int { return cmp.Compare(a.Name, b.Name) }
	slices.SortFunc(out, sorted)
	samples, err := readExamples()
	if err != nil {
		return nil, err
	}
	slices.SortFunc(samples, sorted)
	whole, err := implementationGuide(slices.Concat(out, samples))
	if err != nil {
		return nil, err
	}
	if out, err = add(out, whole, false); err != nil {
		return nil, err
	}
	slices.SortFunc(out, sorted)
	return append(out, samples...), nil
}

// everything is the texts of everything but the examples, with fragments of the
// code systems of others.
func everything() (out [][]byte, err error) {
	codes, err := terms.Load()
	if err != nil {
		return nil, err
	}
	if out, err = own(codes, Setting); err != nil {
		return nil, err
	}
	for _, a := range codes.Fragments(Setting) {
		out = append(out, a.JSON)
	}
	return out, nil
}

// own are our definitions under a setting, as the bridge serves them.
func own(codes *terms.Terms, s terms.Setting) (out [][]byte, err error) {
	protocols, err := followup.Artifacts()
	if err != nil {
		return nil, err
	}
	for _, a := range slices.Concat(codes.Artifacts(s), profiles.Artifacts()) {
		out = append(out, a.JSON)
	}
	for _, a := range protocols {
		out = append(out, a.JSON)
	}
	parameters, err := searchparam.Artifacts()
	if err != nil {
		return nil, err
	}
	return append(append(out, parameters...), Statement()), nil
}

// Statement is the CapabilityStatement of the read side as this version of the
// guide has it.
func Statement() []byte { return hub.SoftwareStatement("read-side", Version, Published) }

func readExamples() (out []Artifact, err error) {
	entries, err := examples.ReadDir("examples")
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		text, err := examples.ReadFile(path.Join("examples", e.Name()))
		if err != nil {
			return nil, err
		}
		if out, err = add(out, text, true); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// add appends a resource; a StructureDefinition gets its snapshot.
func add(list []Artifact, text []byte, example bool) ([]Artifact, error) {
	head, err := headOf(text)
	a := Artifact{JSON: text, Example: example, Head: head}
	if err == nil && a.ResourceType == "StructureDefinition" {
		a.JSON, err = snapshot.Add(text)
	}
	a.Name = a.ResourceType + "-" + a.ID + ".json"
	if err != nil {
		return nil, fmt.Errorf("guide: %s: %w", a.Name, err)
	}
	return append(list, a), nil
}

// headOf reads what a resource says of itself; what is no text there counts as not
// said.
func headOf(text []byte) (h Head, err error) {
	var members map[string]json.RawMessage
	err = json.Unmarshal(text, &members)
	for name, into := range map[string]*string{
		"resourceType": &h.ResourceType, "id": &h.ID, "url": &h.URL, "version": &h.Version, "kind": &h.Kind, "type": &h.Type,
		"content": &h.Content, "title": &h.Title, "name": &h.Name, "description": &h.Description,
	} {
		_ = json.Unmarshal(members[name], into)
	}
	return h, err
}

// implementationGuide is the resource that lists the others (R4
// implementationguide.html).
func implementationGuide(all []Artifact) ([]byte, error) {
	var list []any
	for _, a := range all {
		r := map[string]any{"reference": map[string]any{"reference": a.ResourceType + "/" + a.ID}, "exampleBoolean": a.Example}
		if a.Example {
			delete(r, "exampleBoolean")
			r["exampleCanonical"] = profiles.Of(a.ResourceType)
		}
		if name := cmp.Or(a.Title, a.Head.Name); name != "" {
			r["name"] = name
		}
		if a.Description != "" {
			r["description"] = a.Description
		}
		list = append(list, r)
	}
	const about = "Profiles, extensions, terminology, protocols and search parameters of the resources that the bridge publishes, with examples of an invented clinic."
	return json.Marshal(map[string]any{
		"resourceType": "ImplementationGuide", "id": PackageID, "url": Canonical + "/ImplementationGuide/" + PackageID, "version": Version, "name": "NailbridgeGuide", "title": title,
		"text":   terms.Narrate(title, about),
		"status": "active", "experimental": false, "date": Published.Format(time.DateOnly), "publisher": "Nailbridge", "description": about,
		"packageId": PackageID, "license": "Apache-2.0", "fhirVersion": []string{"4.0.1"},
		"definition": map[string]any{"resource": list},
	})
}
