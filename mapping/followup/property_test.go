package followup_test

import (
	"fmt"
	"regexp"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
)

var fhirID = regexp.MustCompile(`^[A-Za-z0-9\-.]{1,64}$`)

// drawer draws the parts of invented cases.
type drawer struct{ *rapid.T }

func (d drawer) one(label string, values ...string) string {
	return rapid.SampledFrom(values).Draw(d.T, label)
}

func (d drawer) code(label string, values ...string) record.Code {
	return record.Code(d.one(label, values...))
}

// when draws nothing, a day near one on which a window ends, or a time.
func (d drawer) when(label string) *record.When {
	day := time.Date(2024, 3, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rapid.IntRange(0, 80).Draw(d.T, label+" day"))
	text := day.Format(time.DateOnly)
	switch d.one(label, "day", "day", "day", "time", "instant", "month", "absent") {
	case "time":
		text += "T10:05"
	case "instant":
		text += "T23:30:00Z"
	case "month":
		text = text[:7]
	case "absent":
		return nil
	}
	w, err := record.ParseWhen(text)
	require.NoError(d.T, err)
	return &w
}

func (d drawer) planned() record.PlannedReview {
	return record.PlannedReview{Key: d.one("key", "", "k", "recall", "next"), Step: d.one("step", "", "", "week-1", "week-2", "month-6", "odd"),
		At: d.when("planned"), Booked: d.code("booked", "yes", "no", "")}
}

func (d drawer) findings() []record.ToeFindings {
	if d.one("findings", "none", "none", "some") == "none" {
		return nil
	}
	f := record.BorderFindings{Border: d.code("border", "lateral", "medial"), WoundStage: d.code("stage", "", "healed", "granulating")}
	if d.one("discharge", "none", "none", "some") == "some" {
		f.Discharge = &record.Discharge{At: d.when("discharge"), WatchGoesOn: rapid.Bool().Draw(d.T, "watch")}
	}
	return []record.ToeFindings{{Side: "left", Digit: "1", Borders: []record.BorderFindings{f}}}
}

func (d drawer) response(id string) *record.Record {
	r := &record.Record{Record: id, Status: d.code("status", "final", "final", "amended", "draft", "withdrawn")}
	var next *record.PlannedReview
	if rapid.Bool().Draw(d.T, "plans") {
		p := d.planned()
		next = &p
	}
	var stopped *record.FollowUpStopped
	if d.one("stop", "no", "no", "no", "no", "no", "yes") == "yes" {
		stopped = &record.FollowUpStopped{At: d.when("stop at"), Reason: "reason of " + id}
	}
	names := d.one("names", "", "", "week-1", "week-2", "day-2", "r1.recall", "r2.next", "s1.k", "odd")
	if d.one("kind", "review", "review", "contact") == "review" {
		r.Review = &record.Review{Attendance: d.code("attendance", "attended", "did-not-attend", "cancelled", "rebooked", ""),
			Activity: names, At: d.when("at"), NextReview: next, Stopped: stopped, Toes: d.findings()}
		return r
	}
	r.Contact = &record.Contact{Activity: names, At: d.when("at"), NextReview: next, Stopped: stopped, Toes: d.findings(),
		CountsReview: rapid.Bool().Draw(d.T, "counts")}
	return r
}

func (d drawer) input(loc *time.Location) followup.Input {
	border := func(name record.Code) record.Border {
		return record.Border{Border: name, Procedure: "partial-avulsion", Matrix: &record.Matrix{Method: "chemical-ablation"}}
	}
	s := &record.Record{Record: "s1", Status: "final", Surgery: &record.Surgery{Outcome: "done", Start: d.when("start"),
		Toes: []record.Toe{{Side: "left", Digit: "1", Borders: []record.Border{border("lateral")}}}}}
	if rapid.Bool().Draw(d.T, "both borders") {
		s.Surgery.Toes[0].Borders = append(s.Surgery.Toes[0].Borders, border("medial"))
	}
	for range rapid.IntRange(0, 3).Draw(d.T, "planned") {
		s.Surgery.PlannedReviews = append(s.Surgery.PlannedReviews, d.planned())
	}
	in := followup.Input{Surgery: s, Zone: loc, DaysOff: followup.DaysOff{Weekend: followup.Weekend(d.one("weekend", "", "next", "previous", "nearest"))}}
	if rapid.Bool().Draw(d.T, "protocol") {
		in.Protocol = partial()
	}
	for i := range rapid.IntRange(0, 6).Draw(d.T, "responses") {
		in.Responses = append(in.Responses, d.response(fmt.Sprint("r", i)))
	}
	if d.one("dies", "no", "no", "no", "yes") == "yes" {
		in.DeathDate = d.when("death")
	}
	return in
}

// D1.4: whatever the order of records and facts, the plan is the same; and the
// plan never loses a review or leaves a case without a date or a flag.
func TestD1_4_PlanIsIndependentOfOrder(t *testing.T) {
	loc := zone(t, "America/New_York")
	rapid.Check(t, func(rt *rapid.T) {
		in := drawer{rt}.input(loc)
		now := time.Date(2024, 3, 1, 0, 0, 0, 0, loc).AddDate(0, 0, rapid.IntRange(0, 400).Draw(rt, "now"))
		in.Overdue = followup.DueFacts(followup.Plan(in).Activities, in.Overdue, now)
		out := followup.Plan(in)
		require.Empty(rt, followup.DueFacts(out.Activities, in.Overdue, now), "a second tick finds nothing")
		checkPlan(rt, in, out)

		shuffled := in
		shuffled.Responses = rapid.Permutation(in.Responses).Draw(rt, "responses in another order")
		shuffled.Overdue = rapid.Permutation(in.Overdue).Draw(rt, "facts in another order")
		require.Equal(rt, out, followup.Plan(shuffled))
	})
}

func checkPlan(t *rapid.T, in followup.Input, out followup.Output) {
	byID := map[string]followup.Activity{}
	open := 0
	for _, a := range out.Activities {
		require.Regexp(t, fhirID, a.ID)
		require.NotContains(t, byID, a.ID)
		byID[a.ID] = a
		require.True(t, a.Window.Start.Before(a.Window.End), "%s: %v", a.ID, a.Window)
		require.True(t, a.Window.Holds(a.Target), a.ID)
		require.Equal(t, a.Status.Open(), a.Closed == nil, a.ID)
		if a.Status.Open() {
			open++
		}
		if a.StatusReason != "" {
			require.True(t, followup.StatusReasonSet.Has(a.StatusReason))
		}
	}
	require.Equal(t, out.Status == followup.PlanActive && open == 0, len(issues(out, followup.NoReviewPlanned)) == 1)
	if out.Status != followup.PlanActive {
		require.Zero(t, open)
	}
	for _, a := range out.Activities {
		for _, id := range a.Replaces {
			require.Equal(t, followup.Cancelled, byID[id].Status)
		}
	}
	checkResponses(t, in, out, byID)
	for _, i := range out.Issues {
		require.True(t, followup.IssueSet.Has(i.Code), i.Code)
		require.NotEmpty(t, i.Text)
		require.Equal(t, i.Final, i.Mitigation != nil)
	}
}

// checkResponses demands that every counting response closed an activity or is
// flagged, and that every missed one opened a recall, is flagged, or came when
// the plan had ended.
func checkResponses(t *rapid.T, in followup.Input, out followup.Output, byID map[string]followup.Activity) {
	flagged := map[string]bool{}
	for _, i := range out.Issues {
		switch i.Code {
		case followup.ReviewUnmatched, followup.NoAttendance, followup.NoReplacement:
			flagged[i.Record] = true
		}
	}
	replaced := map[string]bool{}
	for _, a := range out.Activities {
		for _, id := range a.Replaces {
			replaced[id] = true
		}
	}
	for _, r := range in.Responses {
		live := r.Status == "final" || r.Status == "amended"
		answers := live && (r.Review != nil || r.Contact.CountsReview)
		id, matched := out.Matches[r.Record]
		require.Equal(t, answers, matched || flagged[r.Record], "record %s", r.Record)
		if matched {
			a := byID[id]
			require.Equal(t, r.Record, a.ClosedBy())
			if a.Status == followup.Cancelled && out.Status == followup.PlanActive {
				require.True(t, replaced[id] || flagged[r.Record], "%s was closed without replacement or flag", id)
			}
		}
	}
}
