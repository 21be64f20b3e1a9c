package mapping

import (
	"slices"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/condition_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// complication is something that went wrong through the surgery: an untoward
// event of the sitting, or what a clinician diagnosed at a border later. Signs
// of infection without a diagnosis are none.
type complication struct {
	ref    resource.Ref // the Condition
	rec    *record.Record
	at     *record.When // when it was first diagnosed; nil for an event
	by     *record.Person
	set    string // of code, in mapping/terms
	code   record.Code
	text   string
	key    string // of the event; "" for a diagnosis
	place  place  // zero for an event of the whole sitting
	status string // clinical status; "" where the record does not tell
}

// infections are the diagnoses that a later diagnosis of no infection at the
// same border resolves.
var infections = []record.Code{"wound-infection", "cellulitis", "abscess", "osteomyelitis"}

// complications lists the complications of the case: the events in order, then
// the diagnoses by the time they were first made. A diagnosis made again at the
// same border is the same complication.
func (b *builder) complications() []complication {
	out := b.eventComplications()
	first := map[resource.Ref]int{}
	for _, r := range b.later {
		eachBorderFinding(r, func(p place, f *record.BorderFindings) {
			switch {
			case f.Infection == nil || f.Infection.Diagnosis == "":
			case f.Infection.Diagnosis == "no-infection":
				for i := range out {
					if out[i].place == p && slices.Contains(infections, out[i].code) {
						out[i].status = "resolved"
					}
				}
			default:
				c := b.diagnosed(r, p, f.Infection.Diagnosis)
				if i, again := first[c.ref]; again {
					out[i].status = c.status
					return
				}
				first[c.ref] = len(out)
				out = append(out, c)
			}
		})
	}
	return out
}

func (b *builder) eventComplications() []complication {
	if b.surgery == nil || b.surgery.Surgery == nil || b.surgery.Surgery.Events == nil {
		return nil
	}
	var out []complication
	s := b.surgery.Surgery
	for i, key := range record.EventKeys(s.Events.Items) {
		e := s.Events.Items[i]
		out = append(out, complication{
			ref: b.caseRef("Condition", "event", key), key: key, rec: b.surgery, by: s.Operator,
			set: "surgery-event", code: e.Code, text: e.Text,
		})
	}
	return out
}

func (b *builder) diagnosed(r *record.Record, p place, code record.Code) complication {
	c := complication{
		ref: b.caseRef("Condition", "diagnosis", record.ToeCode(p.side, p.digit), string(p.border), string(code)),
		rec: r, at: r.VisitAt(), set: "wound-diagnosis", code: code, place: p, status: "active",
	}
	switch {
	case r.Review != nil:
		c.by = r.Review.Reviewer
	case r.Contact != nil:
		c.by = r.Contact.TakenBy
	}
	return c
}

// complicationRefs are the Conditions for Procedure.complicationDetail of the
// sitting.
func (b *builder) complicationRefs() []resource.Ref {
	var out []resource.Ref
	for _, c := range b.complications() {
		out = append(out, c.ref)
	}
	return out
}

// causePlace is the border whose operation a complication is due to; the zero
// place, the sitting, when it has no border or that border was not operated on.
func (b *builder) causePlace(c complication) place {
	if b.surgery == nil || b.surgery.Surgery == nil || c.place.border == "" || !slices.Contains(operatedPlaces(b.surgery.Surgery), c.place) {
		return place{}
	}
	return c.place
}

// cause is the Procedure that a complication is due to: the operation on its
// border, else the sitting. ok is false while the surgery is unknown.
func (b *builder) cause(c complication) (ref resource.Ref, ok bool) {
	if b.surgery == nil || b.surgery.Surgery == nil {
		return resource.Ref{}, false
	}
	p := b.causePlace(c)
	if p == (place{}) {
		return b.procedureRef("sitting"), true
	}
	toes := record.ToeKeys(b.surgery.Surgery.Toes)
	for i, t := range b.surgery.Surgery.Toes {
		borders := record.BorderKeys(t.Borders)
		for j, bd := range t.Borders {
			if (place{t.Side, t.Digit, bd.Border}) == p {
				return b.procedureRef("nail", toes[i], borders[j]), true
			}
		}
	}
	return b.procedureRef("sitting"), true
}

// complicationCondition builds the Condition, due to its Procedure.
func (b *builder) complicationCondition(c complication) {
	out := &cpb.Condition{
		Id:        r4.ID(c.ref.ID),
		Category:  []*dpb.CodeableConcept{b.element("condition-category-encounter-diagnosis")},
		Code:      b.complicationCode(c),
		Subject:   r4.Ref(b.patientRef()),
		Encounter: r4.Ref(b.encounterRef(c.rec.Record)),
		Recorder:  b.who(c.rec.Author),
		Asserter:  b.who(c.by),
		Text:      complicationText(c),
	}
	if c.status != "" {
		out.ClinicalStatus = b.element("condition-clinical-" + c.status)
	}
	if c.key != "" {
		out.Identifier = []*dpb.Identifier{b.identifier("event", partValue(b.caseID, c.key))}
	}
	if c.at != nil {
		out.RecordedDate = b.when(c.at)
	}
	if site := b.borderSite(c.place); site != nil {
		out.BodySite = []*dpb.CodeableConcept{site}
	}
	if cause, ok := b.cause(c); ok {
		out.Extension = []*dpb.Extension{r4.Extension(terms.ExtConditionDueTo, r4.Ref(cause))}
	}
	if n := r4.Annotation(c.text, resource.Ref{}, nil); n != nil && c.code != "" && c.code != "other" {
		out.Note = []*dpb.Annotation{n}
	}
	b.add(out)
}

// complicationCode is the code; an event that has none, or only "other", has
// its words.
func (b *builder) complicationCode(c complication) *dpb.CodeableConcept {
	if c.code == "" || c.code == "other" {
		return b.translateText(c.set, c.code, c.text)
	}
	return b.translate(c.set, c.code)
}

func complicationText(c complication) *dpb.Narrative {
	set := record.DiagnosisSet
	if c.set == "surgery-event" {
		set = record.EventSet
	}
	t := r4.NewText("Complication of the surgery").Row("What", set.Display(c.code)).Row("In words", c.text)
	if c.place != (place{}) {
		t.Row("Place", placeText(c.place.side, c.place.digit, c.place.border))
	}
	status := c.status
	if status == "" {
		status = "not recorded"
	}
	return t.Row("Diagnosed", whenText(c.at)).Row("Status", status).Narrative()
}
