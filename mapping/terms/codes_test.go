package terms_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/terms"
)

// What the other packages raise has a code here, with the same display.
func TestCodesOfOtherPackages(t *testing.T) {
	ts := terms.MustLoad()
	has := func(system, code, display string) {
		t.Helper()
		got := ts.Translate(system, record.Code(code), terms.Setting{})
		assert.Equal(t, display, got.Text, "%s#%s", system, code)
	}
	for _, c := range append(slices.Clone(safety.FlagCodes), safety.ProcessCodes...) {
		has("flag", c.Code, c.Display)
	}
	for _, c := range safety.FigureCodes {
		has("finding", c.Code, c.Display)
		assert.NoError(t, ts.Check(terms.UCUM, c.Unit, ""), c.Code)
	}
	for _, v := range followup.IssueSet.Values {
		has("flag", string(v.Code), v.Display)
	}
	for _, set := range []record.Set{followup.StatusReasonSet, followup.OutcomeSet} {
		for _, v := range set.Values {
			has("activity-reason", string(v.Code), v.Display)
		}
	}
}
