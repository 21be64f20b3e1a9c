package followup_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
)

// receivedOn gives every record of the input the same day of reception.
func receivedOn(t testing.TB, in followup.Input, day string) followup.Input {
	at, err := time.Parse(time.RFC3339, day+"T12:00:00Z")
	require.NoError(t, err)
	in.Received = map[string]time.Time{in.Surgery.Record: at}
	for _, r := range in.Responses {
		in.Received[r.Record] = at
	}
	return in
}

// D4.4: a discharge, a stop or a death ends the watch on its day, so that one
// dated later than the day after its record was received ends nothing; the twin
// is dated on that day after.
func TestD4_4_WhatLiesAheadEndsNoWatch(t *testing.T) {
	dischargedOn := func(day string) *record.Record {
		return discharging(attended(t, "r1", "2024-04-19", "week-7"), "lateral", record.Discharge{At: when(t, day), Reason: "healed"})
	}
	stoppedOn := func(day string) *record.Record {
		r := attended(t, "r1", "2024-04-19", "week-7")
		r.Review.Stopped = &record.FollowUpStopped{At: when(t, day)}
		return r
	}
	undated := func(day string) *record.Record {
		return discharging(attended(t, "r1", day, "week-7"), "lateral", record.Discharge{Reason: "healed"})
	}
	for _, c := range []struct {
		name   string
		review *record.Record
		want   followup.PlanStatus
	}{
		{"discharge in 2062", dischargedOn("2062-04-19"), followup.PlanActive},
		{"discharge two days on", dischargedOn("2024-04-21"), followup.PlanActive},
		{"discharge the day after", dischargedOn("2024-04-20"), followup.PlanCompleted},
		{"discharge of that month", dischargedOn("2024-04"), followup.PlanCompleted},
		{"discharge by a review of 2062", undated("2062-04-19"), followup.PlanActive},
		{"discharge by a review of the day", undated("2024-04-19"), followup.PlanCompleted},
		{"stop in 2062", stoppedOn("2062-04-19"), followup.PlanActive},
		{"stop the day after", stoppedOn("2024-04-20"), followup.PlanRevoked},
	} {
		assert.Equal(t, c.want, followup.Plan(receivedOn(t, input(t, c.review), "2024-04-19")).Status, c.name)
	}
	assert.Equal(t, followup.PlanCompleted, plan(t, dischargedOn("2062-04-19")).Status, "nothing is known of the reception")
}

// D4.3: a review dated ahead has no date: the recall of one that was missed is
// counted from the window, not from the year that was mistyped.
func TestD4_3_AReviewDatedAheadMovesNothing(t *testing.T) {
	in := receivedOn(t, input(t, missed(t, "r1", "2062-03-08", "week-1")), "2024-03-08")
	out := followup.Plan(in)
	undated := followup.Plan(receivedOn(t, input(t, missed(t, "r1", "", "week-1")), "2024-03-08"))
	assert.Equal(t, activity(t, undated, "r1.recall").Window, activity(t, out, "r1.recall").Window)
	assert.Equal(t, 2024, activity(t, out, "r1.recall").Target.Year)

	out = followup.Plan(receivedOn(t, input(t, attended(t, "r1", "2062-03-08", "week-1")), "2024-03-08"))
	assert.Equal(t, followup.Completed, activity(t, out, "week-1").Status, "it took place, whenever")
	assert.Empty(t, issues(out, followup.ReviewOverdue), "and nobody knows that it was late")

	out = followup.Plan(receivedOn(t, input(t, attended(t, "r1", "2062-03-08", "")), "2024-03-08"))
	require.Len(t, issues(out, followup.ReviewUnmatched), 1)
	assert.Contains(t, issues(out, followup.ReviewUnmatched)[0].Text, "later than it was received")
}

// D4.2: an operation dated ahead gives no dates for years to come; the case has
// the critical flag that no review is planned.
func TestD4_2_AnOperationDatedAheadIsNotWatchedInSilence(t *testing.T) {
	in := input(t)
	in.Surgery = surgery(t, "2062-03-01")
	out := followup.Plan(receivedOn(t, in, "2024-03-01"))
	assert.Empty(t, out.Activities)
	require.Len(t, issues(out, followup.NoReviewPlanned), 1)
	assert.Equal(t, record.LevelCritical, issues(out, followup.NoReviewPlanned)[0].Level)

	in.Surgery = surgery(t, "2024-03-02")
	assert.NotEmpty(t, followup.Plan(receivedOn(t, in, "2024-03-01")).Activities, "twin: the day after, by another zone")
}

// C-51: a day of healing that lies ahead does not silence the flag.
func TestC51_HealedInAYearToComeIsNotHealed(t *testing.T) {
	r := attended(t, "r1", "2024-06-01", "")
	r.Review.Toes = []record.ToeFindings{{Side: "left", Digit: "1", Borders: []record.BorderFindings{{Border: "lateral", WoundStage: "granulating", HealedOn: when(t, "2062-06-01")}}}}
	assert.Len(t, issues(followup.Plan(receivedOn(t, input(t, r), "2024-06-01")), followup.UnhealedLate), 1)
	r.Review.Toes[0].Borders[0].HealedOn = when(t, "2024-05-30")
	assert.Empty(t, issues(followup.Plan(receivedOn(t, input(t, r), "2024-06-01")), followup.UnhealedLate), "twin")
}

// C-51: a healing dated before the surgery is told, and heals nothing; on the day
// itself, and of a month that holds it, it counts.
func TestC51_HealedBeforeTheSurgeryIsNotHealed(t *testing.T) {
	r := attended(t, "r1", "2024-06-01", "")
	for at, before := range map[string]bool{"2023-05-30": true, "2024-02": true, "2024-02-29": true, "2024-03": false, "2024-05-30": false} {
		r.Review.Toes = []record.ToeFindings{{Side: "left", Digit: "1", Borders: []record.BorderFindings{{Border: "lateral", WoundStage: "granulating", HealedOn: when(t, at)}}}}
		out := plan(t, r)
		assert.Equal(t, before, len(issues(out, followup.HealedBefore)) == 1, at)
		assert.Equal(t, before, len(issues(out, followup.UnhealedLate)) == 1, at)
		assert.Equal(t, before, out.BeforeSurgery(when(t, at)), at)
	}
}

// D4.4: findings on a toe or border that the surgery did not operate on are
// told, whether they discharge or not.
func TestD4_4_FindingsElsewhereAreTold(t *testing.T) {
	found := func(side, digit, border record.Code) *record.Record {
		r := attended(t, "r1", "2024-03-08", "week-1")
		r.Review.Toes = []record.ToeFindings{{Side: side, Digit: digit, Borders: []record.BorderFindings{{Border: border, WoundStage: "healed"}}}}
		return r
	}
	for _, c := range []struct {
		name   string
		review *record.Record
		want   []followup.Border
	}{
		{"as operated", found("left", "1", "lateral"), nil},
		{"border not stated", found("left", "1", ""), nil},
		{"other side", found("right", "1", "lateral"), []followup.Border{{Side: "right", Digit: "1"}}},
		{"other toe", found("left", "2", "lateral"), []followup.Border{{Side: "left", Digit: "2"}}},
		{"other border", found("left", "1", "medial"), []followup.Border{{Side: "left", Digit: "1", Border: "medial"}}},
	} {
		var got []followup.Border
		for _, i := range issues(plan(t, c.review), followup.FindingElsewhere) {
			assert.Equal(t, record.LevelWarning, i.Level)
			got = append(got, *i.Border)
		}
		assert.Equal(t, c.want, got, c.name)
	}
	in := input(t, found("right", "5", "medial"))
	in.Surgery.Surgery.Toes = nil
	assert.Empty(t, issues(followup.Plan(in), followup.FindingElsewhere), "no toe recorded, nothing to compare with")
	in = input(t, found("right", "1", "lateral"))
	in.Surgery.Surgery.Outcome = "not-done"
	assert.Len(t, issues(followup.Plan(in), followup.FindingElsewhere), 1, "without a plan too")
}

// D4.4: an outcome that its content contradicts is critical, since the case
// would go unwatched.
func TestD4_4_OutcomeContradicted(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*record.Surgery)
		want   int
	}{
		{"done", func(*record.Surgery) {}, 0},
		{"not done", func(s *record.Surgery) { s.Outcome = "not-done" }, 0},
		{"not done, a border done", func(s *record.Surgery) { s.Outcome, s.Toes[0].Borders[0].Outcome = "not-done", "done" }, 1},
		{"not done, the chemical applied", func(s *record.Surgery) {
			s.Outcome, s.Toes[0].Borders[0].Matrix.Applications = "not-done", []record.Application{{}}
		}, 1},
		{"abandoned", func(s *record.Surgery) { s.Outcome = "abandoned" }, 0},
		{"done, every border not done", func(s *record.Surgery) { s.Toes[0].Borders[0].Outcome = "not-done" }, 1},
		{"done, no toe recorded", func(s *record.Surgery) { s.Toes = nil }, 1},
		{"done, no border recorded", func(s *record.Surgery) { s.Toes[0].Borders = nil }, 0},
		{"outcome not recorded, no toe recorded", func(s *record.Surgery) { s.Outcome, s.Toes = "", nil }, 0},
	} {
		in := input(t)
		c.change(in.Surgery.Surgery)
		got := issues(followup.Plan(in), followup.OutcomeDisputed)
		require.Len(t, got, c.want, c.name)
		for _, i := range got {
			assert.Equal(t, record.LevelCritical, i.Level, c.name)
		}
	}
}
