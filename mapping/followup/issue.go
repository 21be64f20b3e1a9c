package followup

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"nailbridge/mapping/record"
)

// The issue codes.
const (
	ReviewOverdue    record.Code = "review-overdue"
	NoReviewPlanned  record.Code = "no-review-planned"
	NoReplacement    record.Code = "no-replacement-planned"
	ReviewUnmatched  record.Code = "review-unmatched"
	NoAttendance     record.Code = "attendance-not-recorded"
	PlannedUndated   record.Code = "planned-review-undated"
	PlannedAfterEnd  record.Code = "review-planned-after-end"
	PlannedNoPlan    record.Code = "review-planned-without-plan"
	StepUnknown      record.Code = "protocol-step-unknown"
	SurgeryUndated   record.Code = "surgery-undated"
	DischargeUnknown record.Code = "discharge-border-unknown"
	DischargeBefore  record.Code = "discharge-before-surgery"
	DeathBefore      record.Code = "death-before-surgery"
	HealedBefore     record.Code = "healed-before-surgery"
	FindingElsewhere record.Code = "finding-elsewhere"
	OutcomeDisputed  record.Code = "outcome-contradicted"
	UnhealedLate     record.Code = "unhealed-late"
)

// IssueSet lists every issue code with its title.
var IssueSet = record.Set{Name: "follow-up-issue", Values: []record.Value{
	{Code: ReviewOverdue, Display: "Review overdue"},
	{Code: NoReviewPlanned, Display: "No review planned"},
	{Code: NoReplacement, Display: "No review planned in place of one missed or cancelled"},
	{Code: ReviewUnmatched, Display: "Review matches no planned review"},
	{Code: NoAttendance, Display: "Attendance not recorded"},
	{Code: PlannedUndated, Display: "Planned review without date"},
	{Code: PlannedAfterEnd, Display: "Review planned after the follow-up ended"},
	{Code: PlannedNoPlan, Display: "Review planned for a surgery without follow-up"},
	{Code: StepUnknown, Display: "Protocol step unknown"},
	{Code: SurgeryUndated, Display: "Day of the operation not recorded"},
	{Code: DischargeUnknown, Display: "Discharge of a border that was not treated"},
	{Code: DischargeBefore, Display: "Discharge dated before the surgery"},
	{Code: DeathBefore, Display: "Death dated before the surgery"},
	{Code: HealedBefore, Display: "Healing dated before the surgery"},
	{Code: FindingElsewhere, Display: "Finding at a toe or border that was not operated on"},
	{Code: OutcomeDisputed, Display: "Outcome of the surgery contradicted by what was done"},
	{Code: UnhealedLate, Display: "Not healed when most are"},
}}

// Issue is one thing that a clinician should see.
type Issue struct {
	Code     record.Code // IssueSet
	Level    record.Level
	Activity string  // it concerns, if any
	Record   string  // it concerns, if any
	Border   *Border // it concerns, if any
	Text     string  // a sentence fit to show
	// Final says that nothing is left to do; Mitigation then says why.
	Final      bool
	Mitigation *Mitigation
	// Inputs are what the issue rests on; an acknowledgement binds to them
	// (D1.3).
	Inputs []Fact
	Dated  time.Time // when it came to be; zero when it has no date
	Source string    // of a figure
	Rule   string    // the decision point
}

// Mitigation is what settled an issue.
type Mitigation struct {
	Text string
	By   Closing
}

// Fact is a name and a value that an issue rests on.
type Fact struct{ Name, Value string }

func (p *plan) issue(i Issue) { p.issues = append(p.issues, i) }

func sortIssues(list []Issue) []Issue {
	slices.SortStableFunc(list, func(a, b Issue) int {
		return cmp.Or(cmp.Compare(a.Activity, b.Activity), cmp.Compare(a.Code, b.Code), cmp.Compare(a.Record, b.Record),
			borderOf(a).compare(borderOf(b)), cmp.Compare(a.Text, b.Text))
	})
	return list
}

func borderOf(i Issue) Border {
	if i.Border == nil {
		return Border{}
	}
	return *i.Border
}

// flag raises the issues of the plan as a whole.
func (p *plan) flag() {
	anyOpen := false
	for _, a := range p.acts {
		anyOpen = anyOpen || a.Status.Open()
		p.flagOverdue(a)
		p.flagAfterEnd(a)
	}
	if p.status == PlanActive && !anyOpen {
		p.issue(Issue{Code: NoReviewPlanned, Level: record.LevelCritical, Rule: "D4.2", Inputs: append(p.openBorderFacts(), Fact{"since", p.lastClosed().Format(time.RFC3339)}), Dated: p.lastClosed(),
			Text: "No review is planned, and not every treated border is discharged."})
	}
	p.flagHealedBefore()
	p.flagUnhealed()
}

// lastClosed is when the last activity closed, else when the operation was.
func (p *plan) lastClosed() time.Time {
	last := p.operated.start
	for _, a := range p.acts {
		if a.Closed != nil && a.Closed.start.After(last) {
			last = a.Closed.start
		}
	}
	return last
}

func (p *plan) openBorderFacts() []Fact {
	facts := []Fact{}
	for _, b := range p.borders {
		if !b.Discharged {
			facts = append(facts, Fact{"undischarged border", b.Border.String()})
		}
	}
	return facts
}

// String names the border by its codes: "left 1 medial".
func (b Border) String() string {
	s := string(b.Side) + " " + string(b.Digit)
	if b.Border != "" {
		s += " " + string(b.Border)
	}
	return s
}

// flagOverdue raises the overdue issue exactly as D1.6 says.
func (p *plan) flagOverdue(a *Activity) {
	i := Issue{Code: ReviewOverdue, Level: record.LevelWarning, Activity: a.ID, Dated: a.Window.End, Rule: "D1.6",
		Inputs: []Fact{{"activity", a.ID}, {"window end", a.Window.End.Format(time.RFC3339)}},
		Text:   fmt.Sprintf("%s: planned for %s, and no review was recorded by the end of %s.", a.Title, a.Window.days(), a.Window.Last)}
	if a.Status.Open() {
		if slices.ContainsFunc(p.Overdue, OverdueFact{a.ID, a.Window.End}.Equal) {
			p.issue(i)
		}
		return
	}
	if a.Closed.Cause == ByDeath || !a.Closed.after(a.Window) {
		return
	}
	i.Final = true
	i.Inputs = append(i.Inputs, Fact{"closed by", a.Closed.Record}, Fact{"closed at", a.Closed.At.String()})
	i.Mitigation = &Mitigation{Text: fmt.Sprintf("Closed on %s by a %s, after the end of its window.", a.Closed.first, a.Closed.Cause), By: *a.Closed}
	p.issue(i)
}

func (w Window) days() string {
	if w.First == w.Last {
		return w.First.String()
	}
	return w.First.String() + " to " + w.Last.String()
}

// flagAfterEnd tells of a date that was booked by a record not older than the
// end of the plan: the paper says closed, the patient may come.
func (p *plan) flagAfterEnd(a *Activity) {
	if p.ended == nil || a.Closed != p.ended || a.Status != Cancelled || p.reason == PatientDied || a.BookedBy == "" {
		return
	}
	i := slices.IndexFunc(p.responses, func(r response) bool { return r.id == a.BookedBy })
	if i >= 0 && p.over(p.responses[i]) {
		p.issue(Issue{Code: PlannedAfterEnd, Level: record.LevelWarning, Activity: a.ID, Record: a.BookedBy, Rule: "D4.4",
			Inputs: []Fact{{"activity", a.ID}, {"planned for", a.Window.days()}},
			Text:   fmt.Sprintf("%s on %s is planned although the follow-up has ended.", a.Title, a.Window.days())})
	}
}

func (p *plan) flagUnmatched(r response, named *Activity) {
	text := "No open planned review has a window that holds the date of this review."
	switch {
	case named != nil:
		text = "This review names a planned review that another record has closed."
	case r.names != "":
		text = "This review names a planned review that does not exist."
	case r.at != r.sent:
		text = "This review is dated later than it was received, so no planned review is its own."
	case !r.dated:
		text = "This review has no date and names no planned review."
	}
	p.issue(Issue{Code: ReviewUnmatched, Level: record.LevelWarning, Record: r.id, Text: text, Dated: r.order.at, Rule: "D4.1",
		Inputs: []Fact{{"named activity", r.names}, {"date", whenText(r.sent)}}})
}

func whenText(w *record.When) string {
	if w == nil {
		return ""
	}
	return w.String()
}

func (p *plan) flagNoAttendance(r response) {
	text := "This review does not say whether the patient attended, so the planned review stays open."
	if r.assumed {
		text = "This review does not say whether the patient attended; something was found, so it counts as attended."
	}
	p.issue(Issue{Code: NoAttendance, Level: record.LevelWarning, Record: r.id, Activity: r.names, Dated: r.order.at, Rule: "D4.3",
		Inputs: []Fact{{"named activity", r.names}, {"date", whenText(r.sent)}}, Text: text})
}

func (p *plan) flagNoReplacement(old *Activity, r response) {
	p.issue(Issue{Code: NoReplacement, Level: record.LevelWarning, Activity: old.ID, Record: r.id, Dated: r.order.at, Rule: "D4.3",
		Inputs: []Fact{{"activity", old.ID}, {"date", whenText(r.sent)}},
		Text:   fmt.Sprintf("%s was missed or cancelled, and nothing is planned in its place.", old.Title)})
}

func (p *plan) flagDischargeUnknown(r response, b Border) {
	p.issue(Issue{Code: DischargeUnknown, Level: record.LevelWarning, Record: r.id, Border: &b, Dated: r.order.at, Rule: "D4.4",
		Text: "This record discharges a border that the surgery did not treat."})
}

func (p *plan) flagDischargeBefore(r response, b Border, at *record.When) {
	p.issue(Issue{Code: DischargeBefore, Level: record.LevelCritical, Record: r.id, Border: &b, Dated: r.order.at, Rule: "D4.4",
		Inputs: []Fact{{"discharged", whenText(at)}, {"operated", p.operated.first.String()}},
		Text:   "This record discharges a border on a day before its surgery. The follow-up goes on until the date is corrected."})
}

func (p *plan) flagDeathBefore() {
	p.issue(Issue{Code: DeathBefore, Level: record.LevelCritical, Record: p.Surgery.Record, Dated: p.operated.start, Rule: "D4.4",
		Inputs: []Fact{{"died", whenText(p.DeathDate)}, {"operated", p.operated.first.String()}},
		Text:   "The patient is recorded as having died before the surgery. The follow-up goes on until one of the dates is corrected."})
}

// flagHealedBefore flags each healing dated before the surgery.
func (p *plan) flagHealedBefore() {
	for _, r := range p.responses {
		for _, toe := range r.toes {
			for _, f := range toe.Borders {
				if b := (Border{toe.Side, toe.Digit, f.Border, f.Key}); p.BeforeSurgery(f.HealedOn) && len(p.find(b)) > 0 {
					p.issue(Issue{Code: HealedBefore, Level: record.LevelWarning, Record: r.id, Border: &b, Dated: r.order.at, Rule: "C-51",
						Inputs: []Fact{{"healed", whenText(f.HealedOn)}, {"operated", p.operated.first.String()}},
						Text:   "This record dates the healing of a border before its surgery. The border counts as not healed by that date."})
				}
			}
		}
	}
}

// flagOutcome tells of a surgery whose outcome and content contradict each
// other: either way nobody can tell what is to be followed up (D4.4).
func (p *plan) flagOutcome() {
	s := p.Surgery.Surgery
	text := ""
	switch {
	case s.Outcome == "not-done" && anyBegun(s):
		text = "The surgery is recorded as not done, and treatment of a nail border is recorded; there is no follow-up until this is cleared up."
	case s.Outcome == "done" && len(p.borders) == 0:
		text = "The surgery is recorded as done, and no toe is recorded as treated; please say what was done."
	default:
		return
	}
	level := record.LevelCritical
	if p.Historical {
		level = record.LevelWarning
	}
	facts := []Fact{{"outcome", string(s.Outcome)}}
	for _, b := range recordedBorders(s, func(record.Code, record.Border) bool { return true }) {
		facts = append(facts, Fact{"border", b.Border.String()})
	}
	p.issue(Issue{Code: OutcomeDisputed, Level: level, Record: p.Surgery.Record, Dated: p.operated.start, Rule: "D4.4", Inputs: facts, Text: text})
}

// anyBegun reports a border that was treated, by its own outcome or by what is
// recorded of it.
func anyBegun(s *record.Surgery) bool {
	return slices.ContainsFunc(s.Toes, func(t record.Toe) bool {
		return slices.ContainsFunc(t.Borders, func(b record.Border) bool { return b.Outcome == "done" || begun(b) })
	})
}

// flagElsewhere tells of findings on a toe or border that the surgery did not
// operate on: the wrong toe looked at, or written down. A surgery that records
// no toe says nothing of the kind.
func (p *plan) flagElsewhere() {
	operated := p.borders
	if len(operated) == 0 {
		operated = recordedBorders(p.Surgery.Surgery, func(record.Code, record.Border) bool { return true })
	}
	if len(operated) == 0 {
		return
	}
	for _, r := range p.responses {
		for _, t := range r.toes {
			for _, at := range elsewhere(operated, t) {
				p.issue(Issue{Code: FindingElsewhere, Level: record.LevelWarning, Record: r.id, Border: &at, Dated: r.order.at, Rule: "D4.4",
					Inputs: []Fact{{"place", at.String()}},
					Text:   "Something was found at a toe or border that the surgery did not operate on."})
			}
		}
	}
}

// elsewhere are the places of a toe's findings that were not operated on: the
// toe, or borders of it.
func elsewhere(operated []BorderState, t record.ToeFindings) []Border {
	if !slices.ContainsFunc(operated, func(b BorderState) bool { return b.Side == t.Side && b.Digit == t.Digit }) {
		return []Border{{Side: t.Side, Digit: t.Digit}}
	}
	var out []Border
	for _, f := range t.Borders {
		at := Border{Side: t.Side, Digit: t.Digit, Border: f.Border}
		if f.Border != "" && len(findIn(operated, at)) == 0 && !slices.Contains(out, at) {
			out = append(out, at)
		}
	}
	return out
}

func (p *plan) flagPlannedWithoutPlan() {
	if len(p.Surgery.Surgery.PlannedReviews) > 0 {
		p.issue(Issue{Code: PlannedNoPlan, Level: record.LevelWarning, Record: p.Surgery.Record, Rule: "D4.4",
			Text: "A review is planned, but no border was treated, so there is no follow-up plan to hold it."})
	}
}

// The healing times of leaflets after chemical ablation, in days: 7 weeks for
// part of a nail, 10 for the whole (C-51).
const (
	partialHealsWithin = 49
	totalHealsWithin   = 70
)

const healingSource = "UK community podiatry leaflets: part nail 5 to 7 weeks, whole nail 8 to 10 weeks (scribd.com 659204559; paperzz.com 9009366)"

// flagUnhealed flags a border whose latest recorded wound stage is not healed
// past the leaflets' healing time (C-51).
func (p *plan) flagUnhealed() {
	if !p.dated || p.reason == PatientDied {
		return
	}
	for i := range p.borders {
		b := &p.borders[i]
		limit := partialHealsWithin
		if b.Procedure == "total-avulsion" {
			limit = totalHealsWithin
		}
		if b.Procedure != "partial-avulsion" && b.Procedure != "total-avulsion" || !b.Chemical {
			continue
		}
		r, unhealed := p.lastStage(b)
		if days := r.day.first.DaysSince(p.operated.first); unhealed && days > limit {
			p.issue(Issue{Code: UnhealedLate, Level: record.LevelWarning, Record: r.id, Border: &b.Border, Dated: r.order.at, Rule: "C-51", Source: healingSource,
				Inputs: []Fact{{"days since the operation", fmt.Sprint(days)}, {"limit in days", fmt.Sprint(limit)}},
				Text:   fmt.Sprintf("Not healed %d days after the operation; leaflets expect healing within %d weeks.", days, limit/7)})
		}
	}
}

// lastStage is the latest dated response that states the wound stage of the
// border or the day it healed, and whether it was not healed.
func (p *plan) lastStage(b *BorderState) (response, bool) {
	var last response
	unhealed := false
	for _, r := range p.responses {
		if !r.dated || !r.day.exact {
			continue
		}
		for _, toe := range r.toes {
			for _, f := range toe.Borders {
				if (f.WoundStage != "" || f.HealedOn != nil) && slices.Contains(p.find(Border{toe.Side, toe.Digit, f.Border, f.Key}), b) {
					last, unhealed = r, (f.HealedOn == nil || p.ahead(f.HealedOn, r.id) || p.BeforeSurgery(f.HealedOn)) && f.WoundStage != "healed"
				}
			}
		}
	}
	return last, unhealed
}
