package followup_test

import (
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	require.NoError(t, err)
	return loc
}

func when(t testing.TB, text string) *record.When {
	t.Helper()
	w, err := record.ParseWhen(text)
	require.NoError(t, err)
	return &w
}

func partial() *followup.Protocol { return followup.Lookup("partial-avulsion-chemical-ablation") }

// surgery is a partial avulsion of the left hallux's lateral border.
func surgery(t testing.TB, start string) *record.Record {
	return &record.Record{Record: "s1", Kind: "surgery", Status: "final", Surgery: &record.Surgery{
		Outcome: "done", Start: when(t, start),
		Toes: []record.Toe{{Side: "left", Digit: "1", Borders: []record.Border{{Border: "lateral", Procedure: "partial-avulsion",
			Matrix: &record.Matrix{Method: "chemical-ablation", Agent: "phenol"}}}}},
	}}
}

func find(o followup.Output, id string) *followup.Activity {
	for i := range o.Activities {
		if o.Activities[i].ID == id {
			return &o.Activities[i]
		}
	}
	return nil
}

func activity(t testing.TB, o followup.Output, id string) followup.Activity {
	t.Helper()
	a := find(o, id)
	require.NotNil(t, a, "activity %s", id)
	return *a
}

func response(id string, status record.Code) *record.Record {
	return &record.Record{Record: id, Status: status}
}

// review is a final review of s1 on the date, "" for none.
func review(t testing.TB, id, attendance, at, names string) *record.Record {
	r := response(id, "final")
	r.Kind, r.Review = "review", &record.Review{Surgery: "s1", Activity: names, Attendance: record.Code(attendance)}
	if at != "" {
		r.Review.At = when(t, at)
	}
	return r
}

func attended(t testing.TB, id, at, names string) *record.Record {
	return review(t, id, "attended", at, names)
}

func missed(t testing.TB, id, at, names string) *record.Record {
	return review(t, id, "did-not-attend", at, names)
}

func contact(t testing.TB, id, at string, counts bool) *record.Record {
	r := response(id, "final")
	r.Kind, r.Contact = "contact", &record.Contact{Surgery: "s1", At: when(t, at), CountsReview: counts}
	return r
}

// with adds the next review to a review.
func with(r *record.Record, next record.PlannedReview) *record.Record {
	r.Review.NextReview = &next
	return r
}

func booked(t testing.TB, at string) record.PlannedReview {
	return record.PlannedReview{At: when(t, at), Booked: "yes"}
}

// discharging adds the discharge of a border of the left hallux to a review.
func discharging(r *record.Record, border string, d record.Discharge) *record.Record {
	r.Review.Toes = append(r.Review.Toes, record.ToeFindings{Side: "left", Digit: "1",
		Borders: []record.BorderFindings{{Border: record.Code(border), Discharge: &d}}})
	return r
}

// plan is the plan of an operation on 2024-03-01 under the partial protocol in
// London.
func plan(t testing.TB, responses ...*record.Record) followup.Output {
	return followup.Plan(input(t, responses...))
}

func input(t testing.TB, responses ...*record.Record) followup.Input {
	return followup.Input{Surgery: surgery(t, "2024-03-01"), Responses: responses, Protocol: partial(), Zone: zone(t, "Europe/London")}
}

func issues(o followup.Output, code record.Code) []followup.Issue {
	var out []followup.Issue
	for _, i := range o.Issues {
		if i.Code == code {
			out = append(out, i)
		}
	}
	return out
}

func openIDs(o followup.Output) []string {
	var ids []string
	for _, a := range o.Activities {
		if a.Status.Open() {
			ids = append(ids, a.ID)
		}
	}
	return ids
}
