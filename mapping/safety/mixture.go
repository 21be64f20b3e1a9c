package safety

import (
	"fmt"
	"math/big"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

const mixtureSource = "US labels of lidocaine with epinephrine and of bupivacaine, section 2.1"

// mixture applies the fraction rule Σ dose/limit ≤ 1 (C-17). A mixture earns a
// note even under 1. Agents with a known bound are added up first: their sum
// over 1 is over for certain, whatever else is missing.
func (in DoseInput) mixture(js []judgement) Result {
	var r Result
	visit, names := false, []string{}
	for _, j := range js {
		visit = visit || j.inVisit
		names = append(names, name(j.agent))
	}
	if len(js) < 2 || !visit {
		return r
	}
	list := strings.Join(names, " and ")
	r.flag(Flag{Code: Mixture, Level: record.LevelNote, Place: AnaestheticPlace, Inputs: in.mixtureInputs(js), Source: mixtureSource, Tag: TagRead, Check: "C-17",
		Text: fmt.Sprintf("%s were given within 24 hours: toxic effects add up, and product labels advise against mixing. Source: %s [read].", list, mixtureSource)})
	if in.Formulary == nil {
		return r
	}
	r.add(in.fractions(js, list))
	return r
}

// fractions adds up what each agent takes of its own limit. list names the
// agents.
func (in DoseInput) fractions(js []judgement, list string) Result {
	var r Result
	f := addFractions(js)
	base := Flag{Place: AnaestheticPlace, Inputs: in.mixtureInputs(js), Set: in.Formulary.Name, Source: "PubMed 2457347, review abstract", Tag: TagRead, Check: "C-17"}
	if len(f.missing) == 0 {
		r.figure(Figure{Code: MixtureFraction, Value: roundUp(f.sum, 3), Unit: "1", Place: AnaestheticPlace, Set: in.Formulary.Name, Rule: f.rule,
			Limit: "1", LimitUnit: "1", Source: base.Source, Tag: TagRead, Check: "C-17", Inputs: base.Inputs})
	}
	one := big.NewRat(1, 1)
	switch {
	case over(f.sum, one):
		base.Code, base.Level = MixtureOverLimit, record.LevelNote
		if over(f.read, one) {
			base.Level = record.LevelCritical
		}
		atLeast := ""
		if len(f.missing) > 0 {
			atLeast = "at least "
		}
		base.Text = fmt.Sprintf("The mixture of %s is over the limit: the fractions of the limits add up to %s%s (%s; set %s), more than 1. Source: %s [read].",
			list, atLeast, roundUp(f.sum, 3), f.rule, in.Formulary.Title, base.Source)
		r.flag(base)
	case len(f.missing) > 0:
		base.Code, base.Level = MixtureNotComputable, record.LevelNote
		base.Text = fmt.Sprintf("The fraction rule for the mixture of %s is not computable: dose or limit of %s not known (set %s).",
			list, strings.Join(f.missing, " and "), in.Formulary.Title)
		r.flag(base)
	}
	return r
}

// fractionSum is the sum of dose/limit over agents.
type fractionSum struct {
	sum     *big.Rat // of the agents with a limit
	read    *big.Rat // of those whose limit was read (D2.4)
	rule    string   // "A 60/200 + B 30/175"
	missing []string // agents whose dose or limit is not known whole
}

func addFractions(js []judgement) fractionSum {
	f := fractionSum{sum: new(big.Rat), read: new(big.Rat)}
	var parts []string
	for _, j := range js {
		if !j.whole {
			f.missing = append(f.missing, name(j.agent))
		}
		if j.limit == nil {
			continue
		}
		part := new(big.Rat).Quo(j.mg, j.limit.mg)
		f.sum.Add(f.sum, part)
		if byTag(j.limit.entry.Tag, record.LevelCritical) == record.LevelCritical {
			f.read.Add(f.read, part)
		}
		parts = append(parts, fmt.Sprintf("%s %s/%s", name(j.agent), exact(j.mg), exact(j.limit.mg)))
	}
	f.rule = strings.Join(parts, " + ")
	return f
}

func (in DoseInput) mixtureInputs(js []judgement) []Input {
	var ins []Input
	for _, j := range js {
		ins = append(ins, Input{"agent", string(j.agent), ""})
		if in.Formulary == nil {
			ins = append(ins, j.inputs...)
			continue
		}
		ins = append(ins, in.doseInputs(j)...)
	}
	return ins
}

// adrenaline adds up the vasoconstrictor and compares it with the set's
// ceiling, where it has one (C-4, C-5). A sum that lacks an amount is no figure.
func (in DoseInput) adrenaline(visit, others []amount) Result {
	var r Result
	sum, inVisit, whole := new(big.Rat), false, true
	var ins []Input
	for i, a := range append(append([]amount{}, visit...), others...) {
		if a.ug == nil {
			whole = whole && a.Agent.Vasoconstrictor != adrenaline
			continue
		}
		inVisit = inVisit || i < len(visit)
		sum.Add(sum, a.ug)
		ins = append(ins, Input{"adrenaline", exact(a.ug), "ug"})
	}
	if !inVisit {
		return r
	}
	fig := Figure{Code: AdrenalineTotal, Value: exact(sum), Unit: "ug", Place: AnaestheticPlace, Rule: "sum over the visit and this clinic's records of the 24 h before", Check: "C-4", Inputs: ins}
	if in.Formulary == nil || in.Formulary.Adrenaline == nil {
		r.figureIf(whole, fig)
		return r
	}
	l := in.Formulary.Adrenaline
	limit, rule := l.Ug, "ceiling per visit"
	if l.CardiacUg != nil && in.CardiacDisease == yes {
		limit, rule = l.CardiacUg, "ceiling per visit with significant cardiac disease"
	}
	fig.Set, fig.Limit, fig.LimitUnit, fig.Rule, fig.Source, fig.Tag = in.Formulary.Name, exact(limit), "ug", rule, l.Source, l.Tag
	r.figureIf(whole, fig)
	if over(sum, limit) {
		r.flag(Flag{Code: AdrenalineOverLimit, Level: byTag(l.Tag, record.LevelCritical), Place: AnaestheticPlace, Set: in.Formulary.Name,
			Text:   fmt.Sprintf("Adrenaline %s ug is over the %s of %s ug: set %s. Source: %s [%s].", exact(sum), rule, exact(limit), in.Formulary.Title, l.Source, l.Tag),
			Inputs: append(ins, Input{"limit", exact(limit), "ug"}), Source: l.Source, Tag: l.Tag, Check: "C-5"})
	}
	return r
}

// repeats applies the interval rules (C-19) to another sitting within 24 h.
func (in DoseInput) repeats(visit, others []amount) Result {
	var r Result
	if len(visit) == 0 || len(others) == 0 {
		return r
	}
	visited, _ := in.visitBounds()
	first := visited.from
	var ins []Input
	var early bool
	for _, o := range others {
		ins = append(ins, Input{"dose of record " + o.Record, o.From.UTC().Format(time.RFC3339), ""})
		early = early || o.Agent.Agent == "mepivacaine" && first.Sub(o.To) < 90*time.Minute
	}
	ins = append(ins, Input{"first dose of the visit", first.UTC().Format(time.RFC3339), ""})
	const leaflet = "UK community podiatry leaflet"
	r.flag(Flag{Code: RepeatedWithin24h, Level: record.LevelWarning, Place: AnaestheticPlace, Inputs: ins, Source: leaflet, Tag: TagRead, Check: "C-19",
		Text: "This clinic's records hold another local anaesthetic less than 24 hours before this one; the doses are added up. Source: " + leaflet + " [read]."})
	if early && gives(visit, "mepivacaine") {
		const label = "US general label of mepivacaine"
		r.flag(Flag{Code: MepivacaineRepeated, Level: record.LevelNote, Place: AnaestheticPlace, Inputs: ins, Source: label, Tag: TagVia, Check: "C-19",
			Text: "Mepivacaine was repeated less than 1.5 hours after an earlier sitting. Source: " + label + " [via]."})
	}
	return r
}

func gives(as []amount, agent record.Code) bool {
	for _, a := range as {
		if a.Agent.Agent == agent {
			return true
		}
	}
	return false
}
