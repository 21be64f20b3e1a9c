package followup

import (
	"cmp"
	"slices"
	"time"

	"nailbridge/mapping/record"
)

// Input is what a plan is made of. Plan reads it and changes nothing.
type Input struct {
	// Surgery is the current content of the surgery's record.
	Surgery *record.Record
	// Responses are the current contents of the reviews and contacts of the
	// case, one per record id, in any order. Drafts and withdrawn ones are
	// passed over.
	Responses []*record.Record
	// Protocol is the one that the record or the clinic's setting names; nil:
	// none (D4.1).
	Protocol *Protocol
	// Received is when each content was received, by record id; one without an
	// entry is believed in everything. A date later than the day after is not
	// believed: what has not come to pass ends and moves nothing.
	Received map[string]time.Time
	// Zone is the clinic's zone; nil is UTC.
	Zone *time.Location
	// Overdue are the facts stored for the case (D1.6).
	Overdue []OverdueFact
	// DeathDate is the patient's, nil when none is recorded or believed.
	DeathDate *record.When
	// Historical says that the case is not followed here (D4.4).
	Historical bool
	// DaysOff is the clinic's setting.
	DaysOff DaysOff
}

// OverdueFact is a committed fact: the window of the activity that ended at
// this instant passed with no review recorded (D1.6).
type OverdueFact struct {
	Activity  string    `json:"activity"`
	WindowEnd time.Time `json:"windowEnd"`
}

// Equal reports that g says the same; the zones of the ends may differ.
func (f OverdueFact) Equal(g OverdueFact) bool {
	return f.Activity == g.Activity && f.WindowEnd.Equal(g.WindowEnd)
}

// PlanStatus is the status of the plan as a whole, a code of
// http://hl7.org/fhir/request-status, or "" for no plan.
type PlanStatus string

// The statuses of a plan (D4.4).
const (
	NoPlan        PlanStatus = ""
	PlanActive    PlanStatus = "active"
	PlanCompleted PlanStatus = "completed"
	PlanRevoked   PlanStatus = "revoked"
)

// Output is the plan of one case. It shares the pointers of its Input.
type Output struct {
	Status       PlanStatus
	StatusReason record.Code // StatusReasonSet; "" while active
	ReasonText   string      // why the follow-up was stopped, as recorded
	Ended        *Closing    // what ended the plan; nil while active or never followed
	// Activities by window start, window end, id.
	Activities []Activity
	// Issues by activity, code, record, border.
	Issues []Issue
	// Borders are the treated borders and whether each is discharged.
	Borders []BorderState
	// Matches names, by record id of a review or of a contact that counts as
	// one, the activity it closed.
	Matches map[string]string

	sitting
}

// sitting is when the operation was.
type sitting struct {
	operated span
	dated    bool // the day of the operation is known
	zone     *time.Location
}

// BeforeSurgery reports a date that ended before the day of the operation began:
// it ends and heals nothing, since a slip of a date must not end the watch (D4.4).
func (s sitting) BeforeSurgery(w *record.When) bool {
	at, ok := spanOf(w, s.zone)
	return ok && s.dated && at.last.Compare(s.operated.first) < 0
}

// plan is a plan in the making.
type plan struct {
	Input
	sitting
	responses  []response
	acts       map[string]*Activity
	borders    []BorderState
	status     PlanStatus
	reason     record.Code
	reasonText string
	ended      *Closing
	issues     []Issue
	matches    map[string]string
	openable   map[string]bool // the ids of activities that responses may open
}

// Plan makes the plan of one case. The result depends on the set of records,
// never on their order.
func Plan(in Input) Output {
	if in.Zone == nil {
		in.Zone = time.UTC
	}
	p := &plan{Input: in, sitting: sitting{zone: in.Zone}, acts: map[string]*Activity{}, matches: map[string]string{}}
	if in.Surgery == nil || in.Surgery.Surgery == nil || !counts(in.Surgery) {
		return Output{}
	}
	p.readOperated()
	p.responses = readResponses(in.Responses, in.Received, in.Zone)
	p.borders = treatedBorders(in.Surgery.Surgery)
	p.flagOutcome()
	p.flagElsewhere()
	if !followed(in.Surgery.Surgery, p.borders) {
		p.flagPlannedWithoutPlan()
		return Output{Issues: sortIssues(p.issues)}
	}
	p.readDischarges()
	if in.Historical {
		return Output{Status: PlanRevoked, StatusReason: NotFollowedHere, Borders: p.borders, sitting: p.sitting}
	}
	p.decideStatus()
	p.openBase()
	p.answerAll()
	p.closeOpen()
	p.flag()
	return p.output()
}

// ahead reports a date that had not come to pass when the record with the id was
// received.
func (p *plan) ahead(w *record.When, id string) bool { return w.Ahead(p.Received[id], p.Zone) }

// counts reports whether a current content is one that is folded.
func counts(r *record.Record) bool {
	return r != nil && r.Status != "draft" && r.Status != "withdrawn"
}

// readOperated reads the day from which a protocol counts: the start of the
// sitting, else its end.
func (p *plan) readOperated() {
	s := p.Surgery.Surgery
	for _, w := range []*record.When{s.Start, s.End} {
		if at, ok := spanOf(w, p.Zone); ok && at.exact && !p.ahead(w, p.Surgery.Record) {
			p.operated, p.dated = at, true
			return
		}
	}
}

// decideStatus decides the status from deaths, discharges and stops (D4.4).
func (p *plan) decideStatus() {
	p.status = PlanActive
	stop, text := p.firstStop()
	died := p.DeathDate != nil
	if died && p.BeforeSurgery(p.DeathDate) {
		p.flagDeathBefore()
		died = false
	}
	switch {
	case died:
		p.status, p.reason = PlanCompleted, PatientDied
		p.ended = p.closing(ByDeath, "", p.DeathDate)
	case allDischarged(p.borders):
		p.status, p.reason = PlanCompleted, Discharged
		last := slices.MaxFunc(p.borders, func(a, b BorderState) int { return a.order.compare(b.order) })
		p.ended = p.closing(ByDischarge, last.Record, last.At)
	case stop != nil:
		p.status, p.reason, p.reasonText = PlanRevoked, FollowUpStopped, text
		p.ended = stop
	}
}

// firstStop is the earliest clinical stop, by (date, record id).
func (p *plan) firstStop() (*Closing, string) {
	type stopped struct {
		by   *Closing
		text string
		order
	}
	var all []stopped
	add := func(s *record.FollowUpStopped, id string, fallback *record.When) {
		if s != nil {
			at := cmp.Or(s.At, fallback)
			if p.ahead(at, id) {
				return
			}
			all = append(all, stopped{p.closing(ByStop, id, at), s.Reason, orderOf(at, id, p.Zone)})
		}
	}
	add(p.Surgery.Surgery.Stopped, p.Surgery.Record, p.Surgery.Surgery.Start)
	for _, r := range p.responses {
		add(r.stopped, r.id, r.sent)
	}
	if len(all) == 0 {
		return nil, ""
	}
	first := slices.MinFunc(all, func(a, b stopped) int { return a.compare(b.order) })
	return first.by, first.text
}

func (p *plan) closing(cause Cause, id string, at *record.When) *Closing {
	c := &Closing{Cause: cause, Record: id, At: at}
	if s, ok := spanOf(at, p.Zone); ok {
		c.start, c.first = s.start, s.first
	} else {
		c.At = nil
	}
	return c
}

// openBase opens the protocol's steps and the reviews that the surgery planned.
func (p *plan) openBase() {
	if p.Protocol != nil && p.dated {
		for _, s := range p.Protocol.Steps {
			a := &Activity{ID: s.ID, Step: s.ID, Title: s.Title, root: s.Title, Origin: FromProtocol}
			a.propose(s.When, p.operated.first, p.DaysOff, p.Zone)
			p.acts[s.ID] = a
		}
	}
	if p.Protocol != nil && !p.dated {
		p.issue(Issue{Code: SurgeryUndated, Level: record.LevelWarning, Record: p.Surgery.Record, Rule: "D4.1",
			Text: "The day of the operation is not recorded, so the follow-up protocol gives no dates."})
	}
	for i := range p.Surgery.Surgery.PlannedReviews {
		next := &p.Surgery.Surgery.PlannedReviews[i]
		if step := p.openStep(next.Step); step != nil && step.BookedBy == "" {
			step.set(next, p.Surgery.Record, p.Zone)
			continue
		}
		p.openPlanned(next, p.Surgery.Record, p.Surgery.Surgery.Start)
	}
}

// closeOpen closes what is still open when the plan has ended.
func (p *plan) closeOpen() {
	if p.ended == nil {
		return
	}
	for _, a := range p.acts {
		if a.Status.Open() {
			a.Status, a.StatusReason, a.ReasonText, a.Closed = Cancelled, p.reason, p.reasonText, p.ended
		}
	}
}

func (p *plan) output() Output {
	o := Output{Status: p.status, StatusReason: p.reason, ReasonText: p.reasonText, Ended: p.ended,
		Issues: sortIssues(p.issues), Borders: p.borders, Matches: p.matches, sitting: p.sitting}
	for _, a := range p.acts {
		slices.Sort(a.Replaces)
		o.Activities = append(o.Activities, *a)
	}
	slices.SortFunc(o.Activities, func(a, b Activity) int {
		return cmp.Or(a.Window.Start.Compare(b.Window.Start), a.Window.End.Compare(b.Window.End), cmp.Compare(a.ID, b.ID))
	})
	return o
}
