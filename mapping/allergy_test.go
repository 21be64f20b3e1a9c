package mapping

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// says is a content that makes an allergy statement.
func says(id string, status record.Code, items ...record.Allergy) *record.Record {
	return &record.Record{Record: id, Author: &record.Person{StaffKey: "n-" + id}, Surgery: &record.Surgery{
		Allergies: &record.Allergies{Status: status, Items: items},
	}}
}

func allergiesBuilt(t *testing.T, records ...*record.Record) []resource.Resource {
	t.Helper()
	return buildCase(t, nil, nil, func(b *builder) { b.allergies(standAllergies(records)) })
}

// allergyStates gives the status of each allergy by its first code or its text.
func allergyStates(rs []resource.Resource) map[any]any {
	out := map[any]any{}
	for _, r := range rs {
		name := append(at(r, "code.coding.code"), at(r, "code.text")...)[0]
		out[name] = at(r, "clinicalStatus.coding.code")[0]
		for _, v := range at(r, "verificationStatus.coding.code") {
			out[name] = v
		}
	}
	return out
}

// D1.3: an allergy stands until a later content refutes that same allergy;
// "none known" never does.
func TestD1_3_WhichAllergiesStand(t *testing.T) {
	latex, noLatex := record.Allergy{Substance: "latex"}, record.Allergy{Substance: "latex", Refuted: true}
	plum := record.Allergy{Substance: "other", Text: "Plum"}
	noPlum := record.Allergy{Substance: "other", Text: " plum ", Refuted: true}
	for _, c := range []struct {
		name         string
		in           []*record.Record
		want         map[any]any
		contradicted bool
	}{
		{"stated", []*record.Record{says("A", "present", latex)}, map[any]any{"latex": "active"}, false},
		{"refuted later", []*record.Record{says("A", "present", latex), says("B", "", noLatex)}, map[any]any{"latex": "refuted"}, false},
		{"refuted before it was stated", []*record.Record{says("A", "", noLatex), says("B", "present", latex)}, map[any]any{"latex": "active"}, false},
		{"stated and refuted in one content", []*record.Record{says("A", "present", latex, noLatex)}, map[any]any{"latex": "active"}, false},
		{"another refuted", []*record.Record{says("A", "present", latex), says("B", "", noPlum)}, map[any]any{"latex": "active", "other": "refuted"}, false},
		{"by words, whatever their case", []*record.Record{says("A", "present", plum), says("B", "", noPlum)}, map[any]any{"other": "refuted"}, false},
		{"none known later", []*record.Record{says("A", "present", latex), says("B", "none-known")}, map[any]any{"latex": "active"}, true},
		{"none known before", []*record.Record{says("A", "none-known"), says("B", "present", latex)}, map[any]any{"latex": "active"}, true},
		{"none known", []*record.Record{says("A", "none-known"), says("B", "none-known")}, map[any]any{"none-known": "active"}, false},
		{"none known and refuted", []*record.Record{says("A", "none-known"), says("B", "", noLatex)}, map[any]any{"none-known": "active", "latex": "refuted"}, false},
		{"stated without naming any", []*record.Record{says("A", "present"), says("B", "none-known")}, map[any]any{"present": "active"}, true},
		{"not asked", []*record.Record{says("A", "not-asked"), {Record: "B", Contact: &record.Contact{}}}, map[any]any{}, false},
		{"no item says anything", []*record.Record{says("A", "", record.Allergy{}, record.Allergy{Refuted: true})}, map[any]any{}, false},
		{"present, though no item says anything", []*record.Record{says("A", "present", record.Allergy{})}, map[any]any{"present": "active"}, false},
		{"a reaction to something not named", []*record.Record{says("A", "", record.Allergy{Reaction: "rash"})}, map[any]any{"present": "active"}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			assert.Equal(t, c.want, allergyStates(allergiesBuilt(t, c.in...)))
			assert.Equal(t, c.contradicted, standAllergies(c.in).contradicted())
		})
	}
}

func TestAllergyContent(t *testing.T) {
	rs := allergiesBuilt(t,
		says("A", "present", record.Allergy{Key: "a1", Substance: "lidocaine", Reaction: "rash", Criticality: "high", Text: "as a child"}),
		says("B", "present", record.Allergy{Substance: "lidocaine", Reaction: "faint", Text: "at the dentist"}),
	)
	require.Len(t, rs, 1)
	hasAll(t, rs[0], map[string][]any{
		"code.coding.code": {"lidocaine", "387480006"}, "criticality": {"high"}, "identifier": nil,
		"reaction.manifestation.text": {"rash", "faint"}, "note.text": {"as a child", "at the dentist"}, "verificationStatus": nil,
	})
	by := newBuilder(buildSettings(t), buildPatient)
	last, _ := by.practitionerRef(&record.Person{StaffKey: "n-B"})
	hasAll(t, rs[0], map[string][]any{"recorder.reference": {last.String()}, "patient.reference": {by.patientRef().String()}})
	// What was said before a refutation is not said of the allergy stated anew.
	rs = allergiesBuilt(t,
		says("A", "", record.Allergy{Substance: "latex", Reaction: "rash", Criticality: "high"}),
		says("B", "", record.Allergy{Substance: "latex", Refuted: true}),
		says("C", "", record.Allergy{Key: "k", Substance: "latex", Reaction: "itching"}),
	)
	hasAll(t, rs[0], map[string][]any{"criticality": nil, "reaction.manifestation.text": {"itching"}, "identifier.value": {"C/k"}})
	// A substance not on the list has its words, and no note repeats them.
	rs = allergiesBuilt(t, says("A", "", record.Allergy{Text: "Plum"}))
	hasAll(t, rs[0], map[string][]any{"code.text": {"Plum"}, "code.coding": nil, "note": nil})
}

// Every listed substance and criticality is published; each has its own id.
func TestEveryAllergenIsPublished(t *testing.T) {
	var items []record.Allergy
	for _, v := range record.AllergenSet.Values {
		items = append(items, record.Allergy{Substance: v.Code, Text: "x"})
	}
	rs := allergiesBuilt(t, says("A", "present", items...))
	assert.Len(t, rs, len(items))
	for _, r := range rs {
		assert.NotEmpty(t, at(r, "code.coding.code"))
	}
	for _, v := range record.CriticalitySet.Values {
		rs := allergiesBuilt(t, says("A", "", record.Allergy{Substance: "latex", Criticality: v.Code}))
		hasAll(t, rs[0], map[string][]any{"criticality": {string(v.Code)}})
	}
}

// ait-1 and ait-2: the clinical status is there exactly while the allergy is
// not entered in error.
func TestAllergyInvariants(t *testing.T) {
	for _, r := range allergiesBuilt(t, says("A", "", record.Allergy{Substance: "latex"}, record.Allergy{Substance: "iodine", Refuted: true})) {
		assert.NotEmpty(t, at(r, "clinicalStatus"))
		gone, changed, err := EnterInError(buildSettings(t), r, false)
		require.NoError(t, err)
		assert.True(t, changed)
		hasAll(t, gone, map[string][]any{"clinicalStatus": nil, "verificationStatus.coding.code": {"entered-in-error"}})
	}
}
