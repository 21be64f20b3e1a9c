package guide_test

import (
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/oracles"
)

// TestOracleBattery: HL7's Java validator finds each defect under its profile, and
// nothing wrong under the profile without the one constraint. One process holds all
// profiles, which it makes the snapshots of by itself, and all lines.
func TestOracleBattery(t *testing.T) {
	oracles.Require(t)
	all := sowAll(t)
	definitions, err := oracles.OwnDefinitions()
	require.NoError(t, err)
	report, err := oracles.Validate(t.Context(), oracles.Options{
		Documents: slices.Concat(all.full, all.less), Definitions: slices.Concat(definitions, all.variants),
	})
	require.NoError(t, err)
	errors := map[string][]oracles.Finding{}
	for _, f := range report.Findings {
		if f.Level == oracles.Error || f.Level == oracles.Fatal {
			errors[f.Input] = append(errors[f.Input], f)
		}
	}
	for i, d := range all.defects {
		full, less := fmt.Sprintf("documents.ndjson:%d", i+1), fmt.Sprintf("documents.ndjson:%d", len(all.full)+i+1)
		assert.NotEmpty(t, errors[full], "%s is not found", d.constraint)
		assert.Empty(t, errors[less], "without %s there is still something wrong", d.constraint)
	}
	t.Logf("%d lines, each under its profile and under one without the constraint", len(all.defects))
}
