package followup_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
)

// The expected values here follow from the decision point in each test's name;
// windows and recall intervals are the protocol's data (common practice, no
// source).

func TestD4_1_ActivityIDIsTheStepOrTheRecordAndItemKey(t *testing.T) {
	in := input(t,
		with(attended(t, "r1", "2024-03-08", "week-1"), record.PlannedReview{Key: "extra", At: when(t, "2024-03-11"), Booked: "yes"}),
		missed(t, "r2", "2024-03-15", "week-2"))
	in.Surgery.Surgery.PlannedReviews = []record.PlannedReview{
		{Key: "b1", At: when(t, "2024-03-20"), Booked: "yes"},
		{At: when(t, "2024-03-21")},
	}
	out := followup.Plan(in)
	var ids []string
	for _, a := range out.Activities {
		ids = append(ids, a.ID)
	}
	assert.ElementsMatch(t, []string{"day-2", "week-1", "week-2", "week-4", "week-7", "month-6", "month-12",
		"r1.extra", "r2.recall", "s1.b1", "s1.next"}, ids)
}

// D4.1, R-DATA-09: the id of an activity that a record opened has the form of a FHIR id
// and is no other's.
func TestD4_1_OpenedIDsAreFHIRIDsAndNeverCollide(t *testing.T) {
	pairs := [][2]string{{"a", "b"}, {"a.b", "c"}, {"a", "b.c"}, {"a.", "b"}, {"a", ".b"}, {"a..2E", "b"}, {"a", "..2Eb"}, {"A", "b"}, {"a b", "c"},
		{"a/b", "c"}, {"ä", "c"}, {"a", strings.Repeat("x", 100)}, {"a" + strings.Repeat("x", 100), "x"}, {"a", strings.Repeat("x", 61)}, {"a", strings.Repeat("x", 62)}}
	seen := map[string][2]string{}
	for _, p := range pairs {
		id := followup.OpenedID(p[0], p[1])
		assert.Regexp(t, `^[A-Za-z0-9\-.]{1,64}$`, id) // https://hl7.org/fhir/R4/datatypes.html#id
		assert.NotContains(t, seen, id, "%q and %q", seen[id], p)
		assert.True(t, strings.Contains(id, ".") || len(id) == 64, "%s could be a step", id)
		seen[id] = p
	}
	assert.Equal(t, "rev-7.n1", followup.OpenedID("rev-7", "n1"))
}

func TestD4_1_WithoutAProtocolNamedNoneApplies(t *testing.T) {
	in := input(t)
	in.Protocol = nil
	out := followup.Plan(in)
	assert.Empty(t, out.Activities)
	assert.Equal(t, followup.PlanActive, out.Status)
	assert.Nil(t, followup.Lookup(""))
	assert.Nil(t, followup.Lookup("unknown"))
}

func TestD4_1_ABookedDateReplacesTheWindow(t *testing.T) {
	in := input(t)
	in.Surgery.Surgery.PlannedReviews = []record.PlannedReview{
		{Step: "week-1", At: when(t, "2024-03-09T10:30"), Booked: "yes", Mode: "telephone", With: &record.Person{StaffKey: "n1"}}}
	a := activity(t, followup.Plan(in), "week-1")
	assert.Equal(t, followup.Scheduled, a.Status)
	assert.False(t, a.Proposed)
	assert.Equal(t, "2024-03-09", a.Window.First.String())
	assert.Equal(t, "2024-03-09", a.Window.Last.String())
	assert.Equal(t, "2024-03-09T10:30", a.At.String())
	assert.Equal(t, record.Code("telephone"), a.Mode)
	assert.Equal(t, "n1", a.Performer.StaffKey)
	assert.Equal(t, "s1", a.BookedBy)

	t.Run("one not booked is proposed and keeps the days around it", func(t *testing.T) {
		in.Surgery.Surgery.PlannedReviews[0].Booked = ""
		a := activity(t, followup.Plan(in), "week-1")
		assert.Equal(t, followup.NotStarted, a.Status)
		assert.True(t, a.Proposed)
		assert.Equal(t, "2024-03-07", a.Window.First.String())
		assert.Equal(t, "2024-03-12", a.Window.Last.String())
	})
	t.Run("a later record books again", func(t *testing.T) {
		next := booked(t, "2024-03-30")
		next.Step = "week-4"
		a := activity(t, plan(t, with(attended(t, "r1", "2024-03-08", "week-1"), next)), "week-4")
		assert.Equal(t, "2024-03-30", a.Window.First.String())
		assert.Equal(t, "r1", a.BookedBy)
	})
	t.Run("a step booked twice in one record opens its own", func(t *testing.T) {
		two := booked(t, "2024-03-10")
		two.Step = "week-1"
		in.Surgery.Surgery.PlannedReviews = append(in.Surgery.Surgery.PlannedReviews, two)
		assert.Equal(t, "2024-03-10", activity(t, followup.Plan(in), "s1.next").Window.First.String())
	})
	t.Run("a step already answered opens its own", func(t *testing.T) {
		next := booked(t, "2024-03-12")
		next.Step = "week-1"
		out := plan(t, with(attended(t, "r1", "2024-03-08", "week-1"), next))
		a := activity(t, out, "r1.next")
		assert.Equal(t, "week-1", a.Step)
		assert.Equal(t, followup.Completed, activity(t, out, "week-1").Status)
	})
}

func TestD4_1_APlannedReviewWithoutStepOpensItsOwnActivity(t *testing.T) {
	in := input(t)
	in.Protocol = nil
	in.Surgery.Surgery.PlannedReviews = []record.PlannedReview{{Key: "k", At: when(t, "2024-03-09")}, {Key: "u"}, {Key: "w", Step: "week-1", At: when(t, "2024-03-10")}}
	out := followup.Plan(in)
	assert.Equal(t, []string{"s1.k", "s1.w"}, openIDs(out))
	assert.Len(t, issues(out, followup.PlannedUndated), 1)
	assert.Len(t, issues(out, followup.StepUnknown), 1)
	assert.Equal(t, followup.FromPlanned, activity(t, out, "s1.k").Origin)
}

func TestD4_1_UnnamedReviewsAreMatchedByDate(t *testing.T) {
	t.Run("to the open activity whose window holds the date", func(t *testing.T) {
		out := plan(t, attended(t, "r1", "2024-03-11", ""), attended(t, "r2", "2024-03-12", ""))
		assert.Equal(t, map[string]string{"r1": "week-1", "r2": "week-2"}, out.Matches)
	})
	t.Run("with the earliest end", func(t *testing.T) {
		in := input(t, attended(t, "r1", "2024-03-08", ""))
		in.Surgery.Surgery.PlannedReviews = []record.PlannedReview{{Key: "k", At: when(t, "2024-03-08"), Booked: "yes"}}
		assert.Equal(t, "s1.k", followup.Plan(in).Matches["r1"])
	})
	t.Run("in order of attendance, then record id", func(t *testing.T) {
		in := input(t, attended(t, "b", "2024-03-08", ""), attended(t, "a", "2024-03-08", ""), attended(t, "c", "2024-03-07", ""))
		in.Surgery.Surgery.PlannedReviews = []record.PlannedReview{{Key: "k", At: when(t, "2024-03-08"), Booked: "yes"}}
		out := followup.Plan(in)
		assert.Equal(t, map[string]string{"c": "week-1", "a": "s1.k"}, out.Matches)
		assert.Equal(t, "b", issues(out, followup.ReviewUnmatched)[0].Record)
	})
	t.Run("else flagged unmatched", func(t *testing.T) {
		for _, r := range []*record.Record{attended(t, "r1", "2024-03-20", ""), attended(t, "r1", "", ""), attended(t, "r1", "2024-03", ""),
			attended(t, "r1", "2024-03-08", "nowhere"), attended(t, "r1", "2024-03-08", "r1.next")} {
			out := plan(t, r)
			require.Len(t, issues(out, followup.ReviewUnmatched), 1)
			assert.Equal(t, record.LevelWarning, issues(out, followup.ReviewUnmatched)[0].Level)
			assert.Empty(t, out.Matches)
			assert.Len(t, openIDs(out), 7)
		}
	})
	t.Run("the date is that of the clinic's zone", func(t *testing.T) {
		// 23:30 UTC on 11 March is 12 March in Lord Howe (+11:00).
		in := input(t, attended(t, "r1", "2024-03-11T23:30Z", ""))
		assert.Equal(t, "week-1", followup.Plan(in).Matches["r1"])
		in.Zone = zone(t, "Australia/Lord_Howe")
		assert.Equal(t, "week-2", followup.Plan(in).Matches["r1"])
	})
}

func TestD4_1_ANamedReviewComesFirst(t *testing.T) {
	out := plan(t, attended(t, "r1", "2024-03-07", ""), attended(t, "r2", "2024-03-09", "week-1"))
	assert.Equal(t, map[string]string{"r2": "week-1"}, out.Matches)
	assert.Equal(t, "r1", issues(out, followup.ReviewUnmatched)[0].Record)

	t.Run("and may lie outside the window", func(t *testing.T) {
		assert.Equal(t, "month-6", plan(t, attended(t, "r1", "2024-03-07", "month-6")).Matches["r1"])
	})
	t.Run("two for one activity: the second is unmatched", func(t *testing.T) {
		out := plan(t, attended(t, "r2", "2024-03-09", "week-1"), attended(t, "r1", "2024-03-10", "week-1"))
		assert.Equal(t, map[string]string{"r2": "week-1"}, out.Matches)
	})
	t.Run("it may name what a later record opened", func(t *testing.T) {
		// r1 names the recall of r2, which was dated by mistake after it.
		out := plan(t, attended(t, "r1", "2024-03-10", "r2.recall"), missed(t, "r2", "2024-03-11", "week-1"))
		assert.Equal(t, map[string]string{"r1": "r2.recall", "r2": "week-1"}, out.Matches)
		// r1 waits for r2 although r2 itself names nothing that exists.
		out = plan(t, attended(t, "r1", "2024-03-10", "r2.next"), with(attended(t, "r2", "2024-03-12", "bogus"), booked(t, "2024-03-14")))
		assert.Equal(t, map[string]string{"r1": "r2.next"}, out.Matches)
	})
	t.Run("naming a missed one answers its recall", func(t *testing.T) {
		out := plan(t, missed(t, "r1", "2024-03-08", "week-1"), attended(t, "r2", "2024-03-10", "week-1"))
		assert.Equal(t, map[string]string{"r1": "week-1", "r2": "r1.recall"}, out.Matches)
		out = plan(t, missed(t, "r1", "2024-03-08", ""), attended(t, "r2", "2024-03-10", "week-1"))
		assert.Equal(t, map[string]string{"r1": "week-1", "r2": "r1.recall"}, out.Matches)
	})
}

func TestD4_1_AContactClosesOnlyIfItCountsAsTheReview(t *testing.T) {
	out := plan(t, contact(t, "c1", "2024-03-08", false))
	assert.Equal(t, followup.NotStarted, activity(t, out, "week-1").Status)
	assert.Empty(t, out.Issues)

	out = plan(t, contact(t, "c1", "2024-03-08", true))
	a := activity(t, out, "week-1")
	assert.Equal(t, followup.Completed, a.Status)
	assert.Equal(t, "c1", a.ClosedBy())
	assert.Equal(t, followup.ByContact, a.Closed.Cause)

	t.Run("one that does not count may still plan a review", func(t *testing.T) {
		c := contact(t, "c1", "2024-03-08", false)
		next := booked(t, "2024-03-09")
		c.Contact.NextReview = &next
		assert.Equal(t, followup.Scheduled, activity(t, plan(t, c), "c1.next").Status)
	})
}

func TestD4_2_AnUndischargedCaseHasAnOpenActivityOrTheCriticalFlag(t *testing.T) {
	in := input(t)
	in.Protocol = nil
	flags := issues(followup.Plan(in), followup.NoReviewPlanned)
	require.Len(t, flags, 1)
	assert.Equal(t, record.LevelCritical, flags[0].Level)
	assert.Equal(t, []followup.Fact{{Name: "undischarged border", Value: "left 1 lateral"}, {Name: "since", Value: "2024-03-01T00:00:00Z"}}, flags[0].Inputs)

	t.Run("twin: a planned review clears it", func(t *testing.T) {
		in.Surgery.Surgery.PlannedReviews = []record.PlannedReview{{At: when(t, "2024-03-09")}}
		assert.Empty(t, issues(followup.Plan(in), followup.NoReviewPlanned))
	})
	t.Run("attended last review, no next", func(t *testing.T) {
		in.Responses = []*record.Record{attended(t, "r1", "2024-03-09", "")}
		assert.Len(t, issues(followup.Plan(in), followup.NoReviewPlanned), 1)
	})
	t.Run("without the day of the operation no step is dated", func(t *testing.T) {
		in := input(t)
		in.Surgery.Surgery.Start = when(t, "2024-03")
		out := followup.Plan(in)
		assert.Empty(t, out.Activities)
		assert.Len(t, issues(out, followup.NoReviewPlanned), 1)
		assert.Len(t, issues(out, followup.SurgeryUndated), 1)
	})
}

func TestD4_3_AttendedCompletesTheActivity(t *testing.T) {
	a := activity(t, plan(t, attended(t, "r1", "2024-03-08", "week-1")), "week-1")
	assert.Equal(t, followup.Completed, a.Status)
	assert.Equal(t, followup.Attended, a.Outcome)
	assert.Empty(t, a.StatusReason)
	assert.Equal(t, "r1", a.ClosedBy())
}

func TestD4_3_MissedIsCancelledAndARecallOpens(t *testing.T) {
	r := missed(t, "r1", "2024-03-08", "week-1")
	r.Review.Reason = "did not ring"
	out := plan(t, r)
	a := activity(t, out, "week-1")
	assert.Equal(t, followup.Cancelled, a.Status)
	assert.Equal(t, followup.DidNotAttend, a.StatusReason)
	assert.Equal(t, followup.DidNotAttend, a.Outcome)
	assert.Equal(t, "did not ring", a.ReasonText)

	recall := activity(t, out, "r1.recall")
	assert.Equal(t, followup.FromRecall, recall.Origin)
	assert.Equal(t, []string{"week-1"}, recall.Replaces)
	assert.True(t, recall.Proposed)
	assert.Equal(t, "2024-03-11", recall.Target.String(), "3 days after the missed date, the step's recall interval")
	assert.Equal(t, "2024-03-09", recall.Window.First.String())
	assert.Equal(t, "2024-03-15", recall.Window.Last.String())
	assert.Equal(t, "Recall: Wound check at one week", recall.Title)

	t.Run("a recall missed again opens another", func(t *testing.T) {
		out := plan(t, r, missed(t, "r2", "2024-03-11", ""))
		assert.Equal(t, followup.Cancelled, activity(t, out, "r1.recall").Status)
		again := activity(t, out, "r2.recall")
		assert.Equal(t, []string{"r1.recall"}, again.Replaces)
		assert.Equal(t, "Recall: Wound check at one week", again.Title)
	})
	t.Run("the record's own date is the recall's", func(t *testing.T) {
		out := plan(t, with(missed(t, "r1", "2024-03-08", "week-1"), booked(t, "2024-03-13")))
		recall := activity(t, out, "r1.recall")
		assert.Equal(t, followup.Scheduled, recall.Status)
		assert.Equal(t, "2024-03-13", recall.Window.First.String())
		assert.Equal(t, []string{"week-1"}, recall.Replaces)
	})
	t.Run("booking another step does not stand for the recall", func(t *testing.T) {
		next := booked(t, "2024-03-16")
		next.Step = "week-2"
		out := plan(t, with(missed(t, "r1", "2024-03-08", "week-1"), next))
		assert.Equal(t, "2024-03-16", activity(t, out, "week-2").Window.First.String())
		assert.Equal(t, "2024-03-11", activity(t, out, "r1.recall").Target.String())
	})
	t.Run("without date of its own the recall counts from the window's end", func(t *testing.T) {
		recall := activity(t, plan(t, missed(t, "r1", "", "week-1")), "r1.recall")
		assert.Equal(t, "2024-03-14", recall.Target.String())
	})
	t.Run("without protocol and date the critical flag stands", func(t *testing.T) {
		in := input(t, missed(t, "r1", "2024-03-08", "s1.next"))
		in.Protocol = nil
		in.Surgery.Surgery.PlannedReviews = []record.PlannedReview{{At: when(t, "2024-03-08")}}
		out := followup.Plan(in)
		assert.Empty(t, openIDs(out))
		assert.Len(t, issues(out, followup.NoReviewPlanned), 1)
		assert.Equal(t, "s1.next", issues(out, followup.NoReplacement)[0].Activity)
	})
}

func TestD4_3_CancelledOrRebookedIsReplacedByOneThatNamesIt(t *testing.T) {
	for _, c := range []struct {
		attendance, by string
		want           record.Code
	}{
		{"cancelled", "patient", followup.CancelledByPatient}, {"cancelled", "clinic", followup.CancelledByClinic}, {"cancelled", "", followup.CancelledByUnknown},
		{"rebooked", "patient", followup.RebookedByPatient}, {"rebooked", "clinic", followup.RebookedByClinic}, {"rebooked", "", followup.RebookedByUnknown},
	} {
		r := with(review(t, "r1", c.attendance, "2024-03-08", "week-1"), booked(t, "2024-03-12"))
		r.Review.CancelledBy, r.Review.Reason = record.Code(c.by), "flu"
		out := plan(t, r)
		old := activity(t, out, "week-1")
		assert.Equal(t, followup.Cancelled, old.Status)
		assert.Equal(t, c.want, old.StatusReason)
		assert.Equal(t, "flu", old.ReasonText)
		assert.Empty(t, old.Outcome)
		assert.True(t, followup.StatusReasonSet.Has(old.StatusReason))
		a := activity(t, out, "r1.next")
		assert.Equal(t, followup.Scheduled, a.Status)
		assert.Equal(t, []string{"week-1"}, a.Replaces)
		assert.Equal(t, followup.FromRebooked, a.Origin)
	}
	t.Run("without a new date it stays visible as proposed", func(t *testing.T) {
		a := activity(t, plan(t, review(t, "r1", "cancelled", "2024-03-08", "week-1")), "r1.next")
		assert.True(t, a.Proposed)
		assert.Equal(t, "2024-03-11", a.Target.String())
	})
	t.Run("moved onto another step", func(t *testing.T) {
		next := booked(t, "2024-03-14")
		next.Step = "week-2"
		out := plan(t, with(review(t, "r1", "rebooked", "2024-03-08", "week-1"), next))
		assert.Equal(t, []string{"week-1"}, activity(t, out, "week-2").Replaces)
		assert.Nil(t, find(out, "r1.next"))
	})
	t.Run("moved within its step", func(t *testing.T) {
		next := booked(t, "2024-03-10")
		next.Step = "week-1"
		out := plan(t, with(review(t, "r1", "rebooked", "2024-03-08", "week-1"), next))
		assert.Equal(t, []string{"week-1"}, activity(t, out, "r1.next").Replaces)
	})
}

func TestD4_3_AbsentAttendanceLeavesTheReviewOpen(t *testing.T) {
	out := plan(t, review(t, "r1", "", "2024-03-08", "week-1"))
	assert.Equal(t, followup.NotStarted, activity(t, out, "week-1").Status)
	assert.Len(t, issues(out, followup.NoAttendance), 1)

	t.Run("unless it holds findings", func(t *testing.T) {
		r := review(t, "r1", "", "2024-03-08", "week-1")
		r.Review.Toes = []record.ToeFindings{{Side: "left", Digit: "1"}}
		assert.Equal(t, followup.NotStarted, activity(t, plan(t, r), "week-1").Status, "a toe named is no finding")
		pain := int64(2)
		r.Review.Toes[0].Pain = &pain
		assert.Equal(t, followup.Completed, activity(t, plan(t, r), "week-1").Status)
		assert.Len(t, issues(plan(t, r), followup.NoAttendance), 1, "and it is told that it was not stated")
	})
}

func TestD1_6_OverdueIssueStandsExactlyWithItsFact(t *testing.T) {
	in := input(t)
	end := activity(t, followup.Plan(in), "day-2").Window.End
	assert.Empty(t, issues(followup.Plan(in), followup.ReviewOverdue), "no fact, no issue, whatever the clock says")

	in.Overdue = []followup.OverdueFact{{Activity: "day-2", WindowEnd: end.UTC()}}
	got := issues(followup.Plan(in), followup.ReviewOverdue)
	require.Len(t, got, 1)
	assert.Equal(t, "day-2", got[0].Activity)
	assert.False(t, got[0].Final)
	assert.Nil(t, got[0].Mitigation)

	t.Run("a fact of another end is ignored", func(t *testing.T) {
		in.Overdue = []followup.OverdueFact{{Activity: "day-2", WindowEnd: end.Add(time.Second)}, {Activity: "week-1", WindowEnd: end}}
		assert.Empty(t, issues(followup.Plan(in), followup.ReviewOverdue))
	})
	t.Run("attended in the window, recorded late: the issue vanishes", func(t *testing.T) {
		in.Overdue = []followup.OverdueFact{{Activity: "day-2", WindowEnd: end}}
		in.Responses = []*record.Record{attended(t, "r1", "2024-03-05T23:59", "day-2")}
		assert.Empty(t, issues(followup.Plan(in), followup.ReviewOverdue))
	})
	t.Run("attended later: final with mitigation, with or without the fact", func(t *testing.T) {
		for _, facts := range [][]followup.OverdueFact{nil, {{Activity: "day-2", WindowEnd: end}}} {
			in.Overdue = facts
			in.Responses = []*record.Record{attended(t, "r1", "2024-03-06T00:00", "day-2")}
			got := issues(followup.Plan(in), followup.ReviewOverdue)
			require.Len(t, got, 1)
			assert.True(t, got[0].Final)
			assert.Equal(t, "r1", got[0].Mitigation.By.Record)
			assert.True(t, got[0].Dated.Equal(end))
		}
	})
	t.Run("a booking moves the end, so the old fact is void", func(t *testing.T) {
		in := input(t, with(attended(t, "r1", "2024-03-12", "week-1"), record.PlannedReview{Step: "day-2", At: when(t, "2024-03-13"), Booked: "yes"}))
		in.Overdue = []followup.OverdueFact{{Activity: "day-2", WindowEnd: end}}
		for _, i := range issues(followup.Plan(in), followup.ReviewOverdue) {
			assert.NotEqual(t, "day-2", i.Activity)
		}
	})
	t.Run("closed by a discharge after its end: final", func(t *testing.T) {
		in := input(t, discharging(attended(t, "r1", "2024-03-08", "week-1"), "lateral", record.Discharge{Reason: "healed"}))
		got := issues(followup.Plan(in), followup.ReviewOverdue)
		require.Len(t, got, 1)
		assert.Equal(t, "day-2", got[0].Activity)
		assert.Equal(t, followup.ByDischarge, got[0].Mitigation.By.Cause)
	})
}

func TestD1_6_TheClockAsksOnlyForWhatIsNew(t *testing.T) {
	in := input(t, attended(t, "r1", "2024-03-08", "week-1"))
	out := followup.Plan(in)
	end := activity(t, out, "day-2").Window.End
	assert.Empty(t, followup.DueFacts(out.Activities, nil, end.Add(-time.Nanosecond)))
	due := followup.DueFacts(out.Activities, nil, end)
	assert.Equal(t, []followup.OverdueFact{{Activity: "day-2", WindowEnd: end}}, due)

	in.Overdue = due
	assert.Empty(t, followup.DueFacts(followup.Plan(in).Activities, in.Overdue, end), "a further tick has nothing to write")
	years := followup.DueFacts(followup.Plan(in).Activities, in.Overdue, end.AddDate(5, 0, 0))
	assert.Len(t, years, 5, "all open activities but day-2, after a long stop")
}

func TestD4_2_StateOnTheFollowUpList(t *testing.T) {
	out := plan(t, missed(t, "r1", "2024-03-08", "week-1"), attended(t, "r2", "2024-03-15", "week-2"))
	a := activity(t, out, "day-2")
	assert.Equal(t, followup.Upcoming, followup.State(a, a.Window.Start.Add(-1)))
	assert.Equal(t, followup.Due, followup.State(a, a.Window.Start))
	assert.Equal(t, followup.Due, followup.State(a, a.Window.End.Add(-1)))
	assert.Equal(t, followup.Overdue, followup.State(a, a.Window.End))
	assert.Equal(t, followup.Missed, followup.State(activity(t, out, "week-1"), a.Window.End))
	assert.Equal(t, followup.Done, followup.State(activity(t, out, "week-2"), a.Window.End))
}
