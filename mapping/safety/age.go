package safety

import (
	"fmt"
	"math/big"

	"nailbridge/mapping/record"
)

// ageRule says from which age an agent is advised, whichever set is chosen: it is
// no limit of dose, so that no sets are merged (C-16, C-21).
type ageRule struct {
	agent  record.Code
	months int
	source string
	tag    Tag
}

var ageRules = []ageRule{
	{"articaine", 4 * 12, "US label of articaine hydrochloride, indications", TagRead},
	{"bupivacaine", 12 * 12, "digest of the US label of bupivacaine", TagVia},
	{"prilocaine", 6, "prilocaine 1 % SmPC section 4.2 and BNF (methaemoglobinaemia)", TagVia},
}

// ages says of an agent that it is not advised at the patient's age: by the
// chosen set's own rule, else by what is known for any set.
func (in DoseInput) ages(t *total) Result {
	var r Result
	if !in.agesOfSet(t, &r) {
		for _, a := range ageRules {
			if a.agent != t.agent || !in.youngerThan(a.months) {
				continue
			}
			from, input := fmt.Sprintf("%d years", a.months/12), Input{"from age", fmt.Sprint(a.months / 12), "a"}
			if a.months%12 != 0 {
				from, input = fmt.Sprintf("%d months", a.months), Input{"from age", fmt.Sprint(a.months), "mo"}
			}
			r.flag(in.belowAge(a.agent, from, input, a.source, a.tag, "C-21"))
		}
	}
	r.add(in.smallChild(t))
	return r
}

// agesOfSet applies the chosen set's own rule; false where it has none.
func (in DoseInput) agesOfSet(t *total, r *Result) (has bool) {
	if in.Formulary == nil {
		return false
	}
	for _, a := range in.Formulary.Ages {
		if a.Agent != t.agent {
			continue
		}
		has = true
		if in.AgeYears != nil && *in.AgeYears < a.FromYears {
			f := in.belowAge(t.agent, fmt.Sprintf("%d years", a.FromYears), Input{"from age", fmt.Sprint(a.FromYears), "a"}, a.Source, a.Tag, a.Section)
			f.Set = in.Formulary.Name
			r.flag(f)
			return true
		}
	}
	return has
}

func (in DoseInput) belowAge(agent record.Code, from string, input Input, source string, tag Tag, section string) Flag {
	return Flag{Code: AgentBelowAge, Level: byTag(tag, record.LevelWarning), Place: AgentPlace(agent), Source: source, Tag: tag, Check: section,
		Inputs: []Input{in.ageInput(), input},
		Text:   fmt.Sprintf("%s is not advised under %s; the patient is %s. Source: %s [%s].", name(agent), from, in.ageText(), source, tag)}
}

// smallChild notes what a digest says of small children: weak mepivacaine under
// 3 years or 30 lb (13.607 kg), and less of any amide under 6 months (C-21). The
// agents of the record are amides, all of them.
func (in DoseInput) smallChild(t *total) Result {
	var r Result
	child := in.AgeYears != nil && *in.AgeYears < 18
	kg := positive(in.WeightKg)
	light := child && kg != nil && kg.Cmp(big.NewRat(136_077_711, 10_000_000)) < 0
	if t.agent == "mepivacaine" && (in.youngerThan(36) || light) && t.strongest(big.NewRat(2, 1)) {
		r.flag(Flag{Code: MepivacaineStrong, Level: record.LevelNote, Place: AgentPlace(t.agent), Source: "digest of the US label of mepivacaine", Tag: TagVia, Check: "C-21",
			Inputs: append([]Input{in.ageInput()}, t.inputs...),
			Text:   "Mepivacaine of 2 % or more was given to a child under 3 years or 30 lb, for whom a weaker solution is advised. Source: digest of the US label of mepivacaine [via]."})
	}
	if in.youngerThan(6) {
		r.flag(Flag{Code: InfantAmide, Level: record.LevelNote, Place: AgentPlace(t.agent), Source: "digest of the AAPD guideline", Tag: TagVia, Check: "C-21",
			Inputs: []Input{in.ageInput()},
			Text:   fmt.Sprintf("The patient is %s: 30 %% less of an amide such as %s is advised under 6 months. Source: digest of the AAPD guideline [via].", in.ageText(), name(t.agent))})
	}
	return r
}

// strongest reports that a solution of the visit is of at least so many percent.
func (t *total) strongest(percent *big.Rat) bool {
	for _, p := range t.percents {
		if p != nil && p.Cmp(percent) >= 0 {
			return true
		}
	}
	return false
}

// youngerThan reports that the patient is known to be under an age in months.
func (in DoseInput) youngerThan(months int) bool {
	switch {
	case in.AgeMonths != nil:
		return *in.AgeMonths < months
	case in.AgeYears != nil:
		return (*in.AgeYears+1)*12 <= months
	}
	return false
}

func (in DoseInput) ageInput() Input {
	if in.AgeMonths != nil && *in.AgeMonths < 24 {
		return Input{"age", fmt.Sprint(*in.AgeMonths), "mo"}
	}
	if in.AgeYears == nil {
		return Input{"age", "", ""}
	}
	return Input{"age", fmt.Sprint(*in.AgeYears), "a"}
}

func (in DoseInput) ageText() string {
	if in.AgeMonths != nil && *in.AgeMonths < 24 {
		return fmt.Sprintf("%d months", *in.AgeMonths)
	}
	return fmt.Sprint(*in.AgeYears)
}
