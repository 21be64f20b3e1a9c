package mapping

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/safety/safetytest"
	"nailbridge/mapping/terms"
)

// notOfTheProduct are the checks of the clinical facts, sections A to F and H, that
// are no function of what a record becomes, with the reason.
var notOfTheProduct = map[int]string{
	23: "counts of an alert's incidents over years: the bridge counts none",
	33: "the Wilson interval of a trial's recurrences: the bridge works out no rates",
	53: "ratios of reviews of trials",
	54: "ratios of series",
	56: "rates of audits",
}

// shownBeside are the checks that are shown through MapCase by tests of their own,
// beside the worked cases of TestClinicalFacts.
var shownBeside = map[int]func(*testing.T){
	50: TestC50_ScheduleAfterChemicalAblation, 51: TestC51_UnhealedIsPublished, 52: TestC52_TheDefinitionOfHealedGoesWithItsDate,
	55: TestC55_RegrowthIsNotRecurrence, 57: TestC57_TheWindowOfInfectionIsPublished, 68: TestC68_WhatAnOperationNoteLacks,
}

// Every check of the clinical facts, A to F and H, has a worked case, a test of its
// own through MapCase, or a reason why it has neither.
func TestEveryCheckOfTheClinicalFactsIsShown(t *testing.T) {
	worked := map[string]bool{}
	for _, c := range safetytest.Cases() {
		worked[c.Check] = true
		assert.NotEmpty(t, c.Source, c.Title())
	}
	for n := 1; n <= 69; n++ {
		if n >= 59 && n <= 65 {
			continue // section G: outcome and audit
		}
		ways := 0
		for _, is := range []bool{worked[fmt.Sprintf("C-%d", n)], shownBeside[n] != nil, notOfTheProduct[n] != ""} {
			if is {
				ways++
			}
		}
		assert.Equal(t, 1, ways, "C-%d", n)
	}
}

// reviewed folds the quiet sitting of 2024-03-01 with one review on a day.
func reviewed(t *testing.T, day string, sitting func(*record.Surgery), f record.BorderFindings) Result {
	t.Helper()
	s := sittingOf(t)
	if sitting != nil {
		sitting(s.Surgery)
	}
	f.Border = s.Surgery.Toes[0].Borders[0].Border
	v := visitOn(t, "R-1", day, func(v *record.Review) {
		v.Toes = []record.ToeFindings{{Side: "left", Digit: "1", Borders: []record.BorderFindings{f}}}
	})
	res, err := MapCase(checkSettings(nil), checked, CaseInput{Surgery: readBack(t, s), Visits: []Current{readBack(t, v)}})
	require.NoError(t, err)
	return res
}

// Source: C-51, leaflets on healing [read]: total avulsion unhealed at day 71 (over
// ten weeks) and partial at day 50 (over seven) are to be reviewed; a day before, not.
func TestC51_UnhealedIsPublished(t *testing.T) {
	total := func(s *record.Surgery) {
		b := &s.Toes[0].Borders[0]
		b.Procedure, b.Border = "total-avulsion", "whole"
		s.Consent.For[0].Procedure, s.Consent.For[0].Border = "total-avulsion", "whole"
	}
	for day, c := range map[string]struct {
		sitting func(*record.Surgery)
		flagged int
	}{
		"2024-05-11": {total, 1}, "2024-05-10": {total, 0}, // days 71 and 70
		"2024-04-20": {nil, 1}, "2024-04-19": {nil, 0}, // days 50 and 49
	} {
		res := reviewed(t, day, c.sitting, record.BorderFindings{WoundStage: "granulating"})
		assert.Len(t, levelsOf(res, "unhealed-late"), c.flagged, day)
		assert.Empty(t, levelsOf(reviewed(t, day, c.sitting, record.BorderFindings{WoundStage: "healed"}), "unhealed-late"), day)
	}
}

// definitions are those of the local codes of an Observation, by code.
func definitions(t *testing.T, codings []any) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, a := range terms.MustLoad().Artifacts(terms.Setting{}) {
		if a.Type != "CodeSystem" {
			continue
		}
		var cs struct {
			URL     string
			Concept []struct{ Code, Definition string }
		}
		require.NoError(t, json.Unmarshal(a.JSON, &cs))
		for _, c := range cs.Concept {
			for _, x := range codings {
				if m := x.(map[string]any); m["system"] == cs.URL && m["code"] == c.Code {
					out[c.Code] = c.Definition
				}
			}
		}
	}
	return out
}

// Source: C-52, trials of healing [read]: "healed" differs by trial, so its
// definition goes with the date: it is that of the code under which the date is
// published, in the code system that the hub serves.
func TestC52_TheDefinitionOfHealedGoesWithItsDate(t *testing.T) {
	res := reviewed(t, "2024-03-29", nil, record.BorderFindings{WoundStage: "healed", HealedOn: safetytest.When("2024-03-27")})
	dated := 0
	for _, o := range ofType(res.Resources, "Observation") {
		if fmt.Sprint(at(o, "valueDateTime")) != "[2024-03-27]" {
			continue
		}
		dated++
		said := definitions(t, at(o, "code.coding"))
		assert.Contains(t, said["healing-date"], "by no trial's definition")
	}
	assert.Equal(t, 1, dated)
}

// Source: C-55, definitions of recurrence [read]: a spicule without symptoms counts
// as regrowth, and not as symptomatic recurrence.
func TestC55_RegrowthIsNotRecurrence(t *testing.T) {
	for seen, want := range map[record.Code]struct{ goal, says string }{
		"asymptomatic": {"in-progress", "no symptomatic recurrence"},
		"symptomatic":  {"not-achieved", "symptomatic recurrence."},
	} {
		res := reviewed(t, "2025-03-01", nil, record.BorderFindings{WoundStage: "healed", Regrowth: seen})
		found := 0
		for _, o := range ofType(res.Resources, "Observation") {
			if hasCode(o.Tree()["code"], "regrowth-seen") {
				found++
				assert.True(t, hasCode(o.Tree()["valueCodeableConcept"], string(seen)))
				said := definitions(t, at(o, "valueCodeableConcept.coding"))
				assert.Contains(t, said[string(seen)], want.says)
			}
		}
		assert.Equal(t, 1, found, seen)
		for _, g := range ofType(res.Resources, "Goal") {
			if strings.Contains(at(g, "identifier.value")[0].(string), "/no-regrowth/") {
				assert.Equal(t, []any{want.goal}, at(g, "achievementStatus.coding.code"), seen)
			}
		}
	}
}

// Source: C-57, NHSN criteria [read]: of an operation on 2024-03-01 the window ends
// on 2024-03-30, day 30; an event of 03-31 is out.
func TestC57_TheWindowOfInfectionIsPublished(t *testing.T) {
	for day, want := range map[string]string{"2024-03-30": "yes", "2024-03-31": "no"} {
		res := reviewed(t, day, nil, record.BorderFindings{Infection: &record.Infection{Findings: []record.Code{"pus"}}})
		found := 0
		for _, o := range ofType(res.Resources, "Observation") {
			if hasCode(o.Tree()["code"], "infection-criteria") {
				found++
				assert.Equal(t, want == "yes", o.Tree()["valueBoolean"] == true || hasCode(o.Tree()["valueCodeableConcept"], "yes"), day)
			}
		}
		assert.Equal(t, 1, found, day)
	}
}

// Source: C-68, items of an operation note [read]: a note that lacks the
// instructions is incomplete, 18 of 19 items being 94.7 %; one that lacks nothing is
// not.
func TestC68_WhatAnOperationNoteLacks(t *testing.T) {
	for _, whole := range []bool{false, true} {
		s := sittingOf(t)
		sur := s.Surgery
		sur.Haemostasis, sur.TissueSent, sur.Dressing = "pressure", "no", "non-adherent"
		sur.Operator, sur.Events = &record.Person{StaffKey: "pod-1"}, &record.Events{None: true}
		sur.Indication = &record.Indication{Condition: "ingrowing-toenail", Stage: "II", StageSystem: "heifetz"}
		sur.Allergies, sur.Toes[0].Block.Agents[0].Batch = &record.Allergies{Status: "none-known"}, "LX-1"
		if whole {
			sur.Advice = &record.Advice{Given: "yes", Written: "yes"}
		}
		res, err := MapCase(checkSettings(nil), checked, CaseInput{Surgery: readBack(t, s)})
		require.NoError(t, err)
		var texts []string
		for _, f := range res.Flags {
			if f.Code == "record-incomplete" {
				assert.Equal(t, Note, f.Level, "told in the answer only")
				texts = append(texts, f.Text)
			}
		}
		if whole {
			assert.Empty(t, texts)
		} else if assert.Len(t, texts, 1) {
			assert.Contains(t, texts[0], "18 of 19")
			assert.Contains(t, texts[0], "94.7 %")
			assert.Contains(t, texts[0], "instructions")
		}
	}
}

// What the clinical facts call an error or a block, one by one: critical where a
// patient is exposed, else a warning (D2.4). That an injection before the time-out is
// an error (C-66) is no rule here: the sign-in may have checked the site.
func TestD2_4_ErrorsAndBlocksOneByOne(t *testing.T) {
	levels := map[string]Level{}
	for _, f := range safety.FlagCodes {
		levels[f.Code] = f.Level
	}
	for _, c := range []struct {
		check, says, flag string
		level             Level
	}{
		{"C-24", "device = glove: error", "tourniquet-glove", Critical},
		{"C-25", "off missing: error", "tourniquet-release-unrecorded", Critical},
		{"C-37", "pregnant = yes and agent phenol: block", "pregnant-with-phenol", Critical},
		{"C-47", "stage IV under Heifetz: error", "stage-of-other-system", Warning},
		{"C-49", "stage IV allowed only in this system", "stage-of-other-system", Warning},
		{"C-66", "no check before the first injection: error", "site-check-after-injection", Critical},
		{"C-66", "no check before the first cut: error", "site-check-after-cut", Critical},
		{"C-66", "no check at all: error", "site-check-missing", Critical},
		{"C-66", "other inversions: error", "times-out-of-order", Warning},
		{"C-67", "consent for another toe than was operated on: block", "consent-mismatch", Critical},
	} {
		assert.Equal(t, c.level, levels[c.flag], "%s: %s", c.check, c.says)
		raised := false
		for _, w := range safetytest.Cases() {
			for _, f := range w.Flags {
				raised = raised || f.Code == c.flag && f.Level == c.level
			}
		}
		assert.True(t, raised, "%s: a worked case raises %s", c.check, c.flag)
	}
}

// swapped gives the values of members of a name others throughout a record.
func swapped(v any, name string, to map[string]string) any {
	switch v := v.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, x := range v {
			if s, ok := x.(string); ok && k == name && to[s] != "" {
				x = to[s]
			}
			out[k] = swapped(x, name, to)
		}
		return out
	case []any:
		out := make([]any, len(v))
		for i, x := range v {
			out[i] = swapped(x, name, to)
		}
		return out
	}
	return v
}

// behindAnother puts a toe that was only looked at before those of a surgery.
func behindAnother(v any) any {
	tree := v.(map[string]any)
	if s, ok := tree["surgery"].(map[string]any); ok {
		toes, _ := s["toes"].([]any)
		s["toes"] = append([]any{map[string]any{"key": "looked-at", "side": "right", "digit": "5", "tourniquet": "not-used"}}, toes...)
	}
	return tree
}

// The rules hold wherever the toe and border are, and whichever comes first in the
// record: each worked case, moved as a whole, raises what it raised.
func TestRulesHoldOnEveryToeAndBorder(t *testing.T) {
	codes := safetyCodes()
	raised := func(c safetytest.Case, move func(any) any) (out []string) {
		in := CaseInput{}
		for _, r := range c.Records("clinic", checked) {
			b, err := record.Encode(r)
			require.NoError(t, err)
			var tree any
			require.NoError(t, json.Unmarshal(b, &tree))
			b, err = json.Marshal(move(tree))
			require.NoError(t, err)
			d := record.Read(b, safetytest.Zone)
			require.False(t, d.Refused(), "%s: %v", c.Title(), d.Findings)
			cur := readBack(t, d.Record)
			switch {
			case r.Record == "S-1":
				in.Surgery = cur
			case r.Surgery != nil:
				in.Others = append(in.Others, safety.GivenDoses(r.Record, d.Record.Surgery, safetytest.Zone)...)
			default:
				in.Visits = append(in.Visits, cur)
			}
		}
		s := checkSettings(safetytest.Formulary(c.Set))
		s.Clinic.WeightConvention, s.Clinic.RiskTourniquet = c.Weight, c.RiskTourniquet()
		res, err := MapCase(s, checked, in)
		require.NoError(t, err)
		for _, f := range res.Flags {
			if codes[f.Code] {
				out = append(out, f.Code+" "+string(f.Level))
			}
		}
		return out
	}
	for _, c := range safetytest.Cases() {
		was := raised(c, func(v any) any { return v })
		for name, move := range map[string]func(any) any{
			"the other foot": func(v any) any { return swapped(v, "side", map[string]string{"left": "right", "right": "left"}) },
			"the second toe": func(v any) any { return swapped(v, "digit", map[string]string{"1": "2", "2": "1"}) },
			"the other border": func(v any) any {
				return swapped(v, "border", map[string]string{"medial": "lateral", "lateral": "medial"})
			},
			"behind another": behindAnother,
		} {
			assert.ElementsMatch(t, was, raised(c, move), "%s, %s", c.Title(), name)
		}
	}
}
