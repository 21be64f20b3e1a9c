package mapping

import (
	"fmt"
	"math/big"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/safety/safetytest"
)

// componentTexts are the texts of a component of every Observation of a figure.
func componentTexts(rs []resource.Resource, figure, component string) []string {
	var out []string
	for _, r := range rs {
		if r.Type() != "Observation" || !hasCode(r.Tree()["code"], figure) {
			continue
		}
		list, _ := r.Tree()["component"].([]any)
		for _, c := range list {
			if m := c.(map[string]any); hasCode(m["code"], component) {
				out = append(out, fmt.Sprint(m["valueString"]))
			}
		}
	}
	return out
}

// C-7: the convention, and the date of the clinic's own set with who approved
// it, are published beside each figure that was compared.
func TestC7_ConventionAndApprovalStandBesideTheFigure(t *testing.T) {
	own := safetytest.Formulary("us-label")
	own.Name, own.Title, own.Date, own.ApprovedBy = "own", "Own doses", "2026-02-01", "A. Quill"
	s := checkSettings(own)
	s.Clinic.WeightConvention = safety.WeightCapped
	c := safetytest.Case{Kg: "97", Doses: []safetytest.Dose{{Agent: "lidocaine", Percent: "2", ML: "5", Ratio: 200_000}}}
	res, err := MapCase(s, checked, caseRecords(t, c))
	require.NoError(t, err)
	for _, code := range []string{safety.DosePercent, safety.DoseRemaining, safety.DoseMaxVolume} {
		assert.Equal(t, []string{"own (of 2026-02-01, approved by A. Quill)"}, componentTexts(res.Resources, code, "limit-set"), code)
		assert.Equal(t, []string{`the lower of 7 mg/kg × 70 kg (weight capped at 70 kg, the clinic's convention after podiatry teaching slides "Local anaesthetic drugs" [read]) = 490 mg, ceiling 500 mg`},
			componentTexts(res.Resources, code, "limit-rule"), code)
	}
}

// C-20: what is computed from an implausible volume is published with the query
// beside it; of a plausible one it is published without.
func TestC20_TheQueryStandsBesideTheFigure(t *testing.T) {
	for mL, want := range map[string][]string{"6.01": {"The volume injected in one toe is over 6 mL: please check it."}, "6": nil} {
		c := safetytest.Case{Edit: func(s *record.Surgery) { s.Toes[0].Block.Agents[0].ML = safetytest.Decimal(mL) }}
		res, err := MapCase(checkSettings(safetytest.Formulary("us-label")), checked, caseRecords(t, c))
		require.NoError(t, err)
		for _, code := range []string{safety.DoseMass, safety.DoseTotal, safety.DosePercent} {
			assert.Equal(t, want, componentTexts(res.Resources, code, "value-queried"), "%s of %s mL", code, mL)
		}
	}
}

// The switch hides every figure and no flag, of every worked case.
func TestHideFiguresHidesNoFlag(t *testing.T) {
	for _, c := range safetytest.Cases() {
		s := checkSettings(safetytest.Formulary(c.Set))
		s.Clinic.WeightConvention = c.Weight
		shown, err := MapCase(s, checked, caseRecords(t, c))
		require.NoError(t, err)
		s.Clinic.HideFigures = true
		hidden, err := MapCase(s, checked, caseRecords(t, c))
		require.NoError(t, err)
		assert.Equal(t, shown.Flags, hidden.Flags, c.Title())
		assert.Empty(t, hidden.Figures, c.Title())
		issues := func(rs []resource.Resource) int {
			return len(slices.DeleteFunc(slices.Clone(rs), func(r resource.Resource) bool { return r.Type() != "DetectedIssue" }))
		}
		assert.Equal(t, issues(shown.Resources), issues(hidden.Resources), c.Title())
		for _, r := range hidden.Resources {
			for _, f := range safety.FigureCodes {
				assert.False(t, r.Type() == "Observation" && hasCode(r.Tree()["code"], f.Code), "%s: %s", c.Title(), f.Code)
			}
		}
	}
}

// C-3, C-5 and C-9 speak of whole cartridges: what fits under the published
// limit of the case, never rounded up.
func TestC3_WholeCartridgesUnderThePublishedLimit(t *testing.T) {
	for _, c := range []struct {
		check, set, kg string
		age            int
		dose           safetytest.Dose
		limit          string
		cartridgeML    string
		whole          int64
	}{
		{"C-3: strict floor of 300/44", "test-au-dental", "70", 0, safetytest.Dose{Agent: "lidocaine", Percent: "2", ML: "2.2", Ratio: 80_000}, "300", "2.2", 6},
		{"C-5: 300 mg, 2 mg/lb", "test-us-dental-low", "68.0388555", 0, safetytest.Dose{Agent: "lidocaine", Percent: "2", ML: "1.8", Ratio: 100_000}, "300", "1.8", 8},
		{"C-9: 3.88 exact", "test-canada-dental", "20", 6, safetytest.Dose{Agent: "lidocaine", Percent: "2", ML: "1.8", Ratio: 100_000}, "140", "1.8", 3},
	} {
		in := safetytest.Case{Kg: c.kg, Age: c.age, Doses: []safetytest.Dose{c.dose}}
		res, err := MapCase(checkSettings(safetytest.Formulary(c.set)), checked, caseRecords(t, in))
		require.NoError(t, err)
		i := slices.IndexFunc(res.Figures, func(f Figure) bool { return f.Code == safety.DosePercent })
		require.GreaterOrEqual(t, i, 0, c.check)
		assert.Equal(t, c.limit, res.Figures[i].Limit, c.check)
		limit, _ := new(big.Rat).SetString(res.Figures[i].Limit)
		each := safety.Mass(safetytest.Decimal(c.cartridgeML).Rat(), safetytest.Decimal(c.dose.Percent).Rat())
		assert.Equal(t, c.whole, safety.WholeUnits(limit, each), c.check)
	}
}
