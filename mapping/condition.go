package mapping

import (
	"cmp"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/condition_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// conditions builds the indication and every complication of the case.
func (b *builder) conditions() {
	if b.hasIndication() {
		b.indication()
	}
	for _, c := range b.complications() {
		b.complicationCondition(c)
	}
}

// indication builds the Condition that was operated on. Each operated border
// is a bodySite of its own, which carries its toe as coding and its
// BodyStructure as extension (D5.1), since that extension stands once per
// element.
func (b *builder) indication() {
	s := b.surgery.Surgery
	in := s.Indication
	status, abated := b.indicationStatus()
	out := &cpb.Condition{
		Id:             r4.ID(b.conditionRef().ID),
		ClinicalStatus: b.element("condition-clinical-" + status),
		Category:       []*dpb.CodeableConcept{b.element("condition-category-encounter-diagnosis")},
		Code:           b.indicationCode(),
		Subject:        r4.Ref(b.patientRef()),
		Encounter:      r4.Ref(b.encounterRef(b.surgery.Record)),
		Recorder:       b.who(b.surgery.Author),
		Asserter:       b.who(s.Operator),
		Stage:          b.stage(in),
		Text:           b.indicationText(status, abated),
	}
	for _, p := range operatedPlaces(s) {
		out.BodySite = append(out.BodySite, b.borderSite(p))
	}
	if in.Since != nil {
		out.Onset = &cpb.Condition_OnsetX{Choice: &cpb.Condition_OnsetX_DateTime{DateTime: b.when(in.Since)}}
	}
	if abated != nil {
		out.Abatement = &cpb.Condition_AbatementX{Choice: &cpb.Condition_AbatementX_DateTime{DateTime: b.when(abated)}}
	}
	if n := r4.Annotation(in.Text, resource.Ref{}, nil); n != nil && in.Condition != "" {
		out.Note = []*dpb.Annotation{n}
	}
	b.add(out)
}

// indicationCode is the code of the indication; that of the hallux only when
// no other toe was operated on.
func (b *builder) indicationCode() *dpb.CodeableConcept {
	s := b.surgery.Surgery
	var digit record.Code
	for i, t := range s.Toes {
		if i > 0 && t.Digit != digit {
			digit = ""
			break
		}
		digit = t.Digit
	}
	c := b.s.Terms.Indication(s.Indication.Condition, digit, b.s.Codes)
	if c.IsZero() {
		return r4.CodeableConcept(s.Indication.Text)
	}
	return r4.Concept(c)
}

// stage names the stage and the system that it is of (con-1: a stage has a
// summary).
func (b *builder) stage(in *record.Indication) []*cpb.Condition_Stage {
	if in.Stage == "" && in.StageSystem == "" {
		return nil
	}
	summary := b.translate("nail-stage", in.Stage)
	if summary == nil {
		summary = r4.AbsentConcept("unknown")
	}
	return []*cpb.Condition_Stage{{Summary: summary, Type: b.translate("nail-stage-system", in.StageSystem)}}
}

// indicationStatus is active until every operated border stands discharged as
// healed with no watch going on; then resolved, with the last of the discharge
// dates where all are known (con-4). Healed alone is not discharged (D4.4).
func (b *builder) indicationStatus() (status string, abated *record.When) {
	last := map[place]*record.Discharge{}
	for _, r := range b.later {
		eachBorderFinding(r, func(p place, f *record.BorderFindings) {
			if f.Discharge != nil && !b.ahead(cmp.Or(f.Discharge.At, r.VisitAt()), r) {
				last[p] = f.Discharge
			}
		})
	}
	places := operatedPlaces(b.surgery.Surgery)
	dated := true
	for _, p := range places {
		d := last[p]
		if p.border == "" || d == nil || d.Reason != "healed" || d.WatchGoesOn {
			return "active", nil
		}
		switch {
		case d.At == nil:
			dated = false
		case abated == nil || abated.Before(*d.At, b.s.Clinic.Zone):
			abated = d.At
		}
	}
	switch {
	case len(places) == 0:
		return "active", nil
	case !dated:
		return "resolved", nil
	}
	return "resolved", abated
}

func (b *builder) indicationText(status string, abated *record.When) *dpb.Narrative {
	in := b.surgery.Surgery.Indication
	t := r4.NewText("Why the nail was operated on").
		Row("Condition", record.ConditionSet.Display(in.Condition)).
		Row("Stage", record.StageSet.Display(in.Stage)).
		Row("Stage system", record.StageSystemSet.Display(in.StageSystem)).
		Row("Since", whenText(in.Since)).
		Row("In words", in.Text).
		Row("Status", status).
		Row("Resolved on", whenText(abated))
	for _, p := range operatedPlaces(b.surgery.Surgery) {
		t.Row("Place", placeText(p.side, p.digit, p.border))
	}
	return t.Narrative()
}

// borderSite is a bodySite with the toe as coding, the border in words and its
// BodyStructure as extension; nil when the toe is not known.
func (b *builder) borderSite(p place) *dpb.CodeableConcept {
	site := b.toeSite(p.side, p.digit)
	if site == nil {
		return nil
	}
	site.Extension = b.siteExtension(p.side, p.digit, p.border)
	site.Text = r4.String(placeText(p.side, p.digit, p.border))
	return site
}

// operatedPlaces lists every border of every toe of a sitting, each once and in
// order; a toe without borders counts as a place without border.
func operatedPlaces(s *record.Surgery) []place {
	var out []place
	seen := map[place]bool{}
	add := func(p place) {
		if !seen[p] && record.ToeCode(p.side, p.digit) != "" {
			seen[p] = true
			out = append(out, p)
		}
	}
	for _, t := range s.Toes {
		for _, bd := range t.Borders {
			add(place{t.Side, t.Digit, bd.Border})
		}
		if len(t.Borders) == 0 {
			add(place{t.Side, t.Digit, ""})
		}
	}
	return out
}

// eachBorderFinding calls f for every border looked at in a review or contact.
func eachBorderFinding(r *record.Record, f func(place, *record.BorderFindings)) {
	for _, t := range findingsOf(r) {
		for i := range t.Borders {
			f(place{t.Side, t.Digit, t.Borders[i].Border}, &t.Borders[i])
		}
	}
}
