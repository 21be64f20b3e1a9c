package safety_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/safety/safetytest"
)

// C-7: worked examples of Devine's formula as pages that restate it give them
// [via]: a man of 64 in 59.2 kg, a woman of 66 in 59.3 kg, a man of 70 in 73 kg
// and a woman 68.5 kg (one page rounds to 68).
func TestC7_IdealWeight(t *testing.T) {
	for _, c := range []struct {
		cm, kg string
		sex    record.Code
	}{{"162.56", "59.2", "male"}, {"167.64", "59.3", "female"}, {"177.8", "73", "male"}, {"177.8", "68.5", "female"}, {"177.8", "68.5", "other"}, {"152.4", "50", "male"}} {
		got := safety.IdealWeight(safetytest.Decimal(c.cm).Rat(), c.sex)
		assert.Zero(t, got.Cmp(safetytest.Decimal(c.kg).Rat()), "%s cm %s: %s kg, want %s", c.cm, c.sex, got.FloatString(3), c.kg)
	}
}

// C-7, D2.4: a limit passed by the ideal weight alone is a note that says why;
// the weight multiplied is an input, so that another height reopens the flag.
func TestC7_ALimitByAWeightNotReadIsANote(t *testing.T) {
	flag := func(cm string) *safety.Flag {
		in := input("test-podiatry-uncapped", dose("lidocaine", "2", "11", "none", begin))
		in.WeightKg, in.HeightCm, in.Sex, in.Weight = safetytest.Decimal("120"), safetytest.Decimal(cm), "male", safety.WeightIdeal
		return flagOf(safety.Dose(in), safety.DoseOverLimit)
	}
	f := flag("177.8")
	require.NotNil(t, f)
	assert.Equal(t, record.LevelNote, f.Level)
	assert.Equal(t, safety.TagVia, f.Tag)
	assert.Contains(t, f.Text, "3 mg/kg × 73 kg (ideal body weight at 177.8 cm")
	assert.Contains(t, f.Inputs, safety.Input{Name: "weight multiplied", Value: "73", Unit: "kg"})
	shorter := flag("170")
	require.NotNil(t, shorter)
	assert.NotEqual(t, f.InputsHash(), shorter.InputsHash())
}

// C-7: the set's own cap and the clinic's convention hold together: the lower.
func TestC7_TheLowerOfTwoCaps(t *testing.T) {
	for capKg, want := range map[string]string{"60": "120", "90": "140"} {
		in := input("au-toxicology", dose("bupivacaine", "0.5", "2", "none", begin))
		in.Formulary.WeightCapKg = safetytest.Decimal(capKg).Rat()
		in.WeightKg, in.Weight = safetytest.Decimal("97"), safety.WeightCapped
		r := safety.Dose(in)
		require.NotEmpty(t, figureOf(r, safety.DosePercent))
		for _, f := range r.Figures {
			if f.Code == safety.DosePercent {
				assert.Equal(t, want, f.Limit, "set's cap %s kg", capKg)
			}
		}
	}
}

// C-19: an unrecorded time leaves a dose within every window.
func TestC19_AWindowCountsADoseOfUnknownHour(t *testing.T) {
	in := input("bs-formulary", dose("bupivacaine", "0.5", "14", "none", begin))
	other := dose("bupivacaine", "0.5", "14.01", "none", begin.AddDate(0, 0, -1))
	other.Record, other.To = "s-1", begin.AddDate(0, 0, 1)
	in.Others = []safety.GivenDose{other}
	f := flagOf(safety.Dose(in), safety.DoseOverLimit)
	require.NotNil(t, f, "140.05 mg may be of one 4 h")
	assert.Contains(t, f.Text, "140.05 mg over 4 h of this visit and 1 other dose in this clinic's records")
}
