package mapping

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety/safetytest"
)

// receivedOn is a delivery of a record, received at noon of a day.
func receivedOn(t *testing.T, day string, r *record.Record) Delivery {
	t.Helper()
	d := *readBack(t, r).Delivery
	at, err := time.Parse(time.DateOnly, day)
	require.NoError(t, err)
	d.Received = at.Add(12 * time.Hour)
	return d
}

// headed is a final record of the checked patient.
func headed(t *testing.T, id string, kind record.Code) *record.Record {
	t.Helper()
	r := *caseRecords(t, safetytest.Case{}).Surgery.Record
	r.Record, r.Kind, r.Surgery, r.Patient = id, kind, nil, &record.Patient{Identifier: &checked}
	return &r
}

// sittingOf is the quiet surgery with the protocol named, 1 March 2024.
func sittingOf(t *testing.T) *record.Record {
	t.Helper()
	r := headed(t, "S-1", "surgery")
	r.Surgery = safetytest.Quiet(time.Date(2024, 3, 1, 10, 0, 0, 0, time.UTC))
	r.Surgery.Protocol = "partial-avulsion-chemical-ablation"
	return r
}

func visitOn(t *testing.T, id, at string, edit func(*record.Review)) *record.Record {
	t.Helper()
	r := headed(t, id, "review")
	r.Review = &record.Review{Surgery: "S-1", Attendance: "attended", At: safetytest.When(at), Mode: "in-person"}
	edit(r.Review)
	return r
}

func foldChecked(t *testing.T, ds ...Delivery) Result {
	t.Helper()
	res, err := FoldPatient(checkSettings(nil), PatientFold{Patient: checked, Deliveries: ds})
	require.NoError(t, err)
	return res
}

// levelsOf are the levels of the flags of a code, each with its place.
func levelsOf(res Result, code string) []string {
	var out []string
	for _, f := range res.Flags {
		if f.Code == code {
			out = append(out, string(f.Level)+" "+f.Place)
		}
	}
	slices.Sort(out)
	return out
}

// D4.4: a date that lies later than the day after reception is told: critical
// where the follow-up would end or move by it, else a warning. The twin has the
// day of reception.
func TestD4_4_DatesAheadAreTold(t *testing.T) {
	discharged := func(v *record.Review, at *record.When) {
		v.Toes = []record.ToeFindings{{Side: "left", Digit: "1", Borders: []record.BorderFindings{{Border: "lateral", Discharge: &record.Discharge{At: at}}}}}
	}
	for _, c := range []struct {
		name string
		make func(year string) *record.Record
		want []string
	}{
		{"operation", func(y string) *record.Record {
			r := sittingOf(t)
			*r.Surgery = record.Surgery{Outcome: "done", Start: safetytest.When(y + "-03-08T10:00Z")}
			return r
		}, []string{"critical /surgery/start"}},
		{"not done", func(y string) *record.Record {
			r := sittingOf(t)
			*r.Surgery = record.Surgery{Outcome: "not-done", Start: safetytest.When(y + "-03-08T10:00Z")}
			return r
		}, []string{"warning /surgery/start"}},
		{"attendance", func(y string) *record.Record {
			return visitOn(t, "R-1", y+"-03-08", func(*record.Review) {})
		}, []string{"warning /review/at"}},
		{"missed review", func(y string) *record.Record {
			return visitOn(t, "R-1", y+"-03-08", func(v *record.Review) { v.Attendance = "did-not-attend" })
		}, []string{"critical /review/at"}},
		{"discharge by the review", func(y string) *record.Record {
			return visitOn(t, "R-1", y+"-03-08", func(v *record.Review) { discharged(v, nil) })
		}, []string{"critical /review/at"}},
		{"discharge of its own date", func(y string) *record.Record {
			return visitOn(t, "R-1", "2024-03-08", func(v *record.Review) { discharged(v, safetytest.When(y+"-03-08")) })
		}, []string{"critical /review/toes/0/borders/0/discharge/at"}},
		{"stop", func(y string) *record.Record {
			return visitOn(t, "R-1", "2024-03-08", func(v *record.Review) { v.Stopped = &record.FollowUpStopped{At: safetytest.When(y + "-03-08")} })
		}, []string{"critical /review/followUpStopped/at"}},
		{"healed", func(y string) *record.Record {
			return visitOn(t, "R-1", "2024-03-08", func(v *record.Review) {
				v.Toes = []record.ToeFindings{{Side: "left", Digit: "1", Borders: []record.BorderFindings{{Border: "lateral", HealedOn: safetytest.When(y + "-03-08")}}}}
			})
		}, []string{"warning /review/toes/0/borders/0/healedOn"}},
		{"death", func(y string) *record.Record {
			r := visitOn(t, "R-1", "2024-03-08", func(*record.Review) {})
			r.Patient.DeathDate = safetytest.When(y + "-03-08")
			return r
		}, []string{"critical /patient/deathDate"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			fold := func(year string) Result {
				ds := []Delivery{receivedOn(t, "2024-03-08", c.make(year))}
				if ds[0].Record.Kind != "surgery" {
					ds = append(ds, receivedOn(t, "2024-03-01", sittingOf(t)))
				}
				return foldChecked(t, ds...)
			}
			assert.Equal(t, c.want, levelsOf(fold("2062"), "date-ahead"))
			assert.Empty(t, levelsOf(fold("2024"), "date-ahead"), "twin")
		})
	}
}

// D4.4: a death recorded in a year to come neither completes the plan nor
// declares the patient dead.
func TestD4_4_ADeathAheadIsNotBelieved(t *testing.T) {
	for year, status := range map[string]string{"2062": "active", "2024": "completed"} {
		r := visitOn(t, "R-1", "2024-03-08", func(*record.Review) {})
		r.Patient.DeathDate = safetytest.When(year + "-03-08")
		res := foldChecked(t, receivedOn(t, "2024-03-01", sittingOf(t)), receivedOn(t, "2024-03-08", r))
		require.Len(t, res.Cases, 1)
		assert.Equal(t, status, res.Cases[0].Status, year)
		dead := at(only(t, res.Resources, "Patient"), "deceasedDateTime")
		assert.Equal(t, year == "2024", len(dead) == 1, year)
	}
}

// D4.1: a review planned more than two years ahead is a warning: common
// practice, no source.
func TestD4_1_PlannedYearsAheadIsTold(t *testing.T) {
	for day, want := range map[string][]string{
		"2026-03-08": nil, "2026-03-09": {"warning /review/nextReview/at"}, "2062-03-08": {"warning /review/nextReview/at"},
	} {
		r := visitOn(t, "R-1", "2024-03-08", func(v *record.Review) {
			v.NextReview = &record.PlannedReview{At: safetytest.When(day), Booked: "yes"}
		})
		res := foldChecked(t, receivedOn(t, "2024-03-01", sittingOf(t)), receivedOn(t, "2024-03-08", r))
		assert.Equal(t, want, levelsOf(res, "review-planned-far-ahead"), day)
		assert.Empty(t, levelsOf(res, "date-ahead"), "a plan lies ahead by its nature")
	}
}

// D1.1: the greatest content counts, of whatever kind. That it takes a surgery
// away is critical, and never silent.
func TestD1_1_AKindChangedUnderOneIdIsTold(t *testing.T) {
	saved := func(r *record.Record, revision int64) *record.Record {
		r.Revision = &revision
		return r
	}
	surgery := receivedOn(t, "2024-03-01", saved(sittingOf(t), 1))
	take := func(status record.Code) Delivery {
		r := saved(visitOn(t, "S-1", "2024-03-08", func(*record.Review) {}), 2)
		r.Status = status
		return receivedOn(t, "2024-03-08", r)
	}
	other := receivedOn(t, "2024-03-08", visitOn(t, "R-2", "2024-03-08", func(*record.Review) {}))
	gone := []string{"critical /record/S-1"}
	assert.Empty(t, levelsOf(foldChecked(t, surgery, other), "record-kind-changed"))
	for _, status := range []record.Code{"final", "withdrawn"} {
		res := foldChecked(t, surgery, take(status), other)
		assert.Equal(t, gone, levelsOf(res, "record-kind-changed"), status)
		assert.Empty(t, res.Cases, "by D1.1 the later content counts")
		assert.Equal(t, gone, levelsOf(foldChecked(t, other, take(status), surgery), "record-kind-changed"), "in any order")
	}
	assert.Empty(t, levelsOf(foldChecked(t, surgery, take("draft")), "record-kind-changed"), "a draft takes nothing away")

	back := receivedOn(t, "2024-03-09", saved(sittingOf(t), 3))
	res := foldChecked(t, surgery, take("final"), back)
	assert.Equal(t, []string{"warning /record/S-1"}, levelsOf(res, "record-kind-changed"), "the surgery is back, the review is not shown")
	assert.Len(t, res.Cases, 1)
}

// D4.3: a review that does not say whether the patient attended, and holds
// findings, is attended in the plan and in its encounter alike.
func TestD4_3_FindingsWithoutAttendanceAgree(t *testing.T) {
	pain := int64(3)
	for name, c := range map[string]struct {
		toes              []record.ToeFindings
		encounter, status string
	}{
		"findings": {[]record.ToeFindings{{Side: "left", Digit: "1", Pain: &pain}}, "finished", "completed"},
		"none":     {[]record.ToeFindings{{Side: "left", Digit: "1"}}, "unknown", "not-started"},
	} {
		res := foldChecked(t, receivedOn(t, "2024-03-01", sittingOf(t)), receivedOn(t, "2024-03-08", visitOn(t, "R-1", "2024-03-08", func(v *record.Review) {
			v.Attendance, v.Activity, v.Toes = "", "week-1", c.toes
		})))
		for _, e := range ofType(res.Resources, "Encounter") {
			if slices.Contains(at(e, "identifier.value"), any("R-1")) {
				hasAll(t, e, map[string][]any{"status": {c.encounter}})
			}
		}
		for _, a := range res.Cases[0].Activities {
			if a.ID == "week-1" {
				assert.Equal(t, c.status, string(a.Status), name)
				assert.Equal(t, c.status == "completed", a.Outcome == "attended", name)
			}
		}
		assert.Len(t, levelsOf(res, "attendance-not-recorded"), 1, "%s: told", name)
	}
}

// D2.4, D4.2: flags come gravest first within a case.
func TestFlagsComeGravestFirst(t *testing.T) {
	r := Result{Flags: []Flag{{Level: Note}, {Level: Warning}, {Level: Critical}, {Case: "A", Level: Note}, {Case: "A", Level: Critical}}}
	r.sort()
	var got []string
	for _, f := range r.Flags {
		got = append(got, f.Case+string(f.Level))
	}
	assert.Equal(t, []string{"critical", "warning", "note", "Acritical", "Anote"}, got)
}

// D5.9: a source that cannot be hashed is a fault of the fold, never a
// Provenance without its hash.
func TestD5_9_ASourceWithoutHashFailsTheFold(t *testing.T) {
	r := sittingOf(t)
	cur := readBack(t, r)
	cur.Record.Surgery.Note = string(make([]byte, record.MaxBytes+1))
	_, err := MapCase(checkSettings(nil), checked, CaseInput{Surgery: cur})
	assert.ErrorContains(t, err, "hash of a record")
}
