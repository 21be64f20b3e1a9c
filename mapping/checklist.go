package mapping

import (
	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// checklist builds what goes with the sitting beside the toes: the steps of the
// surgical checklist (C-66), skin preparation, counts and haemostasis.
func (c *caseFold) checklist(sitting resource.Ref) {
	s := c.sur
	c.step("sign-in", "Sign-in", s.SignIn)
	c.step("time-out", "Time-out", s.TimeOut)
	c.step("sign-out", "Sign-out", s.SignOut)
	c.marking(sitting)
	c.usedAct("skin-preparation", "Preparation of the skin", record.SkinPrepSet, s.SkinPrep)
	c.usedAct("haemostasis", "Haemostasis", record.HaemostasisSet, s.Haemostasis)
	if s.Counts != nil {
		c.answer(c.rec, "swab-count-complete", s.Counts.Swabs, place{}, sitting)
		c.answer(c.rec, "sharps-count-complete", s.Counts.Sharps, place{}, sitting)
	}
	c.answer(c.rec, "tissue-sent", s.TissueSent, place{}, sitting)
	if s.Incision != nil {
		f := c.named(c.rec, "first-cut", place{})
		f.partOf, f.value, f.valueText = present(sitting), dateTimeValue(c.when(s.Incision)), whenText(s.Incision)
		c.observe(f)
	}
}

// stepStatus is the status of a step of the checklist.
func stepStatus(s record.Code) cpb.EventStatusCode_Value {
	switch s {
	case "done":
		return cpb.EventStatusCode_COMPLETED
	case "not-done", "not-applicable":
		return cpb.EventStatusCode_NOT_DONE
	}
	return cpb.EventStatusCode_UNKNOWN
}

// step builds one step of the checklist as a Procedure of the sitting. One that
// does not apply is not done, with that reason.
func (c *caseFold) step(name, title string, s *record.Step) {
	if s == nil || *s == (record.Step{}) {
		return
	}
	a := c.part(c.procedureRef(name), place{}, name)
	a.title, a.code, a.status = title, c.element(name), stepStatus(s.Status)
	a.start, a.end = c.when(s.At), c.when(s.At)
	if s.Status == "not-applicable" {
		a.reason = record.StepStatusSet.Display(s.Status)
	}
	a.rows = [][2]string{{"At", whenText(s.At)}}
	a.doers = []doer{{"checklist-lead", s.By}}
	c.procedure(a)
}

// marking builds whether the operation site was marked, by whom and when.
func (c *caseFold) marking(sitting resource.Ref) {
	m := c.sur.Marking
	if m == nil || *m == (record.Step{}) {
		return
	}
	f := c.named(c.rec, "site-marked", place{})
	f.partOf, f.at, f.performer = present(sitting), m.At, m.By // who marked is not taken from who operated
	switch m.Status {
	case "done":
		f.setAnswer(c.builder, "yes")
	case "not-done":
		f.setAnswer(c.builder, "no")
	case "not-applicable":
		f.absent, f.valueText = "data-absent-not-applicable", record.StepStatusSet.Display(m.Status)
	}
	c.observe(f)
}

// usedAct builds an act of the sitting that is told by what it was done with.
func (c *caseFold) usedAct(name, title string, set record.Set, with record.Code) {
	if with == "" {
		return
	}
	a := c.part(c.procedureRef(name), place{}, name)
	a.status, a.title, a.code = cpb.EventStatusCode_COMPLETED, title, c.element(name+"-act")
	a.rows = [][2]string{{"With", set.Display(with)}}
	if with == "none-needed" {
		a.status, a.start, a.end = cpb.EventStatusCode_NOT_DONE, nil, nil
		a.reason = set.Display(with)
	} else {
		a.used = codes(c.translate(set.Name, with))
	}
	c.procedure(a)
}

// instruments refers to the sterilised set and the single-use lot by the number
// they are traced by: they are no resources of ours.
func (c *caseFold) instruments(i *record.Instruments) []*dpb.Reference {
	if i == nil {
		return nil
	}
	var out []*dpb.Reference
	for _, x := range []struct{ numbering, value string }{{"sterile-set", i.SterileSet}, {"single-use-lot", i.SingleUseLot}} {
		if x.value != "" {
			out = append(out, &dpb.Reference{Type: r4.URI("Device"), Identifier: c.identifier(x.numbering, x.value)})
		}
	}
	return out
}
