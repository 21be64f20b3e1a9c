package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// R-PROF-01: Procedures by patient, and by patient and date with each of ge, le,
// gt and lt and with two of them (IHE QEDm, Procedures option; the guide itself
// is not claimed). What must be found is read from the Procedures themselves.
func TestR_PROF_01_ProceduresByPatientAndDate(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-20T12:00:00Z")
	b.send("01-both-borders") // operated on 2 March
	second := saves(t, "02-two-toes")[0]
	w := b.post(bytes.ReplaceAll(second, []byte(`"P-002"`), []byte(`"P-001"`))) // the same patient again, on 7 April
	require.Less(t, w.Code, 300, w.Body)
	b.send("04-over-limit") // somebody else, on 13 April

	patient := b.search("Patient?identifier=P-001")
	require.Len(t, patient.Entry, 1)
	var who struct{ ID string }
	require.NoError(t, json.Unmarshal(patient.Entry[0].Resource, &who))
	query := "Procedure?_count=500&patient=" + who.ID
	days := procedureDays(t, b.search(query))
	assert.Contains(t, days, "2026-03-02")
	assert.Contains(t, days, "2026-04-07")
	assert.NotContains(t, days, "2026-04-13")
	for dates, holds := range map[string]func(day string) bool{
		"&date=ge2026-03-02":                    func(d string) bool { return d >= "2026-03-02" },
		"&date=gt2026-03-02":                    func(d string) bool { return d > "2026-03-02" },
		"&date=le2026-04-07":                    func(d string) bool { return d <= "2026-04-07" },
		"&date=lt2026-04-07":                    func(d string) bool { return d < "2026-04-07" },
		"&date=ge2026-03-01&date=le2026-03-31":  func(d string) bool { return d >= "2026-03-01" && d <= "2026-03-31" },
		"&date=gt2026-03-02&date=lt2026-04-08":  func(d string) bool { return d > "2026-03-02" && d < "2026-04-08" },
		"&date=gt2026-03-02&date=lt2026-04-07":  func(string) bool { return false },
		"&date=ge2026-04-01&status=in-progress": func(string) bool { return false },
	} {
		want := map[string][]string{}
		for day, ids := range days {
			if day != "" && holds(day) { // what has no date is found by none
				want[day] = ids
			}
		}
		assert.Equal(t, want, procedureDays(t, b.search(query+dates)), dates)
	}
}

// procedureDays gives the ids of the Procedures that were found by the day that
// they were performed on; "" for those of which it is not recorded.
func procedureDays(t *testing.T, found bundle) map[string][]string {
	t.Helper()
	assert.Len(t, found.Entry, found.Total, "all on one page")
	out := map[string][]string{}
	for _, e := range found.Entry {
		var p struct {
			ID                string
			PerformedDateTime string
			PerformedPeriod   struct{ Start, End string }
		}
		require.NoError(t, json.Unmarshal(e.Resource, &p))
		day := p.PerformedDateTime + p.PerformedPeriod.Start
		day = day[:min(len(day), len("2026-03-02"))]
		out[day] = append(out[day], p.ID)
		slices.Sort(out[day])
	}
	return out
}

// R-PROF-04, R-PAGE-19: the Provenances of what was found, beside it: each names a
// version of a match, and each match has one (IHE QEDm, Provenance option; the guide
// itself is not claimed). They are those that a search by target finds.
func TestR_PROF_04_ProvenanceBesideWhatWasFound(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-20T12:00:00Z")
	b.send("04-over-limit")
	found := b.search("CarePlan?_revinclude=Provenance:target")
	require.Equal(t, 1, found.Total)
	plan := strings.TrimPrefix(found.Entry[0].FullURL, "http://127.0.0.1:8470/fhir/")
	var beside []string
	for _, e := range found.Entry[1:] {
		assert.Equal(t, "include", e.Search.Mode)
		var p struct {
			ResourceType string
			Target       []struct{ Reference string }
		}
		require.NoError(t, json.Unmarshal(e.Resource, &p))
		assert.Equal(t, "Provenance", p.ResourceType)
		assert.True(t, slices.ContainsFunc(p.Target, func(r struct{ Reference string }) bool { return strings.HasPrefix(r.Reference, plan+"/_history/") }))
		beside = append(beside, e.FullURL)
	}
	var byTarget []string
	for _, e := range b.search("Provenance?target=" + plan).Entry {
		byTarget = append(byTarget, e.FullURL)
	}
	assert.Len(t, byTarget, b.search(plan+"/_history").Total, "one for each version")
	assert.ElementsMatch(t, byTarget, beside)
}

// R-CONT-08: the reviews of a plan are found by it: Observations of a day and of
// somebody, based on the plan, and their Encounters beside them.
func TestR_CONT_08_ReviewsAreFoundByTheirPlan(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-20T12:00:00Z")
	b.send("04-over-limit") // one review, on 15 April
	plans := b.search("CarePlan")
	require.Len(t, plans.Entry, 1)
	var plan struct{ ID string }
	require.NoError(t, json.Unmarshal(plans.Entry[0].Resource, &plan))
	found := b.search("Observation?_count=500&based-on=CarePlan/" + plan.ID)
	require.NotEmpty(t, found.Entry)
	for _, e := range found.Entry {
		var o struct {
			BasedOn           []struct{ Reference string }
			EffectiveDateTime string
			Performer         []struct{ Reference, Display string }
		}
		require.NoError(t, json.Unmarshal(e.Resource, &o))
		require.Len(t, o.BasedOn, 1)
		assert.Equal(t, "CarePlan/"+plan.ID, o.BasedOn[0].Reference)
		assert.Contains(t, o.EffectiveDateTime, "2026-04-15")
		assert.NotEmpty(t, o.Performer)
	}
	assert.Less(t, found.Total, b.search("Observation?_total=accurate").Total, "findings of the surgery are not based on the plan")
}

// R-TERM-02, overridden by D8.1: while releases are mixed no Coding says a
// version, SNOMED CT's or another's, under either licence setting. The goldens
// are what the program makes (TestGoldens).
func TestD8_1_R_TERM_02_NoCodingHasAVersion(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("..", "testdata", "golden", "*.json"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	systems := map[string]int{}
	for _, f := range files {
		text, err := os.ReadFile(f)
		require.NoError(t, err)
		var tree any
		require.NoError(t, json.Unmarshal(text, &tree))
		eachCoding(tree, func(c map[string]any) {
			systems[c["system"].(string)]++
			assert.NotContains(t, c, "version", "%s: %v", f, c["code"])
		})
	}
	for _, system := range []string{"http://snomed.info/sct", "http://loinc.org"} {
		assert.Positive(t, systems[system], "codings of %s were looked at", system)
	}
}

// eachCoding calls visit with every object that has a system and a code: the
// Codings, and the Quantities, which have no version either.
func eachCoding(v any, visit func(map[string]any)) {
	switch v := v.(type) {
	case map[string]any:
		_, system := v["system"].(string)
		if _, code := v["code"].(string); system && code {
			visit(v)
		}
		for _, x := range v {
			eachCoding(x, visit)
		}
	case []any:
		for _, x := range v {
			eachCoding(x, visit)
		}
	}
}
