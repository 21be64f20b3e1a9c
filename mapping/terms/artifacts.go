package terms

import (
	"bytes"
	"cmp"
	"encoding/json"
	"maps"
	"slices"
	"strings"
)

// Artifact is one conformance resource of ours as JSON.
type Artifact struct {
	Type    string // FHIR resource type
	ID      string
	URL     string // canonical
	Version string
	JSON    []byte // do not modify
}

// Artifacts returns the CodeSystems, ValueSets, ConceptMaps and
// StructureDefinitions that our resources point to, sorted by type and id.
// Targets that the setting does not permit are left out of the maps, so that a
// hub never reads a code there that may not leave (D7.1).
func (t *Terms) Artifacts(s Setting) []Artifact {
	var out []Artifact
	for _, cs := range t.systems {
		told, vs := *cs, allCodes(cs)
		told.Text = narrate(cs.Title, cs.Description, cs.Concept)
		vs.Text = narrate(vs.Title, vs.Description, nil)
		out = append(out, told.artifact(told), vs.artifact(vs))
	}
	for _, m := range t.maps {
		cm := t.permitted(m, s)
		cm.Text = narrate(cm.Title, cm.Description, nil)
		out = append(out, cm.artifact(cm))
	}
	for _, sd := range t.extensions {
		told := *sd
		told.Text = narrate(sd.Title, sd.Description, nil)
		out = append(out, told.artifact(told))
	}
	slices.SortFunc(out, func(a, b Artifact) int {
		return cmp.Or(strings.Compare(a.Type, b.Type), strings.Compare(a.ID, b.ID))
	})
	return out
}

// artifact is a resource that these members are of.
func (c canonical) artifact(whole any) Artifact {
	return Artifact{c.ResourceType, c.ID, c.URL, c.Version, encode(whole)}
}

// allCodes is the value set that CodeSystem.valueSet names.
func allCodes(cs *codeSystem) valueSet {
	return valueSet{
		canonical: canonical{
			ResourceType: "ValueSet", ID: cs.ID, URL: cs.ValueSet, Version: cs.Version,
			Name: cs.Name + "ValueSet", Title: cs.Title + ": all codes", Status: cs.Status, Publisher: cs.Publisher,
			Description: "Every code of the code system of that name. " + cs.Description,
		},
		Immutable: true,
		Compose:   compose{Include: []include{{System: cs.URL}}},
	}
}

// permitted is the map without the targets that may not leave.
func (t *Terms) permitted(cm *conceptMap, s Setting) conceptMap {
	out := *cm
	out.Group = nil
	for _, g := range cm.Group {
		kept := mapGroup{Source: g.Source, Target: g.Target}
		for _, e := range g.Element {
			targets := slices.DeleteFunc(slices.Clone(e.Target), func(x mapTarget) bool {
				return !t.Permits(s, Coding{g.Target, x.Code, x.Display})
			})
			if len(targets) > 0 {
				kept.Element = append(kept.Element, mapElement{e.Code, e.Display, targets})
			}
		}
		if len(kept.Element) > 0 {
			out.Group = append(out.Group, kept)
		}
	}
	return out
}

// Former is a definition as it was published earlier: of a map without the targets
// that the setting does not permit.
func (t *Terms) Former(s Setting, text []byte) ([]byte, error) {
	cm := &conceptMap{}
	if err := json.Unmarshal(text, cm); err != nil || cm.ResourceType != "ConceptMap" {
		return text, err
	}
	return encode(t.permitted(cm, s)), nil
}

// Fragments returns CodeSystem fragments of SNOMED CT, LOINC and HCPCS with the
// codes that may leave under a setting, for a validator outside. They are not
// served.
func (t *Terms) Fragments(s Setting) []Artifact {
	var out []Artifact
	for _, f := range []struct{ id, url, name, copyright string }{
		{"snomed-ct-fragment", SNOMEDCT, "SnomedCtFragment", "SNOMED CT is copyright SNOMED International (IHTSDO). Who develops or distributes a product that includes it " +
			"must be an Affiliate, and users must be Affiliates or sub-licensees; the Global Patient Set and the IPS Free Set are CC BY 4.0."},
		{"loinc-fragment", LOINC, "LoincFragment", "LOINC is copyright Regenstrief Institute, Inc. and the LOINC Committee, available at no cost under https://loinc.org/license, " +
			"and a trademark of Regenstrief Institute, Inc."},
		{"hcpcs-fragment", HCPCS, "HcpcsFragment", "HCPCS Level II modifiers are published by the Centers for Medicare & Medicaid Services (CMS)."},
	} {
		cs := codeSystem{
			canonical: canonical{
				ResourceType: "CodeSystem", ID: f.id, URL: f.url, Name: f.name,
				Title: f.name, Status: "active", Publisher: "Nailbridge",
				Description: "The codes of this system that the bridge may send, for validation only.",
			},
			Copyright: f.copyright, CaseSensitive: true, Content: "fragment",
		}
		for _, code := range slices.Sorted(maps.Keys(t.evidence[f.url])) {
			if display := t.evidence[f.url][code].Display; t.Permits(s, Coding{f.url, code, display}) {
				cs.Concept = append(cs.Concept, concept{Code: code, Display: display})
			}
		}
		cs.Text = narrate(cs.Title, cs.Description+" "+cs.Copyright, cs.Concept)
		out = append(out, cs.artifact(cs))
	}
	return out
}

// encode marshals our own structs, which cannot fail.
func encode(v any) []byte {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		panic("terms: " + err.Error())
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n"))
}
