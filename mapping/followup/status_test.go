package followup_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
)

func TestD4_4_DischargeOfEveryBorderCompletesThePlan(t *testing.T) {
	in := input(t)
	borders := &in.Surgery.Surgery.Toes[0].Borders
	*borders = append(*borders, record.Border{Border: "medial", Procedure: "partial-avulsion"})

	in.Responses = []*record.Record{discharging(attended(t, "r1", "2024-04-19", "week-7"), "lateral", record.Discharge{Reason: "healed"})}
	out := followup.Plan(in)
	assert.Equal(t, followup.PlanActive, out.Status)
	assert.Equal(t, []followup.Border{{Side: "left", Digit: "1", Border: "medial"}}, stillOpen(out))

	in.Responses = append(in.Responses, discharging(attended(t, "r2", "2024-09-02", "month-6"), "medial", record.Discharge{Reason: "healed"}))
	out = followup.Plan(in)
	assert.Equal(t, followup.PlanCompleted, out.Status)
	assert.Equal(t, followup.Discharged, out.StatusReason)
	assert.Equal(t, "r2", out.Ended.Record)
	assert.Empty(t, stillOpen(out))
	assert.Empty(t, openIDs(out))
	assert.Equal(t, followup.Discharged, activity(t, out, "month-12").StatusReason)
	assert.Empty(t, issues(out, followup.NoReviewPlanned))
}

func TestD4_4_HealedIsNotDischarged(t *testing.T) {
	r := attended(t, "r1", "2024-04-19", "week-7")
	r.Review.Toes = []record.ToeFindings{{Side: "left", Digit: "1", Borders: []record.BorderFindings{
		{Border: "lateral", WoundStage: "healed", HealedOn: when(t, "2024-04-10")}}}}
	assert.Equal(t, followup.PlanActive, plan(t, r).Status)
}

func TestD4_4_TheWatchMayGoOn(t *testing.T) {
	on := discharging(attended(t, "r1", "2024-04-19", "week-7"), "lateral", record.Discharge{WatchGoesOn: true})
	out := plan(t, on)
	assert.Equal(t, followup.PlanActive, out.Status)
	assert.True(t, out.Borders[0].WatchOn)

	off := discharging(attended(t, "r2", "2024-09-01", "month-6"), "lateral", record.Discharge{})
	assert.Equal(t, followup.PlanCompleted, plan(t, on, off).Status)

	t.Run("the latest word counts", func(t *testing.T) {
		again := discharging(attended(t, "r3", "2025-03-01", "month-12"), "lateral", record.Discharge{WatchGoesOn: true})
		out := plan(t, off, again, on)
		assert.Equal(t, followup.PlanActive, out.Status)
		assert.Equal(t, "r3", out.Borders[0].Record)
	})
	t.Run("by the date of the discharge, not of the review that states it", func(t *testing.T) {
		backdated := discharging(attended(t, "r3", "2025-03-01", "month-12"), "lateral",
			record.Discharge{At: when(t, "2024-05-01"), WatchGoesOn: true})
		assert.Equal(t, "r2", plan(t, off, backdated).Borders[0].Record)
	})
}

func TestD4_4_DischargeIsMatchedByToeBorderAndKey(t *testing.T) {
	in := input(t)
	in.Surgery.Surgery.Toes[0].Borders = []record.Border{{Border: "lateral", Key: "l1"}, {Border: "lateral", Key: "l2"}}
	r := discharging(attended(t, "r1", "2024-04-19", "week-7"), "lateral", record.Discharge{})
	in.Responses = []*record.Record{r}
	assert.Equal(t, followup.PlanCompleted, followup.Plan(in).Status, "without key both entries of the border are meant")

	r.Review.Toes[0].Borders[0].Key = "l2"
	assert.Equal(t, []followup.Border{{Side: "left", Digit: "1", Border: "lateral", Key: "l1"}}, stillOpen(followup.Plan(in)))

	for _, other := range []record.ToeFindings{
		{Side: "right", Digit: "1", Borders: []record.BorderFindings{{Border: "lateral", Discharge: &record.Discharge{}}}},
		{Side: "left", Digit: "2", Borders: []record.BorderFindings{{Border: "lateral", Discharge: &record.Discharge{}}}},
		{Side: "left", Digit: "1", Borders: []record.BorderFindings{{Border: "medial", Discharge: &record.Discharge{}}}},
	} {
		r.Review.Toes = []record.ToeFindings{other}
		out := followup.Plan(in)
		assert.Len(t, stillOpen(out), 2)
		assert.Len(t, issues(out, followup.DischargeUnknown), 1)
	}
}

// D4.4: a date that ends a follow-up before it began is a slip, and ends nothing; it
// is critical, since the watch would be lost. On the day itself, and of a month or
// year that holds it, it counts.
func TestD4_4_WhatIsDatedBeforeTheSurgeryEndsNothing(t *testing.T) {
	all := input(t)
	for at, before := range map[string]bool{"2023-03-04": true, "2024-02": true, "2024-02-29": true, "2024": false, "2024-03": false, "2024-04-19": false} {
		in := all
		r := discharging(attended(t, "r1", "2024-04-19", "week-7"), "lateral", record.Discharge{At: when(t, at)})
		in.Responses = []*record.Record{r}
		out := followup.Plan(in)
		found := issues(out, followup.DischargeBefore)
		assert.Equal(t, before, len(found) == 1, at)
		assert.Equal(t, before, out.Status == followup.PlanActive, at)
		if before {
			assert.Equal(t, record.LevelCritical, found[0].Level)
			assert.Contains(t, found[0].Inputs, followup.Fact{Name: "discharged", Value: at})
		}

		in = all
		in.DeathDate = when(t, at)
		out = followup.Plan(in)
		assert.Equal(t, before, len(issues(out, followup.DeathBefore)) == 1, at)
		assert.Equal(t, before, out.Status == followup.PlanActive, at)
	}
}

// D4.4, R-CONT-07: a plan that was stopped clinically is revoked, with the reason, and
// nothing of it stays open.
func TestD4_4_StoppedClinicallyIsRevoked(t *testing.T) {
	r := attended(t, "r1", "2024-03-08", "week-1")
	r.Review.Stopped = &record.FollowUpStopped{Reason: "moved abroad"}
	out := plan(t, r)
	assert.Equal(t, followup.PlanRevoked, out.Status)
	assert.Equal(t, followup.FollowUpStopped, out.StatusReason)
	assert.Equal(t, "moved abroad", out.ReasonText)
	assert.Equal(t, "r1", out.Ended.Record)
	assert.Equal(t, "moved abroad", activity(t, out, "week-2").ReasonText)
	assert.Empty(t, openIDs(out))
	assert.Empty(t, issues(out, followup.NoReviewPlanned))

	t.Run("by the surgery's own record", func(t *testing.T) {
		in := input(t)
		in.Surgery.Surgery.Stopped = &record.FollowUpStopped{Reason: "elsewhere"}
		assert.Equal(t, followup.PlanRevoked, followup.Plan(in).Status)
	})
	t.Run("the earliest of two stops ends the plan", func(t *testing.T) {
		again := attended(t, "r2", "2024-03-15", "week-2")
		again.Review.Stopped = &record.FollowUpStopped{Reason: "again"}
		assert.Equal(t, "moved abroad", plan(t, again, r).ReasonText)
	})
	t.Run("a review booked in spite of it is told", func(t *testing.T) {
		out := plan(t, with(r, booked(t, "2024-03-20")))
		assert.Len(t, issues(out, followup.PlannedAfterEnd), 1)
	})
	t.Run("a missed review then opens no recall", func(t *testing.T) {
		assert.Nil(t, find(plan(t, r, missed(t, "r2", "2024-03-15", "week-2")), "r2.recall"))
		assert.NotNil(t, find(plan(t, r, missed(t, "r2", "2024-03-03", "day-2")), "r2.recall"), "missed before the stop")
	})
}

func TestD4_4_DeathClosesEveryActivityAndRaisesNoFlag(t *testing.T) {
	in := input(t, missed(t, "r1", "2024-03-08", "week-1"))
	in.DeathDate = when(t, "2024-03-20")
	in.Overdue = []followup.OverdueFact{{Activity: "day-2", WindowEnd: date(t, "2024-03-06").StartIn(in.Zone)}}
	out := followup.Plan(in)
	assert.Equal(t, followup.PlanCompleted, out.Status)
	assert.Equal(t, followup.PatientDied, out.StatusReason)
	assert.Empty(t, openIDs(out))
	assert.Empty(t, out.Issues)
	assert.Equal(t, followup.DidNotAttend, activity(t, out, "week-1").StatusReason)
	assert.Equal(t, followup.PatientDied, activity(t, out, "r1.recall").StatusReason)

	in.DeathDate = nil
	require.NotEmpty(t, issues(followup.Plan(in), followup.ReviewOverdue), "twin")
}

func TestD4_4_NoPlanWithoutATreatedBorder(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*record.Surgery)
		want   followup.PlanStatus
	}{
		{"done", func(*record.Surgery) {}, followup.PlanActive},
		{"outcome absent", func(s *record.Surgery) { s.Outcome = "" }, followup.PlanActive},
		{"not done", func(s *record.Surgery) { s.Outcome = "not-done" }, followup.NoPlan},
		{"abandoned", func(s *record.Surgery) { s.Outcome = "abandoned" }, followup.NoPlan},
		{"abandoned after one border was done", func(s *record.Surgery) {
			s.Outcome, s.Toes[0].Borders[0].Outcome = "abandoned", "done"
		}, followup.PlanActive},
		{"abandoned after the chemical was applied", func(s *record.Surgery) {
			s.Outcome, s.Toes[0].Borders[0].Matrix.Applications = "abandoned", []record.Application{{}}
		}, followup.PlanActive},
		{"every border not done", func(s *record.Surgery) { s.Toes[0].Borders[0].Outcome = "not-done" }, followup.NoPlan},
		{"borders not recorded", func(s *record.Surgery) { s.Toes[0].Borders = nil }, followup.PlanActive},
		{"toes not recorded", func(s *record.Surgery) { s.Toes = nil }, followup.PlanActive},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := input(t)
			c.change(in.Surgery.Surgery)
			in.Surgery.Surgery.PlannedReviews = []record.PlannedReview{{At: when(t, "2024-03-08")}}
			out := followup.Plan(in)
			assert.Equal(t, c.want, out.Status)
			assert.Equal(t, c.want == followup.NoPlan, len(out.Activities) == 0)
			assert.Equal(t, c.want == followup.NoPlan, len(issues(out, followup.PlannedNoPlan)) == 1)
		})
	}
	for _, status := range []record.Code{"withdrawn", "draft"} {
		in := input(t)
		in.Surgery.Status = status
		assert.Equal(t, followup.Output{}, followup.Plan(in))
	}
}

func TestD4_4_HistoricalIsNotFollowedHere(t *testing.T) {
	in := input(t, missed(t, "r1", "2024-03-08", "week-1"))
	in.Historical = true
	out := followup.Plan(in)
	assert.Equal(t, followup.PlanRevoked, out.Status)
	assert.Equal(t, followup.NotFollowedHere, out.StatusReason)
	assert.Empty(t, out.Activities)
	assert.Empty(t, out.Issues)
	assert.Len(t, out.Borders, 1)
}

func TestD4_4_DraftAndWithdrawnResponsesDoNotCount(t *testing.T) {
	for _, status := range []record.Code{"draft", "withdrawn"} {
		r := attended(t, "r1", "2024-03-08", "week-1")
		r.Status = status
		assert.Equal(t, plan(t), plan(t, r))
	}
}

// Clinical-facts C-51: "total avulsion unhealed at day 71 (> 10 wk) -> review;
// partial at day 50 (> 7 wk) -> review"; the twins are one day earlier.
func TestC51_UnhealedPastTheLeafletsWeeks(t *testing.T) {
	for _, c := range []struct {
		procedure record.Code
		border    record.Code
		day       int
		flagged   bool
	}{
		{"partial-avulsion", "lateral", 50, true}, {"partial-avulsion", "lateral", 49, false},
		{"total-avulsion", "whole", 71, true}, {"total-avulsion", "whole", 70, false},
	} {
		at := date(t, "2024-03-01").AddDays(c.day).String()
		r := attended(t, "r1", at, "")
		finding := &record.BorderFindings{Border: c.border, WoundStage: "granulating"}
		r.Review.Toes = []record.ToeFindings{{Side: "left", Digit: "1", Borders: []record.BorderFindings{*finding}}}
		in := input(t, r)
		b := &in.Surgery.Surgery.Toes[0].Borders[0]
		b.Procedure, b.Border = c.procedure, c.border
		assert.Equal(t, c.flagged, len(issues(followup.Plan(in), followup.UnhealedLate)) == 1, "%s day %d", c.procedure, c.day)

		r.Review.Toes[0].Borders[0].WoundStage = "healed"
		assert.Empty(t, issues(followup.Plan(in), followup.UnhealedLate))
		r.Review.Toes[0].Borders[0].WoundStage = "granulating"
		b.Matrix = nil
		assert.Empty(t, issues(followup.Plan(in), followup.UnhealedLate), "the leaflets speak of chemical ablation")
	}
}

// stillOpen are the treated borders that are not discharged.
func stillOpen(o followup.Output) []followup.Border {
	var open []followup.Border
	for _, b := range o.Borders {
		if !b.Discharged {
			open = append(open, b.Border)
		}
	}
	return open
}
