package mapping

import (
	"slices"
	"strings"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	opb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/observation_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/terms"
)

// surgeryFindings builds what the surgery's record states of the patient.
func (c *caseFold) surgeryFindings() {
	c.weight()
	c.measurements()
	c.vascular()
	c.risks()
	c.capacity()
	c.goingHome()
	c.untoward()
	c.textFinding(c.rec, "clinician-note", c.sur.Note, place{}, resource.Ref{})
	if a := c.sur.Allergies; a != nil && a.Status != "" {
		c.codeFinding(c.rec, "allergies-asked", record.AllergyStatusSet, a.Status, place{})
	}
}

// weight is the body weight used for dose limits, with R4's bodyweight profile
// (https://hl7.org/fhir/R4/bodyweight.html).
func (c *caseFold) weight() {
	w := c.sur.Weight
	if w == nil || w.Kg == nil && w.Basis == "" && w.At == nil {
		return
	}
	f := finding{
		key: c.weightKey(), rec: c.rec, category: "observation-category-vital-signs",
		code: c.element("body-weight"), title: "Body weight", profile: terms.ProfileBodyWeight,
		at: w.At, performer: performerOf(c.rec), method: c.translate("weight-basis", w.Basis),
	}
	if w.Kg != nil {
		f.value, f.valueText = quantityValue(r4.Quantity(w.Kg.String(), "kg", "kg")), w.Kg.String()+" kg"
	}
	c.observe(f)
}

func (c *caseFold) weightKey() observationKey {
	return observationKey{name: "body-weight", record: c.caseID}
}

// risks builds one finding per risk question answered: "no" and "not asked"
// differ.
func (c *caseFold) risks() {
	r := c.sur.Risks
	if r == nil {
		return
	}
	for _, x := range riskAnswers(r) {
		if x.answer == "" {
			continue
		}
		concept := c.s.Terms.Translate("risk", x.code, c.s.Codes)
		f := finding{
			key: observationKey{"risk", c.caseID, []string{string(x.code)}}, rec: c.rec, category: "observation-category-survey",
			code: r4.Concept(concept), title: concept.Text, performer: performerOf(c.rec),
		}
		f.setAnswer(c.builder, x.answer)
		c.observe(f)
	}
	c.textFinding(c.rec, "risk-override", r.OverrideReason, place{}, resource.Ref{})
	c.quantityFinding(c.rec, "ankle-brachial-index", r.AnkleBrachialIndex, "1", "1", place{}, resource.Ref{})
}

// riskAnswer is a risk question, by its code in the code system "risk", and its
// answer.
type riskAnswer struct{ code, answer record.Code }

// riskAnswers are the risk questions in order; none where nothing was asked.
func riskAnswers(r *record.Risks) []riskAnswer {
	if r == nil {
		return nil
	}
	return []riskAnswer{
		{"pregnant", r.Pregnant}, {"diabetes", r.Diabetes}, {"arterial-disease", r.ArterialDisease},
		{"raynaud", r.Raynaud}, {"neuropathy", r.Neuropathy}, {"anticoagulant", r.Anticoagulant},
		{"immune-suppression", r.ImmuneSuppress}, {"cardiac-disease", r.CardiacDisease},
		{"liver-disease", r.LiverDisease}, {"other-anaesthetic-within-24h", r.OtherAnaestheticWithin24h},
		{"lactating", r.Lactating}, {"sickle-cell", r.SickleCell}, {"bypass", r.Bypass},
		{"renal-replacement", r.RenalReplacement}, {"earlier-ulcer", r.EarlierUlcer},
		{"earlier-amputation", r.EarlierAmputation}, {"deformity", r.Deformity}, {"callus", r.Callus},
		{"active-foot-problem", r.ActiveFootProblem}, {"spreading-infection", r.SpreadingInfection},
	}
}

// untoward says whether anything went wrong; "none" is an answer. What went
// wrong is a Condition each.
func (c *caseFold) untoward() {
	e := c.sur.Events
	if e == nil || !e.None && len(e.Items) == 0 {
		return
	}
	f := c.named(c.rec, "untoward-events", place{})
	a := record.Code("yes")
	if len(e.Items) == 0 {
		a = "no"
	}
	f.setAnswer(c.builder, a)
	c.observe(f)
}

// spot is what a place of the safety arithmetic stands for in the case.
type spot struct {
	place   place
	partOf  []resource.Ref // Procedure or MedicationAdministration
	derived []resource.Ref // Observations the figure is computed from
	limb    record.Code    // of the code system "limb", in place of a toe
}

// readSpots names every place of the safety arithmetic of this surgery.
func (c *caseFold) readSpots() map[string]spot {
	out := map[string]spot{}
	totals := map[string]spot{}
	all := spot{}
	keys := record.ToeKeys(c.sur.Toes)
	for i, toePlace := range safety.ToePlaces(c.sur) {
		t, key := &c.sur.Toes[i], keys[i]
		at := place{t.Side, t.Digit, ""}
		out[toePlace] = spot{place: at, partOf: present(c.procedureRef("sitting"))}
		out[toePlace+"/perfusion"] = spot{place: at, partOf: present(c.procedureRef("sitting"))}
		for j, p := range safety.TourniquetPlaces(toePlace, t) {
			out[p] = spot{place: at, partOf: present(c.procedureRef("tourniquet", key, record.TourniquetKeys(t.Tourniquets)[j]))}
		}
		if t.Block != nil {
			out[toePlace+"/block"] = spot{place: at, partOf: present(c.procedureRef("block", key))}
		}
		for j, p := range safety.AgentPlaces(toePlace, t) {
			ref := c.administrationRef(key, record.AgentKeys(t.Block.Agents)[j])
			out[p] = spot{place: at, partOf: present(ref)}
			total := safety.AgentPlace(t.Block.Agents[j].Agent)
			x := totals[total]
			x.partOf = append(x.partOf, ref)
			x.derived = append(x.derived, c.figureRef(safety.DoseMass, p))
			totals[total] = x
			all.partOf = append(all.partOf, ref)
		}
		for j, p := range safety.BorderPlaces(toePlace, t) {
			bd := &t.Borders[j]
			bk := record.BorderKeys(t.Borders)[j]
			x := spot{place: place{t.Side, t.Digit, bd.Border}, partOf: present(c.procedureRef("nail", key, bk))}
			out[p] = x
			if bd.Matrix == nil {
				continue
			}
			x.partOf = present(c.procedureRef("matrix", key, bk))
			for _, ak := range record.ApplicationKeys(bd.Matrix.Applications) {
				x.derived = append(x.derived, c.observationRef("contact-time", c.caseID, key, bk, ak))
			}
			out[p+"/matrix"] = x
		}
	}
	for p, x := range totals {
		out[p] = x
	}
	c.legSpots(out)
	out[safety.AnaestheticPlace] = all
	return out
}

// legSpots names the legs of the vascular assessment, with the pressures that
// their figures are computed from.
func (c *caseFold) legSpots(out map[string]spot) {
	v := c.sur.Vascular
	if v == nil {
		return
	}
	keys := record.LegKeys(v.Legs)
	for i, p := range safety.LegPlaces(v) {
		x := spot{}
		if side := v.Legs[i].Side; side != "" {
			x.limb = side + "-leg"
		}
		for _, arm := range []string{"left", "right"} {
			x.derived = append(x.derived, c.observationRef("brachial-systolic-pressure", c.caseID, arm))
		}
		for _, code := range []string{"dorsalis-pedis-systolic-pressure", "posterior-tibial-systolic-pressure", "toe-systolic-pressure"} {
			x.derived = append(x.derived, c.observationRef(code, c.caseID, keys[i]))
		}
		out[p] = x
	}
}

func (c *caseFold) figureKey(code, place string) observationKey {
	return observationKey{"figure", c.caseID, []string{code, place}}
}

func (c *caseFold) figureRef(code, place string) resource.Ref {
	return c.observation(c.figureKey(code, place))
}

// doseFigures builds the computed figures of the case (D5.4): performer is the
// clinic, device the bridge, derivedFrom only Observations.
func (c *caseFold) doseFigures() {
	if c.s.Clinic.HideFigures {
		return
	}
	have := map[resource.Ref]bool{}
	for _, f := range c.safe.Figures {
		have[c.figureRef(f.Code, f.Place)] = true
	}
	for _, f := range c.safe.Figures {
		c.figures = append(c.figures, Figure{Case: c.caseID, Figure: f})
		c.figure(f, nearest(c.spots, f.Place), have)
	}
}

// nearest is the spot of a place, or of the closest place above it.
func nearest(spots map[string]spot, p string) spot {
	for p != "" {
		if s, ok := spots[p]; ok {
			return s
		}
		p = p[:max(0, strings.LastIndexByte(p, '/'))]
	}
	return spot{}
}

func (c *caseFold) figure(f safety.Figure, at spot, have map[resource.Ref]bool) {
	concept := c.s.Terms.Translate("finding", record.Code(f.Code), c.s.Codes)
	o := finding{
		key: c.figureKey(f.Code, f.Place), rec: c.rec, category: "observation-category-procedure",
		code: r4.Concept(concept), title: concept.Text, place: at.place, limb: at.limb, computed: true,
		value: quantityValue(r4.Quantity(f.Value, f.Unit, f.Unit)), valueText: f.Value + " " + f.Unit, partOf: at.partOf,
	}
	switch f.Code {
	case safety.DoseTotal, safety.ContactSeconds, safety.AnkleIndex, safety.ToeIndex, safety.IschaemiaGrade:
		o.derived = at.derived
	case safety.DosePerKg, safety.DosePercent, safety.DoseRemaining:
		o.derived = present(c.figureRef(safety.DoseTotal, f.Place))
		if c.sur.Weight != nil && c.sur.Weight.Kg != nil {
			o.derived = append(o.derived, c.observation(c.weightKey()))
		}
	}
	o.derived = slices.DeleteFunc(o.derived, func(r resource.Ref) bool { return !have[r] && !c.has(r) })
	o.component = c.limitComponents(f)
	c.observe(o)
}

// limitComponents are the limit, set, rule and source that a figure was
// compared with.
func (c *caseFold) limitComponents(f safety.Figure) []*opb.Observation_Component {
	var out []*opb.Observation_Component
	if f.Limit != "" {
		out = append(out, c.component("dose-limit", componentQuantity(r4.Quantity(f.Limit, f.LimitUnit, f.LimitUnit))))
	}
	for _, x := range []struct{ code, text string }{{"limit-set", setText(f)}, {"limit-rule", f.Rule}, {"limit-source", f.Source}, {"value-queried", f.Query}} {
		if x.text != "" {
			out = append(out, c.component(x.code, componentString(x.text)))
		}
	}
	return out
}

// setText names the set that a figure was compared with, a clinic's own with its
// date and who approved it.
func setText(f safety.Figure) string {
	if f.Approval == "" {
		return f.Set
	}
	return f.Set + " (" + f.Approval + ")"
}

// codes is the list form of a concept that may be absent.
func codes(c *dpb.CodeableConcept) []*dpb.CodeableConcept {
	if c == nil {
		return nil
	}
	return []*dpb.CodeableConcept{c}
}
