package mapping

import (
	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	gpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/goal_go_proto"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// lastWord is the last that reviews and contacts said of a treated border.
type lastWord struct {
	stage    record.Code
	healedOn *record.When
	regrowth record.Code
	outcomes []resource.Ref // the findings that say so
}

// goals builds the goals of the plan, two for each treated border: that it
// heals, and that the nail does not grow in again. Healed is not discharged
// (D4.4). It returns them all.
func (c *caseFold) goals() []resource.Ref {
	var out []resource.Ref
	for _, b := range c.watchedBorders() {
		at := place{b.Side, b.Digit, b.Border.Border}
		w := c.lastWord(at)
		healed := record.Code("in-progress")
		if w.stage == "healed" || w.healedOn != nil {
			healed = "achieved"
		}
		regrowth := record.Code("in-progress")
		switch w.regrowth {
		case "symptomatic":
			regrowth = "not-achieved"
		case "none", "asymptomatic":
			if b.Discharged {
				regrowth = "achieved"
			}
		}
		out = append(out, c.goal("healed", at, healed, w), c.goal("no-regrowth", at, regrowth, w))
	}
	return out
}

// watchedBorders are the treated borders of the plan, each place once: a border
// that a record holds twice is discharged when both are.
func (c *caseFold) watchedBorders() []followup.BorderState {
	var out []followup.BorderState
	at := map[place]int{}
	for _, b := range c.plan.Borders {
		p := place{b.Side, b.Digit, b.Border.Border}
		if i, again := at[p]; again {
			out[i].Discharged = out[i].Discharged && b.Discharged
			continue
		}
		at[p] = len(out)
		out = append(out, b)
	}
	return out
}

func (c *caseFold) lastWord(at place) lastWord {
	var w lastWord
	for _, r := range c.later {
		ts := findingsOf(r)
		for i, key := range record.FindingKeys(ts) {
			if ts[i].Side != at.side || ts[i].Digit != at.digit {
				continue
			}
			for j, bk := range record.BorderFindingKeys(ts[i].Borders) {
				if x := &ts[i].Borders[j]; x.Border == at.border {
					w.take(c, r, x, key, bk)
				}
			}
		}
	}
	return w
}

func (w *lastWord) take(c *caseFold, r *record.Record, x *record.BorderFindings, key, bk string) {
	if x.WoundStage != "" {
		w.stage = x.WoundStage
		if x.WoundStage != "healed" {
			w.healedOn = nil // healed once, open again
		}
		w.outcomes = append(w.outcomes, c.observationRef("stage-of-healing", r.Record, key, bk))
	}
	if x.HealedOn != nil && !c.ahead(x.HealedOn, r) && !c.plan.BeforeSurgery(x.HealedOn) {
		w.healedOn = x.HealedOn
		w.outcomes = append(w.outcomes, c.observationRef("healing-date", r.Record, key, bk))
	}
	if x.Regrowth != "" {
		w.regrowth = x.Regrowth
		w.outcomes = append(w.outcomes, c.observationRef("regrowth-seen", r.Record, key, bk))
	}
}

// goal builds one Goal at a border (https://hl7.org/fhir/R4/goal.html).
func (c *caseFold) goal(name string, at place, achieved record.Code, w lastWord) resource.Ref {
	ref := c.goalRef(name, record.ToeCode(at.side, at.digit), string(at.border))
	lifecycle, words := c.lifecycle(achieved)
	desc := c.s.Terms.Element("goal-"+name, c.s.Codes)
	where := placeText(at.side, at.digit, at.border)
	desc.Text += ": " + where
	g := &gpb.Goal{
		Id:                r4.ID(ref.ID),
		Identifier:        []*dpb.Identifier{c.identifier("goal", partValue(c.caseID, name+"/"+record.ToeCode(at.side, at.digit)+"/"+string(at.border)))},
		LifecycleStatus:   &gpb.Goal_LifecycleStatusCode{Value: lifecycle},
		AchievementStatus: c.element("goal-achievement-" + string(achieved)),
		Description:       r4.Concept(desc),
		Subject:           r4.Ref(c.patientRef()),
		OutcomeReference:  r4.Refs(w.outcomes...),
	}
	if at := c.sur.SittingAt(); at != nil && !c.ahead(at, c.rec) {
		g.Start = &gpb.Goal_StartX{Choice: &gpb.Goal_StartX_Date{Date: r4.Date(at)}}
	}
	if c.hasIndication() {
		g.Addresses = r4.Refs(c.conditionRef())
	}
	if name == "healed" {
		g.StatusDate = r4.Date(w.healedOn)
		g.Target = []*gpb.Goal_Target{{
			Measure: c.translate("finding", "stage-of-healing"),
			Detail:  &gpb.Goal_Target_DetailX{Choice: &gpb.Goal_Target_DetailX_CodeableConcept{CodeableConcept: c.translate("wound-stage", "healed")}},
		}}
	} else {
		g.Target = []*gpb.Goal_Target{{
			Measure: c.translate("finding", "regrowth-seen"),
			Detail:  &gpb.Goal_Target_DetailX{Choice: &gpb.Goal_Target_DetailX_CodeableConcept{CodeableConcept: c.translate("regrowth", "none")}},
		}}
	}
	g.Text = r4.NewText("Goal of the follow-up").Row("Goal", desc.Text).Row("Status", words).Narrative()
	c.add(g)
	return ref
}

// lifecycle is the status of a goal: it ends with the plan, or when achieved.
func (c *caseFold) lifecycle(achieved record.Code) (cpb.GoalLifecycleStatusCode_Value, string) {
	switch {
	case c.plan.Status == followup.PlanRevoked:
		return cpb.GoalLifecycleStatusCode_CANCELLED, "cancelled"
	case c.plan.Status == followup.PlanCompleted || achieved == "achieved":
		return cpb.GoalLifecycleStatusCode_COMPLETED, "completed, " + string(achieved)
	}
	return cpb.GoalLifecycleStatusCode_ACTIVE, "active, " + string(achieved)
}
