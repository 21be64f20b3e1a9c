package mapping

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/profiles"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety/safetytest"
	"nailbridge/mapping/terms"
)

// These tests hold the rules of D3.2 and D5 over a fold's output; the facts are
// those of the record beside them.

// worked is the fold of the quiet surgery and one review, edited.
func worked(t *testing.T, edit func(*record.Surgery, *record.Review)) Result {
	t.Helper()
	s, pain := sittingOf(t), int64(4)
	s.Surgery.Indication = &record.Indication{Condition: "ingrowing-toenail"}
	v := visitOn(t, "R-1", "2024-03-08T09:00:00Z", func(v *record.Review) {
		v.Activity, v.Toes = "week-1", []record.ToeFindings{{Side: "left", Digit: "1", Pain: &pain, Borders: []record.BorderFindings{{Border: "lateral", WoundStage: "granulating"}}}}
	})
	edit(s.Surgery, v.Review)
	return foldChecked(t, receivedOn(t, "2024-03-01", s), receivedOn(t, "2024-03-08", v))
}

func unedited(*record.Surgery, *record.Review) {}

// coded are the resources of a type whose code has a coding of ours.
func coded(rs []resource.Resource, typ, code string) []resource.Resource {
	return slices.DeleteFunc(ofType(rs, typ), func(r resource.Resource) bool { return !hasCode(r.Tree()["code"], code) })
}

// refs are the references of an element of a resource.
func refs(r resource.Resource, element string) []string {
	var out []string
	for _, v := range at(r, element+".reference") {
		out = append(out, v.(string))
	}
	return out
}

// referredTo is the resource that a reference names.
func referredTo(t *testing.T, rs []resource.Resource, ref string) resource.Resource {
	t.Helper()
	i := slices.IndexFunc(rs, func(r resource.Resource) bool { return r.Ref().String() == ref })
	require.GreaterOrEqual(t, i, 0, ref)
	return rs[i]
}

// D3.2: what a record holds that is kept back, as a member that this format
// does not publish, reaches no resource and no flag; its change leaves the hub's
// bytes as they are, the hash of the source included.
func TestD3_2_WhatIsKeptBackLeavesTheHubsBytesUnchanged(t *testing.T) {
	fold := func(note string) (Result, string) {
		b, err := record.Encode(sittingOf(t))
		require.NoError(t, err)
		text := strings.Replace(string(b), `"surgery":{`, `"surgery":{"safeguardingNote":`+note+`,`, 1)
		d := record.Read([]byte(text), safetytest.Zone)
		require.False(t, d.Refused())
		res := foldChecked(t, Delivery{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: time.Date(2024, 3, 1, 12, 0, 0, 0, time.UTC)})
		var all strings.Builder
		for _, r := range res.Resources {
			all.WriteString(string(r.JSON()) + "\n")
		}
		sources, err := json.Marshal(res.Sources)
		require.NoError(t, err)
		fmt.Fprintf(&all, "%s %+v", sources, res.Flags)
		return res, all.String()
	}
	res, first := fold(`"Marker one"`)
	require.Len(t, levelsOf(res, "unknown-member"), 1, "the clinic is told that something was kept and not used")
	assert.NotContains(t, first, "Marker one")
	_, second := fold(`{"text":"another"}`)
	assert.Equal(t, first, second)
}

// D5.3: the agent of a matrix ablation is usedCode and usedReference to its
// Medication with strength, batch and expiry; each application is an Observation
// partOf the ablation, and the total is derived from those.
func TestD5_3_TheAgentOfAnAblation(t *testing.T) {
	res := worked(t, func(s *record.Surgery, _ *record.Review) {
		m := s.Toes[0].Borders[0].Matrix
		m.Batch, m.Expiry, m.Applications = "PH-310", safetytest.When("2027-02"), safetytest.Seconds("60", "45")
	})
	acts := coded(res.Resources, "Procedure", "chemical-ablation")
	require.Len(t, acts, 1)
	ablation := acts[0]
	assert.Contains(t, at(ablation, "usedCode.coding.code"), any("phenol"))
	used := refs(ablation, "usedReference")
	require.Len(t, used, 1)
	hasAll(t, referredTo(t, res.Resources, used[0]), map[string][]any{
		"batch.lotNumber": {"PH-310"}, "batch.expirationDate": {"2027-02"},
	})
	assert.Equal(t, "89", fmt.Sprint(at(referredTo(t, res.Resources, used[0]), "ingredient.strength.numerator.value")[0]))

	each := coded(res.Resources, "Observation", "contact-time")
	require.Len(t, each, 2)
	var seconds, ordinals, parts []string
	for _, o := range each {
		assert.Equal(t, []string{ablation.Ref().String()}, refs(o, "partOf"))
		assert.Empty(t, refs(o, "derivedFrom"))
		seconds = append(seconds, fmt.Sprint(at(o, "valueQuantity.value")[0])+fmt.Sprint(at(o, "valueQuantity.code")[0]))
		ordinals = append(ordinals, fmt.Sprint(at(o, "component.valueInteger")[0]))
		parts = append(parts, o.Ref().String())
	}
	assert.ElementsMatch(t, []string{"60s", "45s"}, seconds)
	assert.ElementsMatch(t, []string{"1", "2"}, ordinals)
	totals := coded(res.Resources, "Observation", "contact-time-total")
	require.Len(t, totals, 1)
	assert.Equal(t, "105", fmt.Sprint(at(totals[0], "valueQuantity.value")[0]))
	assert.ElementsMatch(t, parts, refs(totals[0], "derivedFrom"))
}

// D5.4, R-CONT-08: who performed and computed an Observation, what it is derived from
// and part of, and what no reference of reason may point to.
func TestD5_4_WhatObservationsAndReasonsPointTo(t *testing.T) {
	res := worked(t, unedited)
	clinic, device := only(t, res.Resources, "Organization").Ref().String(), only(t, res.Resources, "Device").Ref().String()
	plan := only(t, res.Resources, "CarePlan").Ref().String()
	computed, reviewed := 0, 0
	for _, o := range ofType(res.Resources, "Observation") {
		assert.Len(t, refs(o, "subject"), 1)
		assert.Len(t, refs(o, "encounter"), 1)
		assert.Len(t, refs(o, "performer"), 1)
		assert.True(t, o.Tree()["effectiveDateTime"] != nil || o.Tree()["_effectiveDateTime"] != nil, "effective of %s", o.Ref())
		for _, from := range refs(o, "derivedFrom") {
			assert.True(t, strings.HasPrefix(from, "Observation/"), from)
		}
		for _, of := range refs(o, "partOf") {
			assert.Regexp(t, `^(Procedure|MedicationAdministration)/`, of)
		}
		if d := refs(o, "device"); len(d) > 0 {
			computed++
			assert.Equal(t, []string{device}, d)
			assert.Equal(t, []string{clinic}, refs(o, "performer"), "a computed figure is the clinic's")
		}
		visit := referredTo(t, res.Resources, refs(o, "encounter")[0])
		if slices.Contains(at(visit, "identifier.value"), any("R-1")) {
			reviewed++
			assert.Equal(t, []string{plan}, refs(o, "basedOn"), "a review's finding")
		} else {
			assert.Empty(t, refs(o, "basedOn"))
		}
	}
	assert.Equal(t, len(res.Figures)+1, computed, "the figures, and the days since the surgery at the review")
	assert.Equal(t, 3, reviewed, "pain, stage of healing, and the days since the surgery")
	for _, x := range []struct{ typ, element string }{
		{"CarePlan", "addresses"}, {"CarePlan", "activity.detail.reasonReference"}, {"Goal", "addresses"}, {"MedicationAdministration", "reasonReference"},
	} {
		found := 0
		for _, r := range ofType(res.Resources, x.typ) {
			for _, ref := range refs(r, x.element) {
				found++
				assert.True(t, strings.HasPrefix(ref, "Condition/"), "%s.%s to %s", x.typ, x.element, ref)
			}
		}
		assert.NotZero(t, found, "%s.%s", x.typ, x.element)
	}
}

// D5.5: a volume or time not recorded leaves the dose or the effective time with
// a reason only; a strength not recorded is left out.
func TestD5_5_NotRecorded(t *testing.T) {
	given := func(edit func(*record.Agent)) (resource.Resource, resource.Resource) {
		res := worked(t, func(s *record.Surgery, _ *record.Review) { edit(&s.Toes[0].Block.Agents[0]) })
		m := only(t, res.Resources, "MedicationAdministration")
		return m, referredTo(t, res.Resources, refs(m, "medicationReference")[0])
	}
	absent := func(r resource.Resource, element string) []any {
		for _, url := range at(r, element+".extension.url") {
			assert.Equal(t, terms.ExtDataAbsentReason, url)
		}
		return at(r, element+".extension.valueCode")
	}
	m, drug := given(func(*record.Agent) {})
	assert.Equal(t, "2", fmt.Sprint(at(m, "dosage.dose.value")[0]))
	assert.NotEmpty(t, at(m, "effectiveDateTime"))
	assert.Equal(t, "20", fmt.Sprint(at(drug, "ingredient.strength.numerator.value")[0]), "2 % is 20 mg/mL (C-1)")

	m, _ = given(func(a *record.Agent) { a.ML = nil })
	assert.Equal(t, []any{"unknown"}, absent(m, "dosage.dose"))
	assert.Empty(t, at(m, "dosage.dose.value"))
	m, _ = given(func(a *record.Agent) { a.At = nil })
	assert.Equal(t, []any{"unknown"}, absent(m, "_effectiveDateTime"))
	assert.Empty(t, at(m, "effectiveDateTime"))
	m, drug = given(func(a *record.Agent) { a.Percent = nil })
	assert.Empty(t, at(drug, "ingredient.strength"), "rat-1: both parts or none")
	assert.Equal(t, "2", fmt.Sprint(at(m, "dosage.dose.value")[0]))
}

// D5.8: units are UCUM without annotations, a score is a score of unit 1, and a
// weight claims the profile of body weight.
func TestD5_8_Units(t *testing.T) {
	res := worked(t, unedited)
	n := 0
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			if unit, ok := v["unit"].(string); ok {
				n++
				assert.Equal(t, "http://unitsofmeasure.org", v["system"], unit)
				assert.NotContains(t, v["code"], "{", "UCUM annotation")
			}
			for _, x := range v {
				walk(x)
			}
		case []any:
			for _, x := range v {
				walk(x)
			}
		}
	}
	for _, r := range res.Resources {
		walk(r.Tree())
	}
	assert.Greater(t, n, 10)
	score := coded(res.Resources, "Observation", "pain-score")
	require.Len(t, score, 1)
	hasAll(t, score[0], map[string][]any{"valueQuantity.code": {"1"}, "valueQuantity.unit": {"score"}})
	weights := slices.DeleteFunc(ofType(res.Resources, "Observation"), func(r resource.Resource) bool { return len(at(r, "meta.profile")) == 1 })
	require.Len(t, weights, 1)
	hasAll(t, weights[0], map[string][]any{
		"meta.profile": {"http://hl7.org/fhir/StructureDefinition/bodyweight", profiles.Of("Observation")}, "valueQuantity.code": {"kg"}, "category.coding.code": {"vital-signs"},
	})
}

// D5.8, vs-1: R4's profile of a weight takes no time less precise than the day;
// a weight of which only the month is known keeps that month and claims our
// profile alone, and so does one of no known time.
func TestD5_8_AWeightOfAMonth(t *testing.T) {
	weight := func(at string) resource.Resource {
		res := worked(t, func(s *record.Surgery, _ *record.Review) {
			s.Weight.At, s.Start, s.End = nil, nil, nil
			if at != "" {
				s.Weight.At = safetytest.When(at)
			}
		})
		return coded(res.Resources, "Observation", "29463-7")[0]
	}
	theirs, ours := any("http://hl7.org/fhir/StructureDefinition/bodyweight"), any(profiles.Of("Observation"))
	hasAll(t, weight("2024-02"), map[string][]any{"effectiveDateTime": {"2024-02"}, "meta.profile": {ours}})
	hasAll(t, weight("2024-02-28"), map[string][]any{"effectiveDateTime": {"2024-02-28"}, "meta.profile": {theirs, ours}})
	hasAll(t, weight(""), map[string][]any{"effectiveDateTime": {}, "meta.profile": {ours}})
}

// D5.11: an open flag is tagged, since its status cannot be searched; one that
// was acknowledged is not, and its mitigation is by the person, never by the
// Device.
func TestD5_11_OpenFlags(t *testing.T) {
	s := sittingOf(t)
	s.Surgery.Toes[0].Tourniquets[0].Off = nil
	in := PatientFold{Patient: checked, Deliveries: []Delivery{receivedOn(t, "2024-03-01", s)}}
	issueOf := func(in PatientFold) (resource.Resource, Flag, []resource.Resource) {
		res, err := FoldPatient(checkSettings(nil), in)
		require.NoError(t, err)
		i := slices.IndexFunc(res.Flags, func(f Flag) bool { return f.Code == "tourniquet-release-unrecorded" })
		require.GreaterOrEqual(t, i, 0)
		j := slices.IndexFunc(res.Resources, func(r resource.Resource) bool {
			return r.Type() == "DetectedIssue" && slices.Contains(at(r, "identifier.value"), any(res.Flags[i].ID))
		})
		require.GreaterOrEqual(t, j, 0)
		return res.Resources[j], res.Flags[i], res.Resources
	}
	open, f, _ := issueOf(in)
	hasAll(t, open, map[string][]any{"meta.tag.code": {"open"}, "status": {"preliminary"}, "severity": {"high"}, "mitigation": nil})

	in.Acks = []Acknowledgement{{Case: "S-1", Flag: f.ID, InputsHash: f.InputsHash, Who: record.Person{StaffKey: "pod-9"}, Reason: "seen", At: time.Date(2024, 3, 2, 9, 0, 0, 0, time.UTC)}}
	closed, _, rs := issueOf(in)
	hasAll(t, closed, map[string][]any{"meta.tag": nil, "status": {"final"}, "mitigation.action.text": {"Acknowledged: seen"}})
	who := refs(closed, "mitigation.author")
	require.Len(t, who, 1)
	hasAll(t, referredTo(t, rs, who[0]), map[string][]any{"resourceType": {"Practitioner"}, "identifier.value": {"pod-9"}})

	in.Acks[0].InputsHash = strings.Repeat("0", 64)
	again, _, _ := issueOf(in)
	assert.Equal(t, string(open.JSON()), string(again.JSON()), "bound to other inputs: open")
}

// C-50, op 2024-03-01: +2 d 03-03 (Sunday); +7 d 03-08; +14 d 03-15; +28 d 03-29;
// +6 mo 2024-09-01; +12 mo 2025-03-01; op 2024-08-31 +6 mo 2025-02-28 (clamp).
// The twins: a Sunday moved by the clinic's setting, and the last day of August
// that needs no clamp.
func TestC50_ScheduleAfterChemicalAblation(t *testing.T) {
	for _, c := range []struct {
		op      string
		weekend string
		want    map[string]string
	}{
		{"2024-03-01", "", map[string]string{"day-2": "2024-03-03", "week-1": "2024-03-08", "week-2": "2024-03-15", "week-4": "2024-03-29", "month-6": "2024-09-01", "month-12": "2025-03-01"}},
		{"2024-03-01", "next", map[string]string{"day-2": "2024-03-04", "week-1": "2024-03-08", "month-6": "2024-09-02", "month-12": "2025-03-03"}},
		{"2024-02-29", "next", map[string]string{"day-2": "2024-03-04", "week-1": "2024-03-07"}},
		{"2024-08-31", "", map[string]string{"month-6": "2025-02-28", "month-12": "2025-08-31"}},
		{"2024-08-28", "", map[string]string{"month-6": "2025-02-28"}},
		{"2024-08-27", "", map[string]string{"month-6": "2025-02-27"}},
	} {
		s := sittingOf(t)
		s.Surgery.Start, s.Surgery.End = safetytest.When(c.op), nil
		settings := checkSettings(nil)
		settings.Clinic.DaysOff.Weekend = followup.Weekend(c.weekend)
		res, err := MapCase(settings, checked, CaseInput{Surgery: readBack(t, s)})
		require.NoError(t, err)
		require.Len(t, res.Cases, 1)
		got := map[string]string{}
		for _, a := range res.Cases[0].Activities {
			if c.want[a.ID] != "" {
				got[a.ID] = a.Target.String()
			}
			assert.Contains(t, at(only(t, res.Resources, "CarePlan"), "activity.detail.scheduledPeriod.start"), any(a.Window.First.String()), "published: %s", a.ID)
			assert.True(t, a.Proposed, "no date is booked")
		}
		assert.Equal(t, c.want, got, "op %s, weekend %q", c.op, c.weekend)
		assert.Empty(t, levelsOf(res, "no-review-planned"))
	}
	s := sittingOf(t)
	s.Surgery.Protocol = ""
	res, err := MapCase(checkSettings(nil), checked, CaseInput{Surgery: readBack(t, s)})
	require.NoError(t, err)
	assert.Empty(t, res.Cases[0].Activities, "twin: a protocol applies only if it is named (D4.1)")
	assert.Len(t, levelsOf(res, "no-review-planned"), 1)
}

// Goals: that the border heals and that the nail does not grow in again, each as
// the last word on the border has it. R4: goal-achievement and
// goal-status (https://hl7.org/fhir/R4/goal.html).
func TestGoalsFollowTheLastWord(t *testing.T) {
	type found = record.BorderFindings
	for _, c := range []struct {
		name             string
		words            []found
		stopped          bool
		healed, regrowth string // achievement and lifecycle
	}{
		{"nothing seen yet", nil, false, "in-progress active", "in-progress active"},
		{"granulating", []found{{WoundStage: "granulating"}}, false, "in-progress active", "in-progress active"},
		{"healed", []found{{WoundStage: "healed"}}, false, "achieved completed", "in-progress active"},
		{"healed by its date", []found{{HealedOn: safetytest.When("2024-03-07")}}, false, "achieved completed", "in-progress active"},
		{"healed, then open again", []found{{WoundStage: "healed", HealedOn: safetytest.When("2024-03-07")}, {WoundStage: "discharging"}}, false, "in-progress active", "in-progress active"},
		{"no regrowth, not discharged", []found{{Regrowth: "none"}}, false, "in-progress active", "in-progress active"},
		{"regrowth with symptoms", []found{{Regrowth: "symptomatic"}}, false, "in-progress active", "not-achieved active"},
		{"discharged healed without regrowth", []found{{WoundStage: "healed", Regrowth: "none", Discharge: &record.Discharge{Reason: "healed"}}}, false, "achieved completed", "achieved completed"},
		{"discharged without a word on regrowth", []found{{Discharge: &record.Discharge{Reason: "patient-choice"}}}, false, "in-progress completed", "in-progress completed"},
		{"discharged with symptoms", []found{{Regrowth: "symptomatic", Discharge: &record.Discharge{}}}, false, "in-progress completed", "not-achieved completed"},
		{"stopped", []found{{WoundStage: "healed"}}, true, "achieved cancelled", "in-progress cancelled"},
	} {
		ds := []Delivery{receivedOn(t, "2024-03-01", sittingOf(t))}
		for i, w := range c.words {
			w.Border = "lateral"
			ds = append(ds, receivedOn(t, "2024-03-20", visitOn(t, fmt.Sprintf("R-%d", i), fmt.Sprintf("2024-03-1%d", i), func(v *record.Review) {
				v.Toes = []record.ToeFindings{{Side: "left", Digit: "1", Borders: []found{w}}}
				if c.stopped {
					v.Stopped = &record.FollowUpStopped{Reason: "moved"}
				}
			})))
		}
		got := map[string]string{}
		for _, g := range ofType(foldChecked(t, ds...).Resources, "Goal") {
			name := strings.Split(at(g, "identifier.value")[0].(string), "/")[1]
			got[name] = fmt.Sprint(at(g, "achievementStatus.coding.code")[0], " ", at(g, "lifecycleStatus")[0])
		}
		assert.Equal(t, map[string]string{"healed": c.healed, "no-regrowth": c.regrowth}, got, c.name)
	}
}
