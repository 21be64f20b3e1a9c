package searchparam

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
)

// beginning are the documents whose name begins with prefix, by name.
func beginning(ds []official.Document, prefix string) map[string][]byte {
	out := map[string][]byte{}
	for _, d := range ds {
		if strings.HasPrefix(d.Name, prefix) {
			out[d.Name] = d.Text
		}
	}
	return out
}

type officialParameter struct {
	URL        string   `json:"url"`
	Code       string   `json:"code"`
	Base       []string `json:"base"`
	Type       string   `json:"type"`
	Expression string   `json:"expression"`
	Target     []string `json:"target"`
	Component  []struct {
		Definition string `json:"definition"`
	} `json:"component"`
}

// absent are parameters that R4 defines on the type's page but that its core
// package leaves out (D8.2).
var absent = []string{"BodyStructure-identifier", "BodyStructure-location", "BodyStructure-morphology", "BodyStructure-patient"}

// TestD8_2_TablesAreR4s compares every entry of the tables with the official
// SearchParameter: url, code, type, base, expression and targets.
func TestD8_2_TablesAreR4s(t *testing.T) {
	byURL := map[string]officialParameter{}
	for name, b := range beginning(official.Core(t), "SearchParameter-") {
		var p officialParameter
		require.NoError(t, json.Unmarshal(b, &p), name)
		if !strings.Contains(name, "example") {
			byURL[p.URL] = p
		}
	}
	missing := []string{}
	for _, table := range [][]Definition{common, people, care, artifacts} {
		for _, d := range table {
			if d.Own != "" {
				assert.Equal(t, "CarePlan review-due", d.Type+" "+d.Name, "our only parameter (D8.2)")
				continue
			}
			o, ok := byURL[d.URL()]
			if !ok {
				missing = append(missing, d.ID)
				continue
			}
			at := d.Type + " " + d.Name
			assert.Equal(t, o.Code, d.Name, at)
			assert.Equal(t, o.Type, string(d.Kind), at)
			assert.Contains(t, o.Base, d.Type, at)
			if d.Kind == Composite {
				assert.Equal(t, d.Expression, o.Expression, at)
				var parts []string
				for _, c := range o.Component {
					parts = append(parts, byURL[c.Definition].Code)
				}
				assert.Equal(t, strings.Join(parts, " "), d.Parts, at)
				continue
			}
			assert.Equal(t, partOf(o.Expression, d.Type), d.Expression, at)
			checkTargets(t, o, d, at)
		}
	}
	assert.ElementsMatch(t, absent, missing)
}

// R-SRCH-17: the compartment is R4's, as far as its types are stored.
func TestR_SRCH_17_PatientCompartmentIsR4s(t *testing.T) {
	var c struct {
		Resource []struct {
			Code  string
			Param []string
		}
	}
	require.NoError(t, json.Unmarshal(beginning(official.Core(t), "CompartmentDefinition-patient")["CompartmentDefinition-patient.json"], &c))
	want := map[string][]string{}
	for _, r := range c.Resource {
		if slices.Contains(CareTypes(), r.Code) && len(r.Param) > 0 {
			want[r.Code] = r.Param
		}
	}
	assert.Equal(t, want, patientCompartment)
	for typ, params := range want {
		for _, p := range params {
			d := registry[typ][p]
			if assert.NotNil(t, d, "%s %s", typ, p) {
				assert.Equal(t, Reference, d.Kind)
			}
		}
	}
}

// partOf gives the branches of an expression that begin at the type.
func partOf(expression, typ string) string {
	var out []string
	for _, branch := range strings.Split(expression, " | ") {
		if strings.HasPrefix(strings.TrimPrefix(branch, "("), typ+".") {
			out = append(out, branch)
		}
	}
	return strings.Join(out, " | ")
}

func checkTargets(t *testing.T, o officialParameter, d Definition, at string) {
	t.Helper()
	switch {
	case d.Kind != Reference:
		assert.Empty(t, d.Targets, at)
	case d.Targets == anyType:
		assert.Greater(t, len(o.Target), 100, at)
		for _, typ := range Types() {
			assert.Contains(t, o.Target, typ, at)
		}
	case d.Name == "patient":
		// The shared definition lists Group; the expression lets only Patient
		// through (search.html#reference, R-SP-27).
		assert.Equal(t, "Patient", d.Targets, at)
		assert.Contains(t, o.Target, "Patient", at)
	default:
		assert.ElementsMatch(t, o.Target, strings.Fields(d.Targets), at)
	}
}

type officialElement struct {
	Path string `json:"path"`
	Type []struct {
		Code string `json:"code"`
	} `json:"type"`
	Binding struct {
		Strength string `json:"strength"`
		ValueSet string `json:"valueSet"`
	} `json:"binding"`
}

// TestElementTypesAreR4s compares the element types and the implied systems of
// tokens with the official StructureDefinitions and value sets.
func TestElementTypesAreR4s(t *testing.T) {
	elements := officialElements(t)
	systems := officialSystems(t)
	for _, table := range [][]Definition{people, care, artifacts} {
		for _, d := range table {
			for _, branch := range strings.Split(d.Expression, " | ") {
				e, ok := elements[elementPath(branch)]
				if !assert.True(t, ok, "no element for %s", branch) {
					continue
				}
				var types []string
				for _, typ := range e.Type {
					types = append(types, typ.Code)
				}
				switch {
				case d.Kind == Token:
					assert.Contains(t, types, d.Element, branch)
				case d.Kind == Reference && d.Element == "":
					assert.Contains(t, types, "Reference", branch)
				case d.Element == "canonical":
					assert.Equal(t, []string{"canonical"}, types, branch)
				}
				if d.Element == "code" && e.Binding.ValueSet != "" { // SearchParameter.code is of no system
					assert.Equal(t, "required", e.Binding.Strength, branch)
					url, _, _ := strings.Cut(e.Binding.ValueSet, "|")
					assert.Equal(t, []string{d.System}, systems[url], branch)
				} else {
					assert.Empty(t, d.System, branch)
				}
			}
		}
	}
}

func elementPath(branch string) string {
	p, _, _ := strings.Cut(branch, ".where(")
	p, _, _ = strings.Cut(p, ".as(")
	p, _, _ = strings.Cut(strings.Trim(p, "()"), " as ")
	return p
}

func officialElements(t *testing.T) map[string]officialElement {
	t.Helper()
	out := map[string]officialElement{}
	for name, b := range beginning(official.Core(t), "StructureDefinition-") {
		typ := strings.TrimSuffix(strings.TrimPrefix(name, "StructureDefinition-"), ".json")
		if !slices.Contains(Types(), typ) && typ != "CodeableConcept" && typ != "Coding" && typ != "HumanName" {
			continue
		}
		var sd struct {
			Snapshot struct {
				Element []officialElement `json:"element"`
			} `json:"snapshot"`
		}
		require.NoError(t, json.Unmarshal(b, &sd), name)
		for _, e := range sd.Snapshot.Element {
			out[strings.TrimSuffix(e.Path, "[x]")] = e
		}
	}
	// These paths go on inside a data type.
	for _, typ := range []string{"Patient", "Practitioner"} {
		out[typ+".name.family"] = out["HumanName.family"]
		out[typ+".name.given"] = out["HumanName.given"]
	}
	out["Device.type.coding.display"] = out["Coding.display"]
	out["Device.type.text"] = out["CodeableConcept.text"]
	return out
}

func officialSystems(t *testing.T) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	for name, b := range beginning(official.Core(t), "ValueSet-") {
		var vs struct {
			URL     string `json:"url"`
			Compose struct {
				Include []struct {
					System string `json:"system"`
				} `json:"include"`
			} `json:"compose"`
		}
		require.NoError(t, json.Unmarshal(b, &vs), name)
		for _, i := range vs.Compose.Include {
			out[vs.URL] = append(out[vs.URL], i.System)
		}
		slices.Sort(out[vs.URL])
		out[vs.URL] = slices.Compact(out[vs.URL])
	}
	return out
}
