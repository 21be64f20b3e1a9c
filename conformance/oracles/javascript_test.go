package oracles

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/oracles/npm"
	"nailbridge/internal/official"
)

// seen is what a reference in JavaScript says of one of the faults.
type seen struct{ fault, id, place string }

// seenBy are the faults that each reference can see: the walker those of invariants and of names, @medplum/core those of
// structure too. The rules are those of [faults].
var seenBy = map[Script][]seen{
	Walker: {
		{"unknown element", "UNKNOWN", "Procedure.bodySites"},
		{"ref-1: contained resource that is not there", "ref-1", "MedicationAdministration.medicationReference"},
		{"obs-6: a value and a reason for its absence", "obs-6", "Observation"},
		{"con-5: entered in error with a clinical status", "con-5", "Condition"},
		{"con-4: abated but active", "con-4", "Condition"},
		{"per-1: a period that ends before it begins", "per-1", "Procedure.performedPeriod"},
		{"ait-1: no clinical status", "ait-1", "AllergyIntolerance"},
		{"ait-2: entered in error with a clinical status", "ait-2", "AllergyIntolerance"},
		{"mad-1: a dosage with neither dose nor rate", "mad-1", "MedicationAdministration.dosage"},
		{"cpl-3: an activity with detail and reference", "cpl-3", "CarePlan.activity"},
		{"gol-1: a target without a measure", "gol-1", "Goal.target"},
		{"ppc-1: no policy", "ppc-1", "Consent"},
		{"null inside a list, on which the validator breaks", "ele-1", "Patient.name.given"},
	},
	Medplum: {
		{"required status missing", "structure", "MedicationAdministration.status"},
		{"required reference missing", "structure", "Provenance.target"},
		{"list where one is allowed", "structure", "DetectedIssue.severity"},
		{"unknown element", "structure", "Procedure.bodySites"},
		{"reference to a type that the element does not allow", "structure", "Observation.performer"},
		{"obs-6: a value and a reason for its absence", "obs-6", "Observation"},
		{"con-5: entered in error with a clinical status", "con-5", "Condition"},
		{"con-4: abated but active", "con-4", "Condition"},
		{"ait-1: no clinical status", "ait-1", "AllergyIntolerance"},
		{"ait-2: entered in error with a clinical status", "ait-2", "AllergyIntolerance"},
		{"mad-1: a dosage with neither dose nor rate", "mad-1", "MedicationAdministration.dosage"},
		{"cpl-3: an activity with detail and reference", "cpl-3", "CarePlan.activity"},
		{"gol-1: a target without a measure", "gol-1", "Goal.target"},
		{"ppc-1: no policy", "ppc-1", "Consent"},
		{"null inside a list, on which the validator breaks", "structure", "Patient.name.given"},
	},
}

// wrongUnits are no units of UCUM (ucum.org, The Unified Code for Units of Measure, its tables and syntax).
var wrongUnits = []string{"mls", "cc", "mgs", "ccm", "degC", "mm Hg", "hrs", "sec", "kgs", "ug/", "mg//mL", "mL{", "gram", "m[L]"}

// findSeeded shows that each reference in JavaScript finds the faults that it can see, alone and in a Bundle, and is silent
// about the valid twins.
func findSeeded(t *testing.T, documents [][]byte, called []string, definitions [][]byte) {
	npm.Require(t)
	for script, faults := range seenBy {
		t.Run(string(script), func(t *testing.T) {
			require.GreaterOrEqual(t, len(faults), leastFaults)
			report, err := script.Ask(t.Context(), official.CoreArchive(t), Options{Documents: documents, Definitions: definitions, Uncounted: true})
			require.NoError(t, err)
			assert.Positive(t, report.Asked)
			for i, name := range called {
				found := report.about(i)
				if strings.HasPrefix(name, "valid/") {
					assert.Empty(t, lines(found), name)
				}
				for _, f := range faults {
					if f.fault == strings.TrimSuffix(name, ", in a Bundle") {
						assert.True(t, slices.ContainsFunc(found, func(got Finding) bool { return got.ID == f.id && got.Element() == f.place }),
							"%s: want %s at %s, got:\n%s", name, f.id, f.place, lines(found))
					}
				}
			}
			for _, f := range faults {
				assert.Contains(t, called, f.fault)
			}
		})
	}
	t.Run(string(Units), findsWrongUnits)
}

func findsWrongUnits(t *testing.T) {
	require.GreaterOrEqual(t, len(wrongUnits), leastFaults)
	f := fault{twin: "Observation-volume", old: `"code": "mL"`}
	var documents [][]byte
	for _, unit := range wrongUnits {
		f.new = `"code": "` + unit + `"`
		_, edited := f.sow(t)
		documents = append(documents, edited)
	}
	f.new = `"code":"mL"`
	_, right := f.sow(t)
	report, err := Units.Ask(t.Context(), official.CoreArchive(t), Options{Documents: append(documents, right)})
	require.NoError(t, err)
	for i, unit := range wrongUnits {
		found := report.about(i)
		assert.True(t, slices.ContainsFunc(found, func(got Finding) bool { return got.Element() == "Observation.valueQuantity.code" }), unit)
	}
	assert.Empty(t, report.about(len(wrongUnits)))
}

// An element is told by its path in its resource, wherever that stands.
func TestElement(t *testing.T) {
	for _, c := range []struct{ resource, place, want string }{
		{"Goal/1", "Goal.target[0].due.ofType(date)", "Goal.target.due.ofType(date)"},
		{"Bundle/", "Bundle.entry[12].resource/*Goal/1-2*/.target[0]", "Goal.target"},
		{"Bundle/", "Bundle.entry[12].resource/*Goal/1-2*/", "Goal"},
		{"Goal/1", "Bundle.entry[3].resource.target[0]", "Goal.target"},
		{"Bundle/", "Bundle.entry[3].fullUrl", "Bundle.entry.fullUrl"},
		{"Goal/1", "Bundle.entry[3].resource", "Goal"},
	} {
		assert.Equal(t, c.want, Finding{Resource: c.resource, Place: c.place}.Element())
	}
}
