package oracles

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/mapping/followup"
	"nailbridge/mapping/terms"
)

// TestOracleArtifacts validates the code systems, value sets, maps and protocols that our resources point to, our search parameters,
// and each protocol as a clinic changes it. Our StructureDefinitions are loaded as definitions, which reads them strictly and makes their snapshots; as inputs the
// validator would ask for a package of the standard that it does not carry.
func TestOracleArtifacts(t *testing.T) {
	Require(t)
	definitions, err := OwnDefinitions()
	require.NoError(t, err)
	codes, err := terms.Load()
	require.NoError(t, err)
	protocols, err := followup.Artifacts()
	require.NoError(t, err)

	o := Options{Definitions: definitions, Filters: "filters/artifacts.tsv"}
	add := func(resourceType string, text []byte) {
		if resourceType != "StructureDefinition" {
			o.Documents = append(o.Documents, text)
		}
	}
	for _, a := range codes.Artifacts(terms.Setting{SnomedCT: terms.Licensed, HCPCS: true}) {
		add(a.Type, a.JSON)
	}
	for _, a := range protocols {
		add(a.Type, a.JSON)
	}
	for _, a := range protocols {
		if a.Type == "PlanDefinition" {
			add(a.Type, clinicsOwn(t, a.JSON))
		}
	}
	parameters, err := searchparam.Artifacts()
	require.NoError(t, err)
	for _, b := range parameters {
		add("SearchParameter", b)
	}
	report, err := Validate(t.Context(), o)
	require.NoError(t, err)
	assert.NoError(t, report.Err())
	t.Logf("%d resources: %v", report.Resources, report.Types)
}

// clinicsOwn is a protocol as a clinic changes and approves it, in the form in which it
// is published (D4.1): the windows close a day earlier.
func clinicsOwn(t *testing.T, program []byte) []byte {
	t.Helper()
	var tree map[string]any
	require.NoError(t, json.Unmarshal(program, &tree))
	tree["publisher"], tree["approvalDate"], tree["endorser"] = "An invented clinic", "2026-02-01", []any{map[string]any{"name": "A. Quill"}}
	windows := 0
	for _, a := range tree["action"].([]any) {
		extensions, _ := a.(map[string]any)["extension"].([]any) // of a step that groups others: none
		for _, e := range extensions {
			for _, part := range e.(map[string]any)["extension"].([]any) {
				part := part.(map[string]any)
				if length, ok := part["valueDuration"].(map[string]any); ok && part["url"] == "after" && length["value"].(float64) > 1 {
					length["value"] = length["value"].(float64) - 1
					windows++
				}
			}
		}
	}
	require.Positive(t, windows)
	b, err := json.Marshal(tree)
	require.NoError(t, err)
	p, err := followup.Own(b)
	require.NoError(t, err)
	return p.JSON
}
