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
	mg *big.Rat
	// readMg is mg by a figure and a weight that were read; nil where the figure
	// was not (D2.4).
	readMg *big.Rat
	// counted is what the limit counts of the total, in mg: all of it, or the most
	// that was given within its hours.
	counted *big.Rat
	whole   bool // nothing missing: no weight or height wanted, no child without a figure
	child   bool // the patient is younger than any band of the set
	missing string
	rule    string
}

// bound makes out min(mg/kg × kg, ceiling) (C-6) with the set's and the clinic's
// convention of weight (C-7) for a total; nil where the set has no limit.
func (in DoseInput) bound(t *total, with bool) *bound {
	e, child := in.Formulary.find(t.agent, with, in.AgeYears)
	if e == nil {
		return nil
	}
	b := &bound{entry: e, mg: e.CeilingMg, readMg: e.CeilingMg, counted: t.within(e.WithinHours), whole: !child, child: child}
	var parts []string
	if e.MgPerKg != nil {
		parts = b.byWeight(in.weight())
	}
	if e.CeilingMg != nil {
		parts = append(parts, fmt.Sprintf("ceiling %s mg", exact(e.CeilingMg)))
	}
	if e.MgPerKg == nil && e.CeilingMg == nil {
		b.mg, b.readMg = e.Per24hMg, e.Per24hMg
		parts = append(parts, fmt.Sprintf("%s mg in 24 h", exact(e.Per24hMg)))
	}
	if byTag(e.Tag, record.LevelCritical) != record.LevelCritical {
		b.readMg = nil
	}
	b.rule = strings.Join(parts, ", ")
	if len(parts) == 2 {
		b.rule = "the lower of " + b.rule
	}
	if e.WithinHours > 0 {
		b.rule += fmt.Sprintf(" in any %d h", e.WithinHours)
	}
	if e.Note != "" {
		b.rule += " (" + e.Note + ")"
	}
	return b
}

// byWeight lowers the bound to mg/kg × kg, and says how.
func (b *bound) byWeight(w multiplied) []string {
	if w.kg == nil {
		b.whole, b.missing = false, "weight not recorded"
		return nil
	}
	if w.missing != "" {
		b.whole, b.missing = false, w.missing
	}
	perKg := b.entry.MgPerKg
	mg := new(big.Rat).Mul(perKg, w.kg)
	b.mg = minRat(mg, b.mg)
	b.readMg = minRat(new(big.Rat).Mul(perKg, w.readKg), b.readMg)
	return []string{fmt.Sprintf("%s mg/kg × %s kg (%s) = %s mg", exact(perKg), exact(w.kg), w.words, exact(mg))}
}

// over reports that the limit is passed.
func (b *bound) over() bool { return b.mg != nil && over(b.counted, b.mg) }

// tighter reports that more of the limit is taken than of the other, or that it
// is the lower where as much is.
func (b *bound) tighter(than *bound) bool {
	mine, its := new(big.Rat).Mul(b.counted, than.mg), new(big.Rat).Mul(than.counted, b.mg)
	if c := mine.Cmp(its); c != 0 {
		return c > 0
	}
	return b.mg.Cmp(than.mg) < 0
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
	if j.limit != nil && j.limit.over() {
		j.result.flag(in.overLimit(j))
	} else {
		j.result.Flags = append(j.result.Flags, missing...)
	}
	j.result.add(in.over24h(j))
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
	for _, with := range t.kinds() {
		b := in.bound(t, with)
		switch {
		case b == nil:
			absent(LimitNotInSet, record.LevelNote, "C-16", "the set has no limit for it "+kind(with))
			continue
		case b.child:
			absent(ChildLimitNotInSet, record.LevelNote, "C-21", fmt.Sprintf("the set has no limit for a patient of %d years, and none is derived from that of adults", *in.AgeYears))
		case !b.whole && in.weight().kg != nil:
			absent(WeightNotComputable, record.LevelNote, "C-7", b.missing)
		case !b.whole:
			absent(DoseNotComputable, record.LevelWarning, "C-6", b.missing)
		}
		if t.plain && t.with {
			b.rule += "; not every dose is recorded as with a vasoconstrictor, or as without, so the lower limit holds"
		}
		if b.mg != nil && (j.limit == nil || b.tighter(j.limit)) {
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
		j.result.figure(Figure{Code: code, Value: value, Unit: unit, Place: place, Set: in.Formulary.Name, Approval: in.Formulary.approval(), Rule: l.rule,
			Limit: exact(l.mg), LimitUnit: "mg", Source: l.entry.Source, Tag: l.entry.Tag, Check: l.entry.Section, Inputs: in.doseInputs(*j)})
	}
	percent := new(big.Rat).Quo(l.counted, l.mg)
	add(DosePercent, roundUp(percent.Mul(percent, big.NewRat(100, 1)), 1), "%")
	left, most := new(big.Rat).Sub(l.mg, l.counted), l.mg
	if e := in.per24h(t); e != nil {
		left = minRat(left, new(big.Rat).Sub(e.Per24hMg, t.mg))
		most = minRat(most, e.Per24hMg)
	}
	if left.Sign() < 0 {
		left = new(big.Rat)
	}
	add(DoseRemaining, roundDown(left, 2), "mg")
	if p := t.onePercent(); p != nil {
		add(DoseMaxVolume, MaxVolume(most, p), "mL")
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
	if w := in.weight(); w.kg != nil && w.kg.Cmp(in.WeightKg.Rat()) != 0 {
		ins = append(ins, Input{"weight multiplied", exact(w.kg), "kg"})
	}
	ins = append(ins, Input{"set", in.Formulary.Name, ""})
	if j.limit != nil {
		ins = append(ins, Input{"limit", exact(j.limit.mg), "mg"})
	}
	return ins
}

func (in DoseInput) overLimit(j judgement) Flag {
	l := j.limit
	given, reach := exact(l.counted), j.reach()
	if j.incomplete {
		given = "at least " + given
	}
	if h := l.entry.WithinHours; h > 0 {
		reach = fmt.Sprintf("%d h of %s", h, reach)
	}
	text := fmt.Sprintf("%s %s mg over %s is over the limit of %s mg: set %s, %s.", name(j.agent), given, reach, exact(l.mg), in.Formulary.Named(), l.rule)
	if l.child {
		text += fmt.Sprintf(" The set has no limit for a patient of %d years; the dose is over even the limit from %d years.", *in.AgeYears, l.entry.FromYears)
	}
	text += fmt.Sprintf(" Source: %s [%s].", l.entry.Source, l.entry.Tag)
	f := Flag{Code: DoseOverLimit, Level: in.overLevel(j), Place: AgentPlace(j.agent), Text: text, Inputs: in.doseInputs(j),
		Set: in.Formulary.Name, Source: l.entry.Source, Tag: l.entry.Tag, Check: l.entry.Section}
	if f.Level == record.LevelNote && l.readMg != nil {
		f.Tag = TagVia // it is the weight that was not read
	}
	return f
}

// overLevel is critical when a limit that was read is passed at a weight that
// was; a dose is always an exposure. A further, lower limit that was not read
// does not lower it.
func (in DoseInput) overLevel(j judgement) record.Level {
	for _, with := range j.kinds() {
		if b := in.bound(j.total, with); b != nil && b.readMg != nil && over(b.counted, b.readMg) {
			return record.LevelCritical
		}
	}
	return record.LevelNote
}

// kinds are the kinds of limit that apply to a total: without a vasoconstrictor,
// with one, or both.
func (t *total) kinds() []bool {
	var out []bool
	if t.plain {
		out = append(out, false)
	}
	if t.with {
		out = append(out, true)
	}
	return out
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
