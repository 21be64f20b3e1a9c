package followup

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"nailbridge/mapping/record"
)

// order is the order of things within a case: by instant, then record id; the
// undated come after the dated.
type order struct {
	dated bool
	at    time.Time
	id    string
}

// CompareVisits orders reviews and contacts by date of attendance and record id
// (D4.1). An undated one comes last, and one dated ahead of its reception has no
// date; received is as in Input.
func CompareVisits(a, b *record.Record, received map[string]time.Time, loc *time.Location) int {
	return visitOrder(a, received, loc).compare(visitOrder(b, received, loc))
}

func visitOrder(r *record.Record, received map[string]time.Time, loc *time.Location) order {
	return orderOf(visitDate(r, received, loc), r.Record, loc)
}

// visitDate is when a review or contact took place, as far as believed.
func visitDate(r *record.Record, received map[string]time.Time, loc *time.Location) *record.When {
	if at := r.VisitAt(); !at.Ahead(received[r.Record], loc) {
		return at
	}
	return nil
}

func orderOf(at *record.When, id string, loc *time.Location) order {
	s, ok := spanOf(at, loc)
	return order{ok, s.start, id}
}

func (o order) compare(p order) int {
	if o.dated != p.dated {
		if o.dated {
			return -1
		}
		return 1
	}
	return cmp.Or(o.at.Compare(p.at), cmp.Compare(o.id, p.id))
}

// response is a review or contact, reduced to what the plan needs.
type response struct {
	order
	at      *record.When // as far as believed
	sent    *record.When // as recorded
	day     span
	cause   Cause
	names   string // the activity it names
	answers bool   // it closes an activity
	assumed bool   // the attendance is not stated, and read from the findings
	// attendance is of record.AttendanceSet; "attended" for a contact.
	attendance  record.Code
	cancelledBy record.Code
	reason      string
	next        *record.PlannedReview
	stopped     *record.FollowUpStopped
	toes        []record.ToeFindings
}

func (r response) attended() bool { return r.attendance == "attended" }

// readResponses reduces and sorts the reviews and contacts that count.
func readResponses(records []*record.Record, received map[string]time.Time, loc *time.Location) []response {
	var out []response
	for _, rec := range records {
		if !counts(rec) {
			continue
		}
		var r response
		switch {
		case rec.Review != nil:
			r = readReview(rec.Review)
		case rec.Contact != nil:
			r = readContact(rec.Contact)
		default:
			continue
		}
		r.at, r.sent = visitDate(rec, received, loc), rec.VisitAt()
		r.order = visitOrder(rec, received, loc)
		r.day, _ = spanOf(r.at, loc)
		out = append(out, r)
	}
	slices.SortFunc(out, func(a, b response) int { return a.compare(b.order) })
	return out
}

// readReview reads a review.
func readReview(v *record.Review) response {
	r := response{cause: ByReview, names: v.Activity, attendance: v.Attended(), cancelledBy: v.CancelledBy,
		reason: v.Reason, next: v.NextReview, stopped: v.Stopped, toes: v.Toes}
	r.answers, r.assumed = r.attendance != "", r.attendance != v.Attendance
	return r
}

func readContact(v *record.Contact) response {
	return response{cause: ByContact, names: v.Activity, attendance: "attended", answers: v.CountsReview,
		next: v.NextReview, stopped: v.Stopped, toes: v.Toes}
}

// answerAll lets every response close its activity and open the next. They are
// taken in order of (attendance, record id); one that names an activity which a
// later record opens waits for it.
func (p *plan) answerAll() {
	p.readOpenable()
	pending := slices.Clone(p.responses)
	for len(pending) > 0 {
		i := max(slices.IndexFunc(pending, p.ready), 0)
		r := pending[i]
		pending = slices.Delete(pending, i, i+1)
		answered := p.answer(r, pending)
		p.openNext(r, answered)
	}
}

// ready reports whether a response names nothing, something that exists, or
// something that no record can open.
func (p *plan) ready(r response) bool {
	return !r.answers || r.names == "" || p.acts[r.names] != nil || !p.openable[r.names]
}

// readOpenable lists the ids that openPlanned and replace may give.
func (p *plan) readOpenable() {
	p.openable = map[string]bool{}
	for _, r := range p.responses {
		keys := []string{nextKey, recallKey}
		if r.next != nil && r.next.Key != "" {
			keys = append(keys, r.next.Key, r.next.Key+"-2")
		}
		for _, key := range keys {
			p.openable[OpenedID(r.id, key)] = true
		}
	}
}

// answer closes the activity that the response answers and returns it.
func (p *plan) answer(r response, pending []response) *Activity {
	if r.cause == ByReview && (!r.answers || r.assumed) {
		p.flagNoAttendance(r)
	}
	if !r.answers {
		return nil
	}
	a := p.standing(r.names)
	if r.names == "" {
		a = p.match(r, pending)
	}
	if a == nil || !a.Status.Open() {
		p.flagUnmatched(r, a)
		return nil
	}
	p.matches[r.id] = a.ID
	p.close(a, r)
	return a
}

// standing is the activity with the id or, where that was replaced, the one
// that stands in its place now; nil when there is none.
func (p *plan) standing(id string) *Activity {
	a := p.acts[id]
	for a != nil && a.replacement != "" {
		a = p.acts[a.replacement]
	}
	return a
}

// match finds the open activity with the earliest end whose window holds the
// date of an unnamed response (D4.1). One that a response still to come names
// is left to it, unless this one was not attended: then the replacement is
// what the other answers.
func (p *plan) match(r response, pending []response) *Activity {
	if !r.dated || !r.day.exact {
		return nil
	}
	var best *Activity
	for _, a := range p.acts {
		if !a.Status.Open() || !a.Window.Holds(r.day.first) || r.attended() && p.claimed(a, pending) {
			continue
		}
		if best == nil || cmp.Or(a.Window.End.Compare(best.Window.End), a.Window.Start.Compare(best.Window.Start), cmp.Compare(a.ID, best.ID)) < 0 {
			best = a
		}
	}
	return best
}

func (p *plan) claimed(a *Activity, pending []response) bool {
	return slices.ContainsFunc(pending, func(r response) bool {
		return r.answers && r.names != "" && p.standing(r.names) == a
	})
}

// close closes an activity by a response (D4.3).
func (p *plan) close(a *Activity, r response) {
	a.Closed = p.closing(r.cause, r.id, r.at)
	a.StatusReason = ClosingReason(r.attendance, r.cancelledBy)
	if a.StatusReason == "" {
		a.Status, a.Outcome = Completed, Attended
		return
	}
	a.Status, a.ReasonText = Cancelled, r.reason
	if r.attendance == "did-not-attend" {
		a.Outcome = DidNotAttend
	}
}

// ClosingReason is the reason (StatusReasonSet) for which a review did not take
// place, by its attendance (record.AttendanceSet) and who cancelled it
// (record.CancellerSet); "" for one that was attended, or does not say.
func ClosingReason(attendance, cancelledBy record.Code) record.Code {
	by := func(patient, clinic, unknown record.Code) record.Code {
		switch cancelledBy {
		case "patient":
			return patient
		case "clinic":
			return clinic
		}
		return unknown
	}
	switch attendance {
	case "did-not-attend":
		return DidNotAttend
	case "cancelled":
		return by(CancelledByPatient, CancelledByClinic, CancelledByUnknown)
	case "rebooked":
		return by(RebookedByPatient, RebookedByClinic, RebookedByUnknown)
	}
	return ""
}

// openNext books or opens what the response plans next, and the replacement
// of an activity that was missed, cancelled or rebooked.
func (p *plan) openNext(r response, answered *Activity) {
	next := r.next
	var booked *Activity
	if next != nil {
		if booked = p.openStep(next.Step); booked != nil {
			booked.set(next, r.id, p.Zone)
			next = nil
		}
	}
	if answered == nil || answered.Status == Completed {
		if next != nil {
			p.openPlanned(next, r.id, r.at)
		}
		return
	}
	if booked != nil && answered.Outcome != DidNotAttend {
		answered.replacement = booked.ID
		booked.Replaces = append(booked.Replaces, answered.ID)
		return
	}
	p.replace(answered, r, next)
}

// openStep is the open activity of a protocol step, nil when there is none.
func (p *plan) openStep(step string) *Activity {
	if step == "" {
		return nil
	}
	if a := p.standing(step); a != nil && a.Status.Open() {
		return a
	}
	return nil
}

// propose gives the activity the date of an interval counted from base.
func (a *Activity) propose(i Interval, base Date, off DaysOff, loc *time.Location) {
	a.Status, a.Proposed, a.before, a.after = NotStarted, true, i.Before, i.After
	a.Target = i.date(base, off)
	a.Window = newWindow(a.Target.AddDays(-i.Before), a.Target.AddDays(i.After), loc)
}

// set takes over the date, mode and performer of a planned review. A booked
// date replaces the window: the days of slack are for finding a date. One that
// is not booked moves the window (D4.1). Without a date the window stays; a
// partial date spans its month or year.
func (a *Activity) set(next *record.PlannedReview, by string, loc *time.Location) {
	a.Mode, a.Performer = cmp.Or(next.Mode, a.Mode), cmp.Or(next.With, a.Performer)
	a.Planned, a.PlannedBy = next.Key, ""
	if next.Key != "" {
		a.PlannedBy = by
	}
	at, ok := spanOf(next.At, loc)
	if !ok {
		return
	}
	a.At, a.BookedBy, a.Target = next.At, by, at.first
	a.Proposed, a.Status = true, NotStarted
	before, after := a.before, a.after
	if next.Booked == "yes" {
		a.Proposed, a.Status = false, Scheduled
		before, after = 0, 0
	}
	a.Window = newWindow(at.first.AddDays(-before), at.last.AddDays(after), loc)
}

// openPlanned opens the activity of a planned review that books no open step.
func (p *plan) openPlanned(next *record.PlannedReview, by string, at *record.When) {
	if next.Step != "" && p.Protocol.Step(next.Step) == nil {
		p.issue(Issue{Code: StepUnknown, Level: record.LevelNote, Record: by, Rule: "D4.1",
			Text: "A planned review names a step that the follow-up protocol of this case does not have."})
	}
	if _, ok := spanOf(next.At, p.Zone); !ok {
		p.issue(Issue{Code: PlannedUndated, Level: record.LevelWarning, Record: by, Rule: "D4.2",
			Text: "A planned review has no date, so the plan does not hold it."})
		return
	}
	a := p.open(by, cmp.Or(next.Key, nextKey))
	a.Origin, a.Title, a.root = FromPlanned, "Planned review", "Planned review"
	if s := p.Protocol.Step(next.Step); s != nil {
		a.Step, a.Title, a.root = s.ID, s.Title, s.Title
	}
	a.set(next, by, p.Zone)
}

// open adds an activity of the record with the item key. A key given twice in
// one record takes an ordinal, as the last resort.
func (p *plan) open(by, key string) *Activity {
	id := OpenedID(by, key)
	for n := 2; p.acts[id] != nil; n++ {
		id = OpenedID(by, key+"-"+strconv.Itoa(n))
	}
	a := &Activity{ID: id, OpenedBy: by}
	p.acts[id] = a
	return a
}

// The item keys of activities whose record gives none: a record plans one
// review and replaces one activity at most.
const (
	nextKey   = "next"
	recallKey = "recall"
)

// replace opens the activity in place of one missed, cancelled or rebooked: at
// the date that the record gives, else at the protocol's recall interval from
// the missed date, else none and a flag (D4.3). Once the plan has ended no date
// is computed.
func (p *plan) replace(old *Activity, r response, next *record.PlannedReview) {
	given := false
	if next != nil {
		_, given = spanOf(next.At, p.Zone)
	}
	recall := p.Protocol.recall(old.Step)
	if p.over(r) {
		recall = nil
	}
	if !given && recall == nil {
		if !p.over(r) {
			p.flagNoReplacement(old, r)
		}
		return
	}
	origin, prefix, key := FromRebooked, "In place of: ", nextKey
	if old.Outcome == DidNotAttend {
		origin, prefix, key = FromRecall, "Recall: ", recallKey
	}
	if next != nil {
		key = cmp.Or(next.Key, key)
	}
	a := p.open(r.id, key)
	a.Origin, a.Step, a.root, a.Title = origin, old.Step, old.root, prefix+old.root
	a.Replaces, old.replacement = []string{old.ID}, a.ID
	if recall != nil {
		base := old.Window.Last
		if r.dated {
			base = r.day.last
		}
		a.propose(*recall, base, p.DaysOff, p.Zone)
	}
	if next != nil {
		a.set(next, r.id, p.Zone)
	}
}

// over reports whether the plan had ended by the day of the response.
func (p *plan) over(r response) bool {
	if p.ended == nil {
		return false
	}
	return p.ended.Record == r.id || p.ended.At != nil && r.dated && p.ended.first.Compare(r.day.last) <= 0
}
