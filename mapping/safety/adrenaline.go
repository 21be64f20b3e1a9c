package safety

import (
	"fmt"
	"math/big"
	"strings"

	"nailbridge/mapping/record"
)

// The ceiling of dental teaching per visit, in ug (C-5). It is no regulator's
// and stands in no set of the product; where the chosen set has a ceiling of its
// own, that one holds instead, and nothing is merged (C-16).
const (
	teachingUg      = 200
	teachingHeartUg = 40
	teachingSource  = "a dental hygiene article, 0.2 mg a visit"
	heartSource     = "dental flashcards after Malamed, 0.04 mg a visit with significant cardiac disease"
)

// adrenaline adds up the vasoconstrictor, of each toe and of all, and compares
// the latter with the set's ceiling, else with that of dental teaching (C-4,
// C-5). A sum that lacks an amount is no figure.
func (in DoseInput) adrenaline(visit, others []amount) Result {
	r := adrenalineOfToes(visit)
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
		r.add(in.dentalCeiling(sum, ins))
		return r
	}
	l := in.Formulary.Adrenaline
	limit, rule := l.Ug, "ceiling per visit"
	if l.CardiacUg != nil && in.CardiacDisease == yes {
		limit, rule = l.CardiacUg, "ceiling per visit with significant cardiac disease"
	}
	fig.Set, fig.Approval, fig.Limit, fig.LimitUnit, fig.Rule, fig.Source, fig.Tag = in.Formulary.Name, in.Formulary.approval(), exact(limit), "ug", rule, l.Source, l.Tag
	r.figureIf(whole, fig)
	if over(sum, limit) {
		r.flag(Flag{Code: AdrenalineOverLimit, Level: byTag(l.Tag, record.LevelCritical), Place: AnaestheticPlace, Set: in.Formulary.Name,
			Text:   fmt.Sprintf("Adrenaline %s ug is over the %s of %s ug: set %s. Source: %s [%s].", exact(sum), rule, exact(limit), in.Formulary.Named(), l.Source, l.Tag),
			Inputs: append(ins, Input{"limit", exact(limit), "ug"}), Source: l.Source, Tag: l.Tag, Check: "C-5"})
	}
	return r
}

// dentalCeiling tells of more than dental teaching allows: a warning over 0.2 mg,
// which was read, and a note over 0.04 mg with cardiac disease, which was not.
func (in DoseInput) dentalCeiling(sum *big.Rat, ins []Input) Result {
	var r Result
	limit, level, source, tag := int64(teachingUg), record.LevelWarning, teachingSource, TagRead
	if in.CardiacDisease == yes && !over(sum, big.NewRat(teachingUg, 1)) {
		limit, level, source, tag = teachingHeartUg, record.LevelNote, heartSource, TagVia
	}
	if !over(sum, big.NewRat(limit, 1)) {
		return r
	}
	r.flag(Flag{Code: AdrenalineOverDental, Level: level, Place: AnaestheticPlace, Source: source, Tag: tag, Check: "C-5",
		Inputs: append(append([]Input{}, ins...), Input{"limit", fmt.Sprint(limit), "ug"}),
		Text: fmt.Sprintf("Adrenaline %s ug is over the %d ug a visit of dental teaching; the chosen set has no ceiling of its own, and none for a toe was found. Source: %s [%s].",
			exact(sum), limit, source, tag)})
	return r
}

// adrenalineOfToes adds up the vasoconstrictor injected in each toe of the visit
// (C-4, C-5).
func adrenalineOfToes(visit []amount) Result {
	var r Result
	for i := 0; i < len(visit); {
		toe := toeOf(visit[i].Place)
		sum, some, whole := new(big.Rat), false, true
		var ins []Input
		for ; i < len(visit) && toeOf(visit[i].Place) == toe; i++ {
			if a := visit[i]; a.ug != nil {
				some = true
				sum.Add(sum, a.ug)
				ins = append(ins, Input{"adrenaline", exact(a.ug), "ug"})
			} else {
				whole = whole && a.Agent.Vasoconstrictor != adrenaline
			}
		}
		r.figureIf(some && whole, Figure{Code: AdrenalineToe, Value: exact(sum), Unit: "ug", Place: toe + "/block", Rule: "sum over the injections in the toe", Check: "C-5", Inputs: ins})
	}
	return r
}

// toeOf is the path of the toe of an injection (AgentPlaces).
func toeOf(agentPlace string) string {
	toe, _, _ := strings.Cut(agentPlace, "/block/agents/")
	return toe
}

// arterialRisks are what speaks against adrenaline in a digit (C-22): Raynaud's,
// and arterial disease as answered, treated or measured.
func arterialRisks(s *record.Surgery) (names []string, in []Input) {
	add := func(found bool, name, value, unit string) {
		if found {
			names, in = append(names, name), append(in, Input{name, value, unit})
		}
	}
	if r := s.Risks; r != nil {
		add(r.Raynaud == yes, "Raynaud's", "yes", "")
		add(r.ArterialDisease == yes, "arterial disease", "yes", "")
		add(r.Bypass == yes, "earlier revascularisation", "yes", "")
		if abi := positive(r.AnkleBrachialIndex); abi != nil && indexBand(abi) == bandAbnormal {
			add(true, "an ankle-brachial index of "+rounded(abi), r.AnkleBrachialIndex.String(), "1")
		}
	}
	for _, l := range legIndices(s.Vascular) {
		if l.ankle != nil && indexBand(l.ankle) == bandAbnormal {
			add(true, "an ankle-brachial index of "+rounded(l.ankle), rounded(l.ankle), "1")
		}
	}
	return names, in
}

// adrenalineRisk warns of adrenaline in a toe with Raynaud's or arterial
// disease: a warning, never a hard error (C-22).
func adrenalineRisk(toePlace string, t *record.Toe, s *record.Surgery) Result {
	var r Result
	names, in := arterialRisks(s)
	if t.Block == nil || len(names) == 0 {
		return r
	}
	for _, a := range t.Block.Agents {
		if a.Vasoconstrictor != adrenaline {
			continue
		}
		const source = "McNamara and Greyson 2022, a case of digital ischaemia in primary Raynaud's"
		r.flag(Flag{Code: AdrenalineArterial, Level: record.LevelWarning, Place: toePlace + "/block", Source: source, Tag: TagRead, Check: "C-22",
			Inputs: append(in, Input{"vasoconstrictor", string(adrenaline), ""}),
			Text:   fmt.Sprintf("Adrenaline was injected in the %s in spite of %s. Source: %s [read].", toeText(t.Side, t.Digit), listed(names), source)})
		return r
	}
	return r
}
