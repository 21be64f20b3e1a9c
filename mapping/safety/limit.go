package safety

import (
	"fmt"
	"math/big"
	"strings"

	"nailbridge/mapping/record"
)

// bound is a limit of the set made out for the patient.
type bound struct {
	entry *Limit
	// mg is an upper bound of the limit; nil when nothing is known of it. It is
	// the limit itself when whole.
	mg    *big.Rat
	whole bool // nothing missing: no weight wanted, no child without a figure
	child bool // the patient is younger than any band of the set
	rule  string
}

// bound makes out min(mg/kg × kg, ceiling) (C-6) with the set's convention of
// weight (C-7).
func (in DoseInput) bound(agent record.Code, with bool) *bound {
	e, child := in.Formulary.find(agent, with, in.AgeYears)
	if e == nil {
		return nil
	}
	b := &bound{entry: e, mg: e.CeilingMg, whole: !child, child: child}
	var parts []string
	if e.MgPerKg != nil {
		if kg := in.weight(); kg != nil {
			byWeight := new(big.Rat).Mul(e.MgPerKg, kg)
			b.mg = minRat(byWeight, e.CeilingMg)
			parts = append(parts, fmt.Sprintf("%s mg/kg × %s kg = %s mg", exact(e.MgPerKg), exact(kg), exact(byWeight)))
		} else {
			b.whole = false
		}
	}
	if e.CeilingMg != nil {
		parts = append(parts, fmt.Sprintf("ceiling %s mg", exact(e.CeilingMg)))
	}
	b.rule = strings.Join(parts, ", ")
	if len(parts) == 2 {
		b.rule = "the lower of " + b.rule
	}
	if e.Note != "" {
		b.rule += " (" + e.Note + ")"
	}
	return b
}

// weight is the weight that the set multiplies, or nil.
func (in DoseInput) weight() *big.Rat {
	kg := positive(in.WeightKg)
	if kg != nil && in.Formulary.WeightCapKg != nil {
		return minRat(kg, in.Formulary.WeightCapKg)
	}
	return kg
}

// judgement is the verdict on one agent.
type judgement struct {
	*total
	result Result
	// limit is the least known bound; nil: none.
	limit *bound
	whole bool // total and limit are both complete
}

// judge compares the total of one agent with the set (C-6, C-18): with >, on
// mg. Where plain and with-adrenaline doses meet, the lower limit holds for
// the sum; a missing one leaves the other as an upper bound, so that no
// further dose can clear a flag. A total in which an amount is missing is no
// figure, as it would pass for the whole; what is known of it is still compared.
func (in DoseInput) judge(t *total) judgement {
	j := judgement{total: t, whole: !t.incomplete}
	place := AgentPlace(t.agent)
	j.result.figureIf(!t.incomplete, Figure{Code: DoseTotal, Value: exact(t.mg), Unit: "mg", Place: place, Rule: "sum over " + t.reach(), Check: "C-18", Inputs: t.inputs})
	if in.Formulary == nil {
		j.whole = false
		return j
	}
	missing := in.bounds(&j)
	in.figures(&j)
	if j.limit != nil && over(t.mg, j.limit.mg) {
		j.result.flag(in.overLimit(j))
	} else {
		j.result.Flags = append(j.result.Flags, missing...)
	}
	for _, a := range in.Formulary.Ages {
		if a.Agent == t.agent && in.AgeYears != nil && *in.AgeYears < a.FromYears {
			j.result.flag(Flag{Code: AgentBelowAge, Level: byTag(a.Tag, record.LevelWarning), Place: place, Set: in.Formulary.Name,
				Inputs: []Input{{"age", fmt.Sprint(*in.AgeYears), "a"}, {"from age", fmt.Sprint(a.FromYears), "a"}},
				Text:   fmt.Sprintf("%s is not advised under %d years; the patient is %d. Source: %s [%s].", name(t.agent), a.FromYears, *in.AgeYears, a.Source, a.Tag),
				Source: a.Source, Tag: a.Tag, Check: a.Section})
		}
	}
	return j
}

// bounds finds the limits that apply, keeps the least, and gives the flags of
// what is missing, which stand when no known bound is passed.
func (in DoseInput) bounds(j *judgement) (missing []Flag) {
	t := j.total
	absent := func(code string, level record.Level, check, text string) {
		j.whole = false
		for _, m := range missing {
			if m.Code == code {
				return
			}
		}
		missing = append(missing, Flag{Code: code, Level: level, Place: AgentPlace(t.agent), Set: in.Formulary.Name, Check: check, Inputs: t.inputs,
			Text: fmt.Sprintf("%s: percentage of the limit not computable: %s (set %s).", name(t.agent), text, in.Formulary.Name)})
	}
	for _, with := range []bool{false, true} {
		if with && !t.with || !with && !t.plain {
			continue
		}
		b := in.bound(t.agent, with)
		switch {
		case b == nil:
			absent(LimitNotInSet, record.LevelNote, "C-16", "the set has no limit for it "+kind(with))
			continue
		case b.child:
			absent(ChildLimitNotInSet, record.LevelNote, "C-21", fmt.Sprintf("the set has no limit for a patient of %d years, and none is derived from that of adults", *in.AgeYears))
		case !b.whole:
			absent(DoseNotComputable, record.LevelWarning, "C-6", "weight not recorded")
		}
		if t.plain && t.with {
			b.rule += "; not every dose is recorded as with a vasoconstrictor, or as without, so the lower limit holds"
		}
		if b.mg != nil && (j.limit == nil || b.mg.Cmp(j.limit.mg) < 0) {
			j.limit = b
		}
	}
	return missing
}

// figures adds what can be said of a total: mg/kg, percent, what is left. Of a
// total in which an amount is missing nothing can.
func (in DoseInput) figures(j *judgement) {
	t := j.total
	if t.incomplete {
		return
	}
	place := AgentPlace(t.agent)
	if kg := positive(in.WeightKg); kg != nil {
		j.result.figure(Figure{Code: DosePerKg, Value: roundUp(new(big.Rat).Quo(t.mg, kg), 2), Unit: "mg/kg", Place: place,
			Rule: "total / recorded weight", Check: "C-6", Inputs: append([]Input{{"weight", in.WeightKg.String(), "kg"}}, t.inputs...)})
	}
	if !j.whole || j.limit == nil {
		return
	}
	l := j.limit
	add := func(code, value, unit string) {
		j.result.figure(Figure{Code: code, Value: value, Unit: unit, Place: place, Set: in.Formulary.Name, Rule: l.rule,
			Limit: exact(l.mg), LimitUnit: "mg", Source: l.entry.Source, Tag: l.entry.Tag, Check: l.entry.Section, Inputs: in.doseInputs(*j)})
	}
	percent := new(big.Rat).Quo(t.mg, l.mg)
	add(DosePercent, roundUp(percent.Mul(percent, big.NewRat(100, 1)), 1), "%")
	left := new(big.Rat).Sub(l.mg, t.mg)
	if left.Sign() < 0 {
		left = new(big.Rat)
	}
	add(DoseRemaining, roundDown(left, 2), "mg")
	if p := t.onePercent(); p != nil {
		add(DoseMaxVolume, MaxVolume(l.mg, p), "mL")
	}
}

// onePercent is the strength used in the visit when there was only one.
func (t *total) onePercent() *big.Rat {
	var one *big.Rat
	for _, p := range t.percents {
		if p == nil || one != nil && one.Cmp(p) != 0 {
			return nil
		}
		one = p
	}
	return one
}

func (in DoseInput) doseInputs(j judgement) []Input {
	ins := append([]Input{}, j.inputs...)
	if in.WeightKg != nil {
		ins = append(ins, Input{"weight", in.WeightKg.String(), "kg"})
	}
	ins = append(ins, Input{"set", in.Formulary.Name, ""})
	if j.limit != nil {
		ins = append(ins, Input{"limit", exact(j.limit.mg), "mg"})
	}
	return ins
}

func (in DoseInput) overLimit(j judgement) Flag {
	l := j.limit
	given := exact(j.mg)
	if j.incomplete {
		given = "at least " + given
	}
	text := fmt.Sprintf("%s %s mg over %s is over the limit of %s mg: set %s, %s.", name(j.agent), given, j.reach(), exact(l.mg), in.Formulary.Title, l.rule)
	if l.child {
		text += fmt.Sprintf(" The set has no limit for a patient of %d years; the dose is over even the limit from %d years.", *in.AgeYears, l.entry.FromYears)
	}
	text += fmt.Sprintf(" Source: %s [%s].", l.entry.Source, l.entry.Tag)
	return Flag{Code: DoseOverLimit, Level: in.overLevel(j), Place: AgentPlace(j.agent), Text: text, Inputs: in.doseInputs(j),
		Set: in.Formulary.Name, Source: l.entry.Source, Tag: l.entry.Tag, Check: l.entry.Section}
}

// overLevel is critical when a limit that was read is passed; a dose is always
// an exposure. A further, lower limit that was not read does not lower it.
func (in DoseInput) overLevel(j judgement) record.Level {
	level := record.LevelNote
	for _, with := range []bool{false, true} {
		if with && !j.with || !with && !j.plain {
			continue
		}
		if b := in.bound(j.agent, with); b != nil && b.mg != nil && over(j.mg, b.mg) && byTag(b.entry.Tag, record.LevelCritical) == record.LevelCritical {
			level = record.LevelCritical
		}
	}
	return level
}

// byTag lowers a level to a note where the figure was not read (D2.4).
func byTag(t Tag, l record.Level) record.Level {
	if t == TagVia || t == TagMemory {
		return record.LevelNote
	}
	return l
}

func kind(with bool) string {
	if with {
		return "with a vasoconstrictor"
	}
	return "without a vasoconstrictor"
}

func name(agent record.Code) string { return record.AnaestheticSet.Display(agent) }

// reach says in words what a total covers.
func (t *total) reach() string {
	switch {
	case t.unsure && t.others == 0:
		return "this visit alone (other doses may be of the same 24 h: a time is not recorded)"
	case t.others == 0:
		return "this visit (this clinic's records of the 24 h before hold no other dose of it)"
	case t.others == 1:
		return "this visit and 1 other dose in this clinic's records of the 24 h before"
	}
	return fmt.Sprintf("this visit and %d other doses in this clinic's records of the 24 h before", t.others)
}
