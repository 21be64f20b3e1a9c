package mapping

import (
	opb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/observation_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// measurements builds height, blood glucose and blood pressure.
func (c *caseFold) measurements() {
	m := c.sur.Measurements
	if m == nil {
		return
	}
	c.measured("body-height", m.HeightCm, "cm", m.At, "")
	c.measured("blood-glucose", m.GlucoseMmolL, "mmol/L", m.At, "")
	if m.SystolicMmHg == nil && m.DiastolicMmHg == nil {
		return
	}
	f := c.named(c.rec, "blood-pressure", place{})
	f.at = m.At
	for _, x := range []struct {
		code string
		mmHg *record.Decimal
	}{{"systolic-pressure", m.SystolicMmHg}, {"diastolic-pressure", m.DiastolicMmHg}} {
		if x.mmHg != nil {
			f.component = append(f.component, c.component(x.code, componentQuantity(r4.Quantity(x.mmHg.String(), "mmHg", "mm[Hg]"))))
			f.valueText = joinText(f.valueText, x.mmHg.String()+" mmHg")
		}
	}
	c.observe(f)
}

// measured builds one quantity of the patient, or of a limb.
func (c *caseFold) measured(code string, v *record.Decimal, ucum string, at *record.When, limb record.Code, keys ...string) {
	if v == nil {
		return
	}
	unit := ucum
	if ucum == "mm[Hg]" {
		unit = "mmHg"
	}
	f := c.named(c.rec, code, place{}, keys...)
	f.at, f.limb = at, limb
	f.value, f.valueText = quantityValue(r4.Quantity(v.String(), unit, ucum)), v.String()+" "+unit
	c.observe(f)
}

// vascular builds the pressures and pulses of the legs, each with its limb as
// body site: no site goes without its side (D5.1).
func (c *caseFold) vascular() {
	v := c.sur.Vascular
	if v == nil {
		return
	}
	const brachial = "brachial-systolic-pressure"
	c.measured(brachial, v.LeftArmMmHg, "mm[Hg]", v.At, "left-arm", "left")
	c.measured(brachial, v.RightArmMmHg, "mm[Hg]", v.At, "right-arm", "right")
	for i, key := range record.LegKeys(v.Legs) {
		c.leg(&v.Legs[i], v.At, key)
	}
}

func (c *caseFold) leg(l *record.Leg, at *record.When, key string) {
	var limb record.Code
	if l.Side != "" {
		limb = l.Side + "-leg"
	}
	c.measured("dorsalis-pedis-systolic-pressure", l.DorsalisMmHg, "mm[Hg]", at, limb, key)
	c.measured("posterior-tibial-systolic-pressure", l.TibialMmHg, "mm[Hg]", at, limb, key)
	c.measured("toe-systolic-pressure", l.ToeMmHg, "mm[Hg]", at, limb, key)
	c.measured("capillary-refill", l.RefillSeconds, "s", at, limb, "leg", key)
	for _, x := range []struct {
		code   string
		answer record.Code
	}{{"dorsalis-pedis-pulse", l.DorsalisPulse}, {"posterior-tibial-pulse", l.TibialPulse}} {
		if x.answer != "" {
			f := c.named(c.rec, x.code, place{}, key)
			f.at, f.limb = at, limb
			f.setAnswer(c.builder, x.answer)
			c.observe(f)
		}
	}
}

// capacity builds what was found about the patient's consent that R4's Consent
// has no element for, and about the earlier history of the nail.
func (c *caseFold) capacity() {
	if i := c.sur.Indication; i != nil {
		c.answer(c.rec, "earlier-nail-surgery", i.EarlierSurgery, place{}, resource.Ref{})
	}
	if s := c.sur.Consent; s != nil {
		c.codeFinding(c.rec, "capacity-to-consent", record.CapacitySet, s.Capacity, place{})
		c.answer(c.rec, "adult-present", s.AdultPresent, place{}, resource.Ref{})
	}
	if i := c.sur.Interpreter; i != nil && *i != (record.Interpreter{}) {
		f := c.named(c.rec, "interpreter-used", place{})
		if i.Used != "" {
			f.setAnswer(c.builder, i.Used)
		}
		if r4.Clean(i.Language) != "" {
			f.component = []*opb.Observation_Component{c.component("interpreter-language", componentString(i.Language))}
			f.valueText = joinText(f.valueText, i.Language)
		}
		c.observe(f)
	}
}

// goingHome builds the advice and the way home (C-59).
func (c *caseFold) goingHome() {
	c.advice()
	h := c.sur.Home
	if h == nil {
		return
	}
	c.answer(c.rec, "escorted-home", h.Escort, place{}, resource.Ref{})
	c.codeFinding(c.rec, "transport-home", record.TransportSet, h.Transport, place{})
	c.codeFinding(c.rec, "footwear-worn", record.FootwearSet, h.Footwear, place{})
	c.answer(c.rec, "kit-given", h.Kit, place{}, resource.Ref{})
	c.textFinding(c.rec, "kit-contents", h.KitText, place{}, resource.Ref{})
	c.textFinding(c.rec, "contact-for-trouble", h.Contact, place{}, resource.Ref{})
}

// advice builds the advice given, as an act of education.
func (c *caseFold) advice() {
	x := c.sur.Advice
	if x == nil || *x == (record.Advice{}) {
		return
	}
	a := c.part(c.procedureRef("advice"), place{}, "advice")
	a.title, a.code, a.category, a.note = "Advice on care at home", c.element("advice"), "procedure-category-education", x.Text
	a.status = stepStatus(map[record.Code]record.Code{"yes": "done", "no": "not-done"}[x.Given])
	switch x.Given {
	case "no":
		a.start, a.end = nil, nil
	case "unknown":
		a.reason = record.AnswerSet.Display(x.Given)
	}
	a.rows = [][2]string{{"In words", x.Text}}
	c.procedure(a)
	c.answer(c.rec, "written-advice", x.Written, place{}, a.ref)
}
