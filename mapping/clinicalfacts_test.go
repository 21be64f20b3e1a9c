package mapping

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/safety/safetytest"
	"nailbridge/mapping/terms"
)

// checked is the patient of the worked cases.
var checked = record.Identifier{System: "https://clinic.example/patient", Value: "C-1"}

// checkSettings are the settings of the worked cases under a formulary.
func checkSettings(f *safety.Formulary) Settings {
	return Settings{
		Namespace: uuid.MustParse("c0ffee00-0000-4000-8000-000000000002"), Terms: terms.MustLoad(),
		Codes: terms.Setting{HCPCS: true},
		Clinic: ClinicSettings{
			ID: "clinic", Name: "Clinic", Zone: safetytest.Zone, IdentifierBase: "https://clinic.example/id", Formulary: f,
		},
	}
}

// readBack sends a record through its bytes, so that no case feeds the fold
// what the decoder would never make.
func readBack(t *testing.T, r *record.Record) Current {
	t.Helper()
	b, err := record.Encode(r)
	require.NoError(t, err)
	d := record.Read(b, safetytest.Zone)
	require.False(t, d.Refused(), "%v", d.Findings)
	del := Delivery{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)}
	return Current{Delivery: &del}
}

// caseRecords are the records of a worked case.
func caseRecords(t *testing.T, c safetytest.Case) CaseInput {
	t.Helper()
	in := CaseInput{}
	for _, r := range c.Records("clinic", checked) {
		switch {
		case r.Record == "S-1":
			in.Surgery = readBack(t, r)
		case r.Surgery != nil:
			in.Others = append(in.Others, safety.GivenDoses(r.Record, r.Surgery, safetytest.Zone)...)
		default:
			in.Visits = append(in.Visits, readBack(t, r))
		}
	}
	return in
}

// safetyCodes are the codes that the arithmetic raises.
func safetyCodes() map[string]bool {
	out := map[string]bool{}
	for _, f := range safety.FlagCodes {
		out[f.Code] = true
	}
	return out
}

// TestClinicalFacts shows each worked case of the clinical facts, with its
// number and source, through MapCase: record in; figures, flags and notes out,
// at the levels of D2.4; each limit with a twin one step inside it. A critical
// flag is a DetectedIssue of severity high, a warning moderate, a note none.
func TestClinicalFacts(t *testing.T) {
	codes := safetyCodes()
	seen := map[string]bool{}
	for _, c := range safetytest.Cases() {
		seen[c.Check] = true
		t.Run(c.Title(), func(t *testing.T) {
			s := checkSettings(safetytest.Formulary(c.Set))
			s.Clinic.WeightConvention, s.Clinic.RiskTourniquet = c.Weight, c.RiskTourniquet()
			res, err := MapCase(s, checked, caseRecords(t, c))
			require.NoError(t, err, c.Source)
			var got, want []string
			for _, f := range res.Flags {
				if codes[f.Code] {
					got = append(got, f.Code+" "+string(f.Level))
					assert.Equal(t, severityOf(f.Level), issueSeverity(t, res.Resources, f.ID), "%s: issue of %s", c.Source, f.Code)
				}
			}
			for _, f := range c.Flags {
				want = append(want, f.Code+" "+string(f.Level))
			}
			slices.Sort(got)
			slices.Sort(want)
			assert.Equal(t, want, got, "flags; source: %s", c.Source)
			for _, w := range c.Figures {
				assertFigure(t, res, w, c.Source)
			}
			for _, f := range res.Figures {
				assert.NotContains(t, c.Never, f.Code, c.Source)
			}
		})
	}
	for _, check := range []string{"C-1", "C-2", "C-3", "C-4", "C-5", "C-6", "C-7", "C-8", "C-9", "C-10", "C-11", "C-12", "C-13", "C-14",
		"C-15", "C-16", "C-17", "C-18", "C-19", "C-20", "C-21", "C-22", "C-24", "C-25", "C-26", "C-27", "C-28", "C-29", "C-31", "C-32"} {
		assert.True(t, seen[check], "%s has a worked case", check)
	}
}

func severityOf(l Level) string {
	switch l {
	case Critical:
		return "high"
	case Warning:
		return "moderate"
	}
	return ""
}

// issueSeverity is the severity of the DetectedIssue of a flag, "" for none.
func issueSeverity(t *testing.T, rs []resource.Resource, flag string) string {
	t.Helper()
	for _, r := range rs {
		if r.Type() != "DetectedIssue" {
			continue
		}
		ids := r.Tree()["identifier"].([]any)
		if ids[0].(map[string]any)["value"] == flag {
			return r.Tree()["severity"].(string)
		}
	}
	return ""
}

// assertFigure finds a figure in the result and as a published Observation of
// the same value.
func assertFigure(t *testing.T, res Result, w safetytest.Figure, source string) {
	t.Helper()
	found := slices.ContainsFunc(res.Figures, func(f Figure) bool {
		return f.Code == w.Code && f.Value == w.Value && (w.Limit == "" || f.Limit == w.Limit) && (w.Place == "" || f.Place == w.Place)
	})
	assert.True(t, found, "figure %s %s limit %s; source: %s; have %v", w.Code, w.Value, w.Limit, source, res.Figures)
	published := slices.ContainsFunc(res.Resources, func(r resource.Resource) bool {
		q, _ := r.Tree()["valueQuantity"].(map[string]any)
		return r.Type() == "Observation" && q != nil && fmt.Sprint(q["value"]) == w.Value && hasCode(r.Tree()["code"], w.Code)
	})
	assert.True(t, published, "Observation %s %s; source: %s", w.Code, w.Value, source)
}

func hasCode(concept any, code string) bool {
	m, _ := concept.(map[string]any)
	list, _ := m["coding"].([]any)
	return slices.ContainsFunc(list, func(v any) bool { return v.(map[string]any)["code"] == code })
}
