package safety

import (
	"fmt"
	"math/big"
	"strings"

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
		r.figure(Figure{Code: MixtureFraction, Value: roundUp(f.sum, 3), Unit: "1", Place: AnaestheticPlace, Set: in.Formulary.Name, Approval: in.Formulary.approval(), Rule: f.rule,
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
			list, atLeast, roundUp(f.sum, 3), f.rule, in.Formulary.Named(), base.Source)
		r.flag(base)
	case len(f.missing) > 0:
		base.Code, base.Level = MixtureNotComputable, record.LevelNote
		base.Text = fmt.Sprintf("The fraction rule for the mixture of %s is not computable: dose or limit of %s not known (set %s).",
			list, strings.Join(f.missing, " and "), in.Formulary.Named())
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
		l := j.limit
		f.sum.Add(f.sum, new(big.Rat).Quo(l.counted, l.mg))
		if l.readMg != nil {
			f.read.Add(f.read, new(big.Rat).Quo(l.counted, l.readMg))
		}
		parts = append(parts, fmt.Sprintf("%s %s/%s", name(j.agent), exact(l.counted), exact(l.mg)))
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
