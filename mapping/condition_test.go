package mapping

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// leftHallux is a sitting on borders of the left hallux.
func leftHallux(in *record.Indication, borders ...record.Code) *record.Record {
	toe := record.Toe{Side: "left", Digit: "1"}
	for _, b := range borders {
		toe.Borders = append(toe.Borders, record.Border{Border: b})
	}
	return &record.Record{Record: "S-1", Kind: "surgery", Surgery: &record.Surgery{Indication: in, Toes: []record.Toe{toe}}}
}

// reviewOf is a review of the left hallux on a date.
func reviewOf(t *testing.T, id, date string, borders ...record.BorderFindings) *record.Record {
	t.Helper()
	return &record.Record{Record: id, Kind: "review", Review: &record.Review{
		Attendance: "attended", At: when(t, date), Reviewer: &record.Person{StaffKey: "n2"},
		Toes: []record.ToeFindings{{Side: "left", Digit: "1", Borders: borders}},
	}}
}

func discharged(border record.Code, at *record.When, reason record.Code) record.BorderFindings {
	return record.BorderFindings{Border: border, Discharge: &record.Discharge{At: at, Reason: reason}}
}

func diagnosis(border, code record.Code) record.BorderFindings {
	return record.BorderFindings{Border: border, Infection: &record.Infection{Diagnosis: code}}
}

func TestIndication(t *testing.T) {
	for _, c := range []struct {
		name string
		in   record.Indication
		want map[string][]any
	}{
		{"coded", record.Indication{Condition: "ingrowing-toenail"}, map[string][]any{
			"code.coding.code": {"ingrowing-toenail", "201108001"}, "clinicalStatus.coding.code": {"active"}, "verificationStatus": nil,
			"category.coding.code": {"encounter-diagnosis"}, "stage": nil, "onsetDateTime": nil, "note": nil, "abatementDateTime": nil,
		}},
		{"con-1: stage with its system", record.Indication{Condition: "ingrowing-toenail", Stage: "IIa", StageSystem: "mozena"}, map[string][]any{
			"stage.summary.coding.code": {"IIa"}, "stage.summary.text": {"Stage IIa"}, "stage.type.coding.code": {"mozena"}}},
		{"stage without system", record.Indication{Stage: "II"}, map[string][]any{"stage.summary.text": {"Stage II"}, "stage.type": nil, "code": nil}},
		{"system without stage", record.Indication{StageSystem: "heifetz"}, map[string][]any{
			"stage.summary.extension.valueCode": {"unknown"}, "stage.type.text": {"Heifetz"}}},
		{"since a month", record.Indication{Condition: "other", Since: when(t, "2024-11")}, map[string][]any{"onsetDateTime": {"2024-11"}}},
		{"words beside a code", record.Indication{Condition: "nail-trauma", Text: "door"}, map[string][]any{"note.text": {"door"}, "code.text": {"Nail trauma"}}},
		{"words only", record.Indication{Text: "thick nail"}, map[string][]any{"code.text": {"thick nail"}, "code.coding": nil, "note": nil}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := leftHallux(&c.in, "medial")
			s.Author = &record.Person{StaffKey: "n1"}
			s.Surgery.Operator = &record.Person{StaffKey: "n2"}
			r := only(t, buildCase(t, s, nil, (*builder).conditions), "Condition")
			hasAll(t, r, c.want)
			assert.NotEqual(t, at(r, "recorder.reference"), at(r, "asserter.reference"))
			assert.NotEmpty(t, at(r, "encounter.reference"))
		})
	}
	for _, none := range []*record.Indication{nil, {}, {Text: "  "}} {
		assert.Empty(t, buildCase(t, leftHallux(none, "medial"), nil, (*builder).conditions))
	}
}

// The code of the hallux stands only when no other toe was operated on.
func TestIndicationOfOtherToes(t *testing.T) {
	s := leftHallux(&record.Indication{Condition: "ingrowing-toenail"}, "medial")
	s.Surgery.Toes = append(s.Surgery.Toes, record.Toe{Side: "left", Digit: "2"})
	r := only(t, buildCase(t, s, nil, (*builder).conditions), "Condition")
	hasAll(t, r, map[string][]any{"code.coding.code": {"ingrowing-toenail", "400200009"}, "bodySite.text": {"left hallux, medial (tibial) border", "left second toe"}})
}

// D5.1: each border is a bodySite with its toe and its own BodyStructure.
func TestD5_1_IndicationNamesEachBorder(t *testing.T) {
	rs := buildCase(t, leftHallux(&record.Indication{Condition: "other"}, "medial", "lateral", "medial"), nil, (*builder).conditions)
	r := only(t, rs, "Condition")
	sites := at(r, "bodySite.extension.valueReference.reference")
	require.Len(t, sites, 2)
	assert.NotEqual(t, sites[0], sites[1])
	assert.Len(t, ofType(rs, "BodyStructure"), 2)
	hasAll(t, r, map[string][]any{
		"bodySite.extension.url": {terms.ExtBodySite, terms.ExtBodySite},
		"bodySite.coding.code":   {"left-1", "723724004", "TA", "left-1", "723724004", "TA"},
	})
}

// con-4: abated only when resolved. D4.4: healed alone is not discharged.
func TestD4_4_IndicationResolvesWhenAllBordersAreDischarged(t *testing.T) {
	d1, d2 := when(t, "2025-04-01"), when(t, "2025-04-15")
	watched := discharged("medial", d1, "healed")
	watched.Discharge.WatchGoesOn = true
	for _, c := range []struct {
		name   string
		later  [][]record.BorderFindings
		status string
		abated []any
	}{
		{"no review", nil, "active", nil},
		{"one border only", [][]record.BorderFindings{{discharged("medial", d1, "healed")}}, "active", nil},
		{"both, the later date counts", [][]record.BorderFindings{{discharged("medial", d2, "healed")}, {discharged("lateral", d1, "healed")}}, "resolved", []any{"2025-04-15"}},
		{"one not dated", [][]record.BorderFindings{{discharged("medial", d2, "healed"), discharged("lateral", nil, "healed")}}, "resolved", nil},
		{"healed, not discharged", [][]record.BorderFindings{{{Border: "medial", HealedOn: d1}, {Border: "lateral", HealedOn: d1}}}, "active", nil},
		{"lost to follow-up", [][]record.BorderFindings{{discharged("medial", d1, "healed"), discharged("lateral", d1, "lost-to-follow-up")}}, "active", nil},
		{"watch goes on", [][]record.BorderFindings{{watched, discharged("lateral", d1, "healed")}}, "active", nil},
		{"discharged again for another reason", [][]record.BorderFindings{
			{discharged("medial", d1, "healed"), discharged("lateral", d1, "healed")}, {discharged("lateral", d2, "other")}}, "active", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			var later []*record.Record
			for i, f := range c.later {
				later = append(later, reviewOf(t, string(rune('A'+i)), "2025-04-20", f...))
			}
			rs := buildCase(t, leftHallux(&record.Indication{Condition: "other"}, "medial", "lateral"), later, (*builder).conditions)
			hasAll(t, only(t, rs, "Condition"), map[string][]any{"clinicalStatus.coding.code": {c.status}, "abatementDateTime": c.abated})
		})
	}
	// Nothing known to be operated on: nothing to resolve.
	s := &record.Record{Record: "S-1", Surgery: &record.Surgery{Indication: &record.Indication{Condition: "other"}}}
	r := only(t, buildCase(t, s, []*record.Record{reviewOf(t, "A", "2025-04-20", discharged("medial", d1, "healed"))}, (*builder).conditions), "Condition")
	hasAll(t, r, map[string][]any{"clinicalStatus.coding.code": {"active"}})
}

// complicationsBuilt gives the Conditions due to the surgery.
func complicationsBuilt(t *testing.T, surgery *record.Record, later ...*record.Record) []resource.Resource {
	t.Helper()
	return ofType(buildCase(t, surgery, later, (*builder).conditions), "Condition")
}

// Infection becomes a Condition only on a clinician's diagnosis (design, "What
// it becomes").
func TestInfectionNeedsADiagnosis(t *testing.T) {
	signs := record.BorderFindings{Border: "medial", Infection: &record.Infection{Findings: []record.Code{"pus", "spreading-redness"}}}
	assert.Empty(t, complicationsBuilt(t, leftHallux(nil, "medial"), reviewOf(t, "A", "2025-03-10", signs)))
	assert.Empty(t, complicationsBuilt(t, leftHallux(nil, "medial"), reviewOf(t, "A", "2025-03-10", diagnosis("medial", "no-infection"))))
	rs := complicationsBuilt(t, leftHallux(nil, "medial"), reviewOf(t, "A", "2025-03-10", diagnosis("medial", "wound-infection")))
	require.Len(t, rs, 1)
	b := newBuilder(buildSettings(t), buildPatient).inCase("S-1", nil, nil)
	nail := b.procedureRef("nail", record.ToeKeys([]record.Toe{{Side: "left", Digit: "1"}})[0], record.BorderKeys([]record.Border{{Border: "medial"}})[0])
	hasAll(t, rs[0], map[string][]any{
		"code.coding.code": {"wound-infection", "58126003"}, "clinicalStatus.coding.code": {"active"}, "recordedDate": {"2025-03-10"},
		"extension.url": {terms.ExtConditionDueTo}, "extension.valueReference.reference": {nail.String()},
		"bodySite.text": {"left hallux, medial (tibial) border"}, "encounter.reference": {b.encounterRef("A").String()},
		"category.coding.code": {"encounter-diagnosis"},
	})
}

func TestEveryDiagnosisBecomesAComplication(t *testing.T) {
	for _, v := range record.DiagnosisSet.Values {
		rs := complicationsBuilt(t, leftHallux(nil, "medial"), reviewOf(t, "A", "2025-03-10", diagnosis("medial", v.Code)))
		if v.Code == "no-infection" {
			assert.Empty(t, rs)
			continue
		}
		require.Len(t, rs, 1, v.Code)
		assert.Equal(t, string(v.Code), at(rs[0], "code.coding.code")[0])
	}
}

// The same diagnosis at the same border is the same complication: by its first
// record. No infection, diagnosed later at that border, resolves it.
func TestComplicationOverTime(t *testing.T) {
	first := reviewOf(t, "A", "2025-03-10", diagnosis("medial", "wound-infection"))
	again := reviewOf(t, "B", "2025-03-12", diagnosis("medial", "wound-infection"))
	elsewhere := reviewOf(t, "C", "2025-03-13", diagnosis("lateral", "no-infection"))
	gone := reviewOf(t, "D", "2025-03-14", diagnosis("medial", "no-infection"))
	burn := reviewOf(t, "E", "2025-03-09", diagnosis("medial", "chemical-burn"))
	status := func(later ...*record.Record) (all []any) {
		for _, r := range complicationsBuilt(t, leftHallux(nil, "medial", "lateral"), later...) {
			all = append(all, at(r, "clinicalStatus.coding.code")...)
			assert.Empty(t, at(r, "abatementDateTime"), "when it ended is not known")
		}
		return all
	}
	assert.Equal(t, []any{"active"}, status(first, again))
	assert.Equal(t, []any{"active"}, status(first, elsewhere))
	assert.Equal(t, []any{"resolved"}, status(first, again, gone))
	assert.Equal(t, []any{"active"}, status(first, gone, again))
	assert.Equal(t, []any{"active"}, status(burn, gone), "a burn is no infection")
	rs := complicationsBuilt(t, leftHallux(nil, "medial"), first, again)
	hasAll(t, rs[0], map[string][]any{"recordedDate": {"2025-03-10"}})
	assert.Len(t, complicationsBuilt(t, leftHallux(nil, "medial"), first, burn), 2)
}

// A border that was not operated on, and a toe as a whole: due to the sitting.
func TestComplicationElsewhereIsDueToTheSitting(t *testing.T) {
	b := newBuilder(buildSettings(t), buildPatient).inCase("S-1", nil, nil)
	for _, border := range []record.Code{"lateral", ""} {
		rs := complicationsBuilt(t, leftHallux(nil, "medial"), reviewOf(t, "A", "2025-03-10", diagnosis(border, "cellulitis")))
		require.Len(t, rs, 1)
		hasAll(t, rs[0], map[string][]any{"extension.valueReference.reference": {b.procedureRef("sitting").String()}})
	}
	// While the surgery is unknown (a waiting review) there is no cause yet.
	rs := complicationsBuilt(t, nil, reviewOf(t, "A", "2025-03-10", diagnosis("medial", "cellulitis")))
	require.Len(t, rs, 1)
	hasAll(t, rs[0], map[string][]any{"extension": nil, "bodySite.text": {"left hallux, medial (tibial) border"}})
}

func TestUntowardEvents(t *testing.T) {
	s := leftHallux(nil, "medial")
	s.Surgery.Events = &record.Events{Items: []record.Event{
		{Key: "e1", Code: "faint", Text: "short"}, {Code: "other", Text: "lamp failed"}, {Text: "only words"}, {Code: "bleeding"},
	}}
	rs := complicationsBuilt(t, s)
	require.Len(t, rs, 4)
	byText := map[any]resource.Resource{}
	b := newBuilder(buildSettings(t), buildPatient).inCase("S-1", s, nil)
	for _, r := range rs {
		byText[at(r, "code.text")[0]] = r
		hasAll(t, r, map[string][]any{"clinicalStatus": nil, "bodySite": nil, "extension.valueReference.reference": {b.procedureRef("sitting").String()}})
	}
	hasAll(t, byText["Vasovagal faint"], map[string][]any{"note.text": {"short"}})
	hasAll(t, byText["lamp failed"], map[string][]any{"note": nil, "code.coding.code": {"other", "88797001"}})
	hasAll(t, byText["only words"], map[string][]any{"note": nil, "code.coding": nil})
	hasAll(t, byText["Bleeding"], map[string][]any{"note": nil})
	assert.Len(t, b.complicationRefs(), 4)
	s.Surgery.Events = &record.Events{None: true}
	assert.Empty(t, complicationsBuilt(t, s))
}
