package mapping

import (
	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	epb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/encounter_go_proto"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// visit is what a record says of the encounter it tells of.
type visit struct {
	rec    *record.Record
	status cpb.EncounterStatusCode_Value
	mode   record.Code // ModeSet
	period *dpb.Period
	when   string // for the narrative
	by     *record.Person
	// chaperone was there beside the clinician.
	chaperone *record.Person
	reason    *dpb.CodeableConcept
	// cancelled is why it did not take place.
	cancelled *dpb.CodeableConcept
	text      string // of the reason, for the narrative
}

// encounters builds one Encounter per record of the case: the sitting, each
// review, each contact.
func (b *builder) encounters() {
	if b.surgery != nil && b.surgery.Surgery != nil {
		b.encounter(b.sittingVisit(b.surgery))
	}
	for _, r := range b.later {
		switch {
		case r.Review != nil:
			b.encounter(b.reviewVisit(r))
		case r.Contact != nil:
			b.encounter(b.contactVisit(r))
		}
	}
}

// sittingVisit: a sitting takes place at the clinic. One that was not done and
// has no start did not take place.
func (b *builder) sittingVisit(r *record.Record) visit {
	s := r.Surgery
	v := visit{
		rec: r, mode: "in-person", by: s.Operator, chaperone: s.Chaperone, text: s.OutcomeReason,
		period: b.period(s.Start, s.End), when: spanText(s.Start, s.End),
		status: cpb.EncounterStatusCode_FINISHED,
	}
	switch {
	case s.Outcome == "not-done" && s.Start == nil:
		v.status = cpb.EncounterStatusCode_CANCELLED
	case s.Outcome == "" && s.Start == nil && s.End == nil:
		v.status = cpb.EncounterStatusCode_UNKNOWN
	}
	return v
}

// reviewVisit: a review that was missed, cancelled or rebooked is a cancelled
// encounter without period, since it never began (D4.3).
func (b *builder) reviewVisit(r *record.Record) visit {
	review := r.Review
	v := visit{rec: r, mode: review.Mode, by: review.Reviewer, when: whenText(review.At), text: review.Reason}
	switch review.Attended() {
	case "did-not-attend", "cancelled", "rebooked":
		v.status = cpb.EncounterStatusCode_CANCELLED
		v.cancelled = b.cancelled(review)
		return v
	case "attended":
		v.status = cpb.EncounterStatusCode_FINISHED
	default:
		v.status = cpb.EncounterStatusCode_UNKNOWN
	}
	v.period = b.period(review.At, nil)
	return v
}

// cancelled is why a review did not take place: missed, cancelled or rebooked,
// and by whom. Its text holds the words and the time of the appointment too, for
// which R4's Encounter has no element.
func (b *builder) cancelled(v *record.Review) *dpb.CodeableConcept {
	code := followup.ClosingReason(v.Attendance, v.CancelledBy)
	text := joinText(followup.StatusReasonSet.Display(code), whenText(v.At))
	if words := r4.Clean(v.Reason); words != "" {
		text += ": " + words
	}
	return b.translateText("activity-reason", code, text)
}

func (b *builder) contactVisit(r *record.Record) visit {
	c := r.Contact
	return visit{
		rec: r, mode: c.Mode, by: c.TakenBy, when: whenText(c.At), period: b.period(c.At, nil),
		status: cpb.EncounterStatusCode_FINISHED,
		reason: b.contactReason(c),
		text:   c.ReasonText,
	}
}

// contactReason has the meaning of the code as text, since Encounter.reasonCode
// takes no code of ours (D5.7), and the words beside it.
func (b *builder) contactReason(c *record.Contact) *dpb.CodeableConcept {
	text := r4.Clean(c.ReasonText)
	if c.Reason != "" && c.Reason != "other" && text != "" {
		text = record.ContactReasonSet.Display(c.Reason) + ": " + text
	}
	return b.translateText("contact-reason", c.Reason, text)
}

func (b *builder) encounter(v visit) {
	out := &epb.Encounter{
		Id:              r4.ID(b.encounterRef(v.rec.Record).ID),
		Identifier:      []*dpb.Identifier{b.identifier("record", v.rec.Record)},
		Status:          &epb.Encounter_StatusCode{Value: v.status},
		ClassValue:      b.encounterClass(v.mode),
		Type:            b.encounterType(v),
		Subject:         r4.Ref(b.patientRef()),
		Period:          v.period,
		ServiceProvider: r4.Ref(b.orgRef()),
		Text:            encounterText(v),
	}
	if who := b.who(v.by); who != nil {
		out.Participant = []*epb.Encounter_Participant{{
			Type: []*dpb.CodeableConcept{b.element("participant-primary-performer")}, Individual: who,
		}}
	}
	if who := b.who(v.chaperone); who != nil {
		out.Participant = append(out.Participant, &epb.Encounter_Participant{
			Type: []*dpb.CodeableConcept{b.withText("participant-participation", "Chaperone")}, Individual: who,
		})
	}
	if v.reason != nil {
		out.ReasonCode = []*dpb.CodeableConcept{v.reason}
	}
	if v.cancelled != nil {
		out.Extension = []*dpb.Extension{r4.Extension(terms.ExtReasonCancelled, v.cancelled)}
	}
	out.Extension = append(out.Extension, b.ownWords(v.rec)...)
	if b.hasIndication() {
		out.ReasonReference = r4.Refs(b.conditionRef())
	}
	if v.rec.Kind != "surgery" {
		out.ReasonReference = append(out.ReasonReference, b.sittingOf(v.rec))
	}
	b.add(out)
}

// sittingOf refers a review or contact to the sitting that it follows: while
// that is unknown, by the clinic's number of it.
func (b *builder) sittingOf(r *record.Record) *dpb.Reference {
	if b.surgery != nil {
		return r4.Ref(b.procedureRef("sitting"))
	}
	return &dpb.Reference{Type: r4.URI("Procedure"), Identifier: b.identifier("procedure", partValue(r.Case(), ""))}
}

// encounterClass is the class of a mode; R4 demands one, so a mode not
// recorded is said to be unknown.
func (b *builder) encounterClass(mode record.Code) *dpb.Coding {
	if c := r4.ConceptCoding(b.s.Terms.Translate("encounter-class", mode, b.s.Codes)); c != nil {
		return c
	}
	return &dpb.Coding{Extension: []*dpb.Extension{r4.AbsentReason("unknown")}}
}

// encounterType is what kind of record tells of the encounter, and the mode
// where it was recorded.
func (b *builder) encounterType(v visit) []*dpb.CodeableConcept {
	out := []*dpb.CodeableConcept{b.translate("record-kind", v.rec.Kind)}
	if v.rec.Kind == "surgery" || v.mode == "" {
		return out
	}
	return append(out, b.translate("contact-mode", v.mode))
}

var encounterWords = map[cpb.EncounterStatusCode_Value]string{
	cpb.EncounterStatusCode_FINISHED:  "finished",
	cpb.EncounterStatusCode_CANCELLED: "cancelled",
	cpb.EncounterStatusCode_UNKNOWN:   "not known",
}

func encounterText(v visit) *dpb.Narrative {
	t := r4.NewText(record.KindSet.Display(v.rec.Kind)).Row("Status", encounterWords[v.status])
	if r := v.rec.Review; r != nil {
		t.Row("Attendance", record.AttendanceSet.Display(r.Attendance)).Row("Cancelled", record.CancellerSet.Display(r.CancelledBy))
	}
	if c := v.rec.Contact; c != nil {
		t.Row("Reason", record.ContactReasonSet.Display(c.Reason))
	}
	t.Row("Reason in words", v.text).Row("When", v.when)
	if v.by != nil {
		t.Row("By", r4.NameText(v.by.Name))
	}
	if v.chaperone != nil {
		t.Row("Chaperone", r4.NameText(v.chaperone.Name))
	}
	if v.rec.Kind != "surgery" {
		t.Row("Mode", record.ModeSet.Display(v.mode))
	}
	return t.Narrative()
}

// spanText is a start and an end as recorded.
func spanText(start, end *record.When) string {
	switch {
	case end == nil:
		return whenText(start)
	case start == nil:
		return "until " + whenText(end)
	}
	return whenText(start) + " to " + whenText(end)
}
