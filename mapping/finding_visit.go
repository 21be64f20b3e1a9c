package mapping

import (
	"strconv"

	opb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/observation_go_proto"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// visitFindings builds what a review or contact found.
func (b *builder) visitFindings(r *record.Record) {
	for i, key := range record.FindingKeys(findingsOf(r)) {
		b.toeFindings(r, &findingsOf(r)[i], key)
	}
	b.sent(r)
	b.daysSinceSurgery(r)
	switch {
	case r.Contact != nil:
		b.contactFindings(r, r.Contact)
	case r.Review != nil:
		b.textFinding(r, "clinician-note", r.Review.Note, place{}, resource.Ref{})
		b.codeFinding(r, "footwear-worn", record.FootwearSet, r.Review.Footwear, place{})
		if a := r.Review.Allergies; a != nil {
			b.codeFinding(r, "allergies-asked", record.AllergyStatusSet, a.Status, place{})
		}
	}
}

// contactFindings are what an unplanned call or visit was about.
func (b *builder) contactFindings(r *record.Record, k *record.Contact) {
	b.codeFinding(r, "urgency-of-contact", record.UrgencySet, k.Urgency, place{})
	b.answer(r, "seen-same-day", k.SeenSameDay, place{}, resource.Ref{})
	b.textFinding(r, "contact-advice", k.Advice, place{}, resource.Ref{})
	b.textFinding(r, "contact-outcome", k.Outcome, place{}, resource.Ref{})
}

func (b *builder) toeFindings(r *record.Record, t *record.ToeFindings, key string) {
	b.perfusion(r, t.Side, t.Digit, t.Perfusion, key)
	if t.Pain != nil {
		f := b.named(r, "pain-score", place{t.Side, t.Digit, ""}, key)
		f.value, f.valueText = quantityValue(r4.Quantity(strconv.FormatInt(*t.Pain, 10), "score", "1")), strconv.FormatInt(*t.Pain, 10)+" of 10"
		b.observe(f)
	}
	for i, bk := range record.BorderFindingKeys(t.Borders) {
		b.borderFindings(r, t, &t.Borders[i], key, bk)
	}
}

func (b *builder) borderFindings(r *record.Record, t *record.ToeFindings, x *record.BorderFindings, key, bk string) {
	at := place{t.Side, t.Digit, x.Border}
	b.codeFinding(r, "stage-of-healing", record.WoundStageSet, x.WoundStage, at, key, bk)
	b.codeFinding(r, "exudate-seen", record.ExudateSet, x.Exudate, at, key, bk)
	b.answer(r, "wound-opened", x.Opened, at, resource.Ref{}, key, bk)
	b.codeFinding(r, "regrowth-seen", record.RegrowthSet, x.Regrowth, at, key, bk)
	b.codeFinding(r, "dressing-found", record.DressingSet, x.Dressing, at, key, bk)
	b.infection(r, x.Infection, at, key, bk)
	b.criteria(r, x, at, key, bk)
	if x.HealedOn != nil {
		f := b.named(r, "healing-date", at, key, bk)
		f.value, f.valueText = dateTimeValue(b.when(x.HealedOn)), whenText(x.HealedOn)
		b.observe(f)
	}
	if d := x.Discharge; d != nil {
		b.discharge(r, d, at, key, bk)
	}
}

// infection builds the signs looked for, each as a component, and the
// clinician's opinion. Infection is a Condition only on that opinion.
func (b *builder) infection(r *record.Record, x *record.Infection, at place, key, bk string) {
	if x == nil {
		return
	}
	if len(x.Findings) > 0 {
		f := b.named(r, "infection-signs", at, key, bk)
		seen := map[record.Code]bool{}
		for _, s := range x.Findings {
			if s == "" || seen[s] {
				continue
			}
			seen[s] = true
			f.component = append(f.component, &opb.Observation_Component{
				Code:  b.translate("infection-finding", s),
				Value: &opb.Observation_Component_ValueX{Choice: &opb.Observation_Component_ValueX_CodeableConcept{CodeableConcept: b.translate("answer", "yes")}},
			})
			f.valueText = joinText(f.valueText, record.InfectionFindingSet.Display(s))
		}
		b.observe(f)
	}
	b.codeFinding(r, "wound-opinion", record.DiagnosisSet, x.Diagnosis, at, key, bk)
}

// criteria builds whether the published criteria of infection were met at a
// border: computed, and apart from the clinician's opinion (C-57). Each that was
// met is a component; none is built where the day is not known.
func (b *builder) criteria(r *record.Record, x *record.BorderFindings, at place, key, bk string) {
	if b.surgery == nil || b.surgery.Surgery == nil {
		return
	}
	days, known := daysBetween(b.surgery.Surgery.SittingAt(), r.VisitAt(), b.s.Clinic.Zone)
	met, assessed := followup.Criteria(days+1, x)
	if !known || !assessed {
		return
	}
	f := b.named(r, "infection-criteria", at, key, bk)
	f.computed = true
	value := record.Code("no")
	if len(met) > 0 {
		value = "yes"
	}
	f.setAnswer(b, value)
	for _, code := range met {
		f.component = append(f.component, b.component(string(code), &opb.Observation_Component_ValueX{
			Choice: &opb.Observation_Component_ValueX_CodeableConcept{CodeableConcept: b.translate("answer", "yes")}}))
	}
	f.component = append(f.component, b.component("limit-source", componentString(followup.CriteriaSource)))
	b.observe(f)
}

// discharge builds the discharge of a border with its reason; the text says
// when the watch goes on.
func (b *builder) discharge(r *record.Record, d *record.Discharge, at place, key, bk string) {
	f := b.named(r, "border-discharge", at, key, bk)
	f.at = d.At
	if v := b.translateText("discharge-reason", d.Reason, d.Text); v != nil {
		f.value, f.valueText = conceptValue(v), joinText(record.DischargeReasonSet.Display(d.Reason), d.Text)
	}
	watch := record.Code("no")
	if d.WatchGoesOn {
		watch = "yes"
	}
	f.component = []*opb.Observation_Component{{
		Code:  b.translate("finding", "watch-goes-on"),
		Value: &opb.Observation_Component_ValueX{Choice: &opb.Observation_Component_ValueX_CodeableConcept{CodeableConcept: b.translate("answer", watch)}},
	}}
	b.observe(f)
}

func joinText(a, s string) string {
	if a == "" {
		return s
	}
	if s == "" {
		return a
	}
	return a + ", " + s
}
