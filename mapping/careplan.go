package mapping

import (
	"strings"
	"time"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	cppb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/care_plan_go_proto"
	vspb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/valuesets_go_proto"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// planStatuses are the R4 codes of a plan's status (D4.4).
var planStatuses = map[followup.PlanStatus]cpb.RequestStatusCode_Value{
	followup.PlanActive:    cpb.RequestStatusCode_ACTIVE,
	followup.PlanCompleted: cpb.RequestStatusCode_COMPLETED,
	followup.PlanRevoked:   cpb.RequestStatusCode_REVOKED,
}

// activityStatuses are the R4 codes of an activity's status.
var activityStatuses = map[followup.Status]cpb.CarePlanActivityStatusCode_Value{
	followup.NotStarted: cpb.CarePlanActivityStatusCode_NOT_STARTED,
	followup.Scheduled:  cpb.CarePlanActivityStatusCode_SCHEDULED,
	followup.InProgress: cpb.CarePlanActivityStatusCode_IN_PROGRESS,
	followup.OnHold:     cpb.CarePlanActivityStatusCode_ON_HOLD,
	followup.Completed:  cpb.CarePlanActivityStatusCode_COMPLETED,
	followup.Cancelled:  cpb.CarePlanActivityStatusCode_CANCELLED,
}

// carePlan builds the follow-up plan of the case with its activities and
// goals (https://hl7.org/fhir/R4/careplan.html). No plan: none (D4.4).
func (c *caseFold) carePlan() {
	if c.plan.Status == followup.NoPlan {
		return
	}
	sitting := c.procedureRef("sitting")
	p := &cppb.CarePlan{
		Id:             r4.ID(c.planRef().ID),
		Meta:           r4.Meta(nil, c.planTags()...),
		Identifier:     []*dpb.Identifier{c.identifier("follow-up", c.caseID)},
		Status:         &cppb.CarePlan_StatusCode{Value: planStatuses[c.plan.Status]},
		Intent:         &cppb.CarePlan_IntentCode{Value: vspb.CarePlanIntentValueSet_PLAN},
		Category:       codes(c.element("careplan-category")),
		Title:          r4.String("Follow-up after toenail surgery"),
		Subject:        r4.Ref(c.patientRef()),
		Encounter:      r4.Ref(c.encounterRef(c.caseID)),
		Period:         c.planPeriod(),
		Author:         c.whoOrClinic(c.rec.Author),
		SupportingInfo: r4.Refs(sitting),
		Goal:           r4.Refs(c.goals()...),
	}
	if c.hasIndication() {
		p.Addresses = r4.Refs(c.conditionRef())
	}
	if proto := c.protocol(); proto != nil {
		p.InstantiatesCanonical = []*dpb.Canonical{r4.Canonical(proto.Canonical())}
		p.Category = append(p.Category, codes(c.translate("protocol", record.Code(proto.ID)))...)
	}
	t := r4.NewText("Follow-up after toenail surgery").Row("Status", string(c.plan.Status))
	if why := c.planReason(); why != "" {
		p.Note = []*dpb.Annotation{r4.Annotation(why, resource.Ref{}, nil)}
		t.Row("Reason", why)
	}
	for _, a := range c.plan.Activities {
		p.Activity = append(p.Activity, c.activity(a))
		t.Line(activityText(a))
	}
	p.Text = t.Narrative()
	c.add(p)
}

// planTags mark a plan behind which a newer content is held (D2, held).
func (c *caseFold) planTags() []*dpb.Coding {
	newer := c.in.Surgery.NewerHeld
	for _, v := range c.in.Visits {
		newer = newer || v.NewerHeld
	}
	if !newer {
		return nil
	}
	return []*dpb.Coding{r4.ConceptCoding(c.s.Terms.Element("newer-record-held", c.s.Codes))}
}

// planPeriod runs from the sitting to what ended the plan. Where one of the two
// is known by its date alone both are given as dates, since a time and a date
// of one day do not compare (per-1).
func (c *caseFold) planPeriod() *dpb.Period {
	start := c.sur.SittingAt()
	if c.ahead(start, c.rec) {
		start = nil
	}
	if c.plan.Ended == nil || c.plan.Ended.At == nil {
		return r4.Period(c.when(start), nil)
	}
	end := c.plan.Ended.At
	if start != nil && start.HasTime() != end.HasTime() {
		start, end = dayOf(start), dayOf(end)
	}
	return r4.Period(c.when(start), c.when(end))
}

func (c *caseFold) planReason() string {
	return joinText(followup.StatusReasonSet.Display(c.plan.StatusReason), c.plan.ReasonText)
}

func (c *caseFold) protocol() *followup.Protocol { return c.planIn.Protocol }

// activity builds one dated review. Its id is stable (D4.1); a date not booked
// has the status not-started and says "proposed".
func (c *caseFold) activity(a followup.Activity) *cppb.CarePlan_Activity {
	d := &cppb.CarePlan_Activity_Detail{
		Kind:         &cppb.CarePlan_Activity_Detail_KindCode{Value: vspb.CarePlanActivityKindValueSet_APPOINTMENT},
		Code:         c.element(activityCode(a)),
		Status:       &cppb.CarePlan_Activity_Detail_StatusCode{Value: activityStatuses[a.Status]},
		StatusReason: c.translateText("activity-reason", a.StatusReason, joinReason(a)),
		Description:  r4.String(activityText(a)),
		Scheduled:    &cppb.CarePlan_Activity_Detail_ScheduledX{Choice: &cppb.CarePlan_Activity_Detail_ScheduledX_Period{Period: c.window(a)}},
	}
	if c.hasIndication() {
		d.ReasonReference = r4.Refs(c.conditionRef())
	}
	if proto := c.protocol(); proto != nil && a.Origin == followup.FromProtocol {
		d.InstantiatesCanonical = []*dpb.Canonical{r4.Canonical(proto.Canonical())}
	}
	if who := c.who(a.Performer); who != nil {
		d.Performer = []*dpb.Reference{who}
	}
	out := &cppb.CarePlan_Activity{
		Id:                     r4.String(a.ID),
		OutcomeCodeableConcept: codes(c.translate("activity-reason", a.Outcome)),
		Detail:                 d,
	}
	if a.Planned != "" {
		out.Extension = append(out.Extension, r4.Extension(terms.ExtPlannedReview, c.identifier("planned-review", partValue(a.PlannedBy, a.Planned))))
	}
	for _, old := range a.Replaces {
		out.Extension = append(out.Extension, r4.Extension(terms.ExtReplacesActivity, r4.String(old)))
	}
	if a.Status == followup.Completed {
		out.OutcomeReference = r4.Refs(c.outcomes(a.ClosedBy())...)
	}
	return out
}

// outcomes are the encounter and the findings of the record that closed an
// activity.
func (c *caseFold) outcomes(recordID string) []resource.Ref {
	if recordID == "" {
		return nil
	}
	out := []resource.Ref{c.encounterRef(recordID)}
	return append(out, c.observed[recordID]...)
}

// activityCode is the element of what an activity is.
func activityCode(a followup.Activity) string {
	switch {
	case a.Mode == "telephone":
		return "telephone-review"
	case a.Origin == followup.FromRecall:
		return "recall"
	}
	return "review-visit"
}

func joinReason(a followup.Activity) string {
	if a.ReasonText == "" {
		return ""
	}
	return joinText(followup.StatusReasonSet.Display(a.StatusReason), a.ReasonText)
}

// window is the activity's window as Period: its first and last day, or the
// booked time to the end of the window.
func (c *caseFold) window(a followup.Activity) *dpb.Period {
	if a.At != nil && a.At.HasTime() {
		return r4.Period(c.when(a.At), r4.DateTimeAt(a.Window.End.Add(-time.Second)))
	}
	return r4.Period(r4.DateTimeDay(a.Window.Start), r4.DateTimeDay(a.Window.End.Add(-time.Second)))
}

// activityText is an activity in a line.
func activityText(a followup.Activity) string {
	days := a.Window.First.String()
	if a.Window.First != a.Window.Last {
		days += " to " + a.Window.Last.String()
	}
	parts := []string{a.Title + ": " + days, strings.ReplaceAll(string(a.Status), "-", " ")}
	if a.Proposed {
		parts = append(parts, "proposed")
	}
	if a.Mode != "" {
		parts = append(parts, strings.ToLower(record.ModeSet.Display(a.Mode)))
	}
	if a.StatusReason != "" {
		parts = append(parts, strings.ToLower(followup.StatusReasonSet.Display(a.StatusReason)))
	}
	return strings.Join(parts, ", ")
}
