package oracles

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/terms"
)

// TestOracleArtifacts validates the code systems, value sets, maps and protocols that our resources point to. Our
// StructureDefinitions are loaded as definitions, which reads them strictly and makes their snapshots; as inputs the
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
	report, err := Validate(t.Context(), o)
	require.NoError(t, err)
	assert.NoError(t, report.Err())
	t.Logf("%d resources: %v", report.Resources, report.Types)
}
