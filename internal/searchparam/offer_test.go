package searchparam

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What is withheld is as unknown as what does not exist, wherever it is named, and
// a composite goes with its parts.
func TestWithheldParametersAreUnknown(t *testing.T) {
	o := &Offer{}
	x := Index{Base: "https://bridge.example/fhir", Offer: o}
	queries := []Pair{{"patient", "Patient/p"}, {"patient:identifier", "s|v"}, {"patient.birthdate", "1980"}, {"code-value-quantity", "x$5"}}
	for _, p := range queries {
		_, problems := x.Parse("Observation", []Pair{p})
		require.Empty(t, problems, p.Name)
	}
	assert.Contains(t, x.Includes("Observation"), "Observation:patient")
	o.Withhold([]string{"Observation.patient", "Observation.value-quantity"})
	for _, p := range queries {
		_, problems := x.Parse("Observation", []Pair{p})
		require.Len(t, problems, 1, p.Name)
		assert.Equal(t, Unknown, problems[0].Weight, p.Name)
	}
	assert.NotContains(t, x.Includes("Observation"), "Observation:patient")
	assert.NotContains(t, x.RevIncludes("Patient"), "Observation:patient")
	_, problem := x.ParseInclude("Observation", "Observation:patient", false)
	assert.NotNil(t, problem)
	_, _, sorts := x.Sortable("Observation", "patient")
	assert.False(t, sorts)
	assert.False(t, x.Offers([]string{"Observation.subject", "Observation.patient"}))
	_, problems := x.Parse("Procedure", []Pair{{"patient", "Patient/p"}})
	assert.Empty(t, problems, "of another type it is offered")
	o.Withhold([]string{"Goal._id"})
	_, problems = x.Parse("", []Pair{{"_id", "x"}})
	assert.NotEmpty(t, problems, "a search over several types needs it of each")
	o.Withhold(nil)
	_, problems = x.Parse("Observation", queries[:1])
	assert.Empty(t, problems)
}

// Rows rest on the base, the zone and each definition; which of them changed is
// told apart.
func TestMadeTellsWhatChanged(t *testing.T) {
	now := Index{Base: "https://a.example/fhir"}.Made()
	assert.NotEqual(t, now.All, Index{Base: "https://b.example/fhir"}.Made().All)
	assert.Empty(t, now.Behind(now))
	was := Index{Base: "https://a.example/fhir"}.Made()
	delete(was.Each, "CarePlan.review-due")
	was.Each["Goal.patient"] = "another"
	assert.Equal(t, []string{"CarePlan.review-due", "Goal.patient"}, was.Behind(now))
	was.Each["Goal.of-another-release"] = "another"
	assert.NotEqual(t, now.Digest(), was.Digest())
	still := was.Still(now)
	assert.Equal(t, was.All, still.All)
	assert.Equal(t, was.Behind(now), still.Behind(now))
	assert.Len(t, still.Each, len(now.Each)-2)
	assert.NotContains(t, still.Each, "Goal.of-another-release")
	assert.Equal(t, now, now.Still(now))
	assert.NotContains(t, now.Each, "CarePlan._lastUpdated", "which the store alone knows")
}
