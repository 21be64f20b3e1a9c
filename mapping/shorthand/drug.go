package shorthand

import (
	"slices"

	"nailbridge/mapping/record"
)

// dose is a drug with the items that its amounts are read from.
type dose struct {
	drug  *item // nil: a column of the drug's amounts alone
	items []*item
}

// drugs reads anaesthetics and chemicals with their amounts.
func (r *reader) drugs() {
	for _, d := range r.doses() {
		switch {
		case d.drug.is(anaesthetic) && r.wants(Anaesthetic):
			r.anaesthetic(d)
		case d.drug.is(chemical, phenolAlc) && r.wants(Chemical):
			r.chemical(d)
		}
	}
}

// doses gives each part of a clause to its drug: a part with one drug to that, a part
// without one to the drug before it, else to the one after it.
func (r *reader) doses() []dose {
	var out []dose
	var before []*item // of parts before the first drug of the clause
	for _, part := range r.parts() {
		drugs := slices.DeleteFunc(slices.Clone(part), func(it *item) bool { return !it.is(anaesthetic, chemical, phenolAlc) || it.mark.not })
		switch {
		case len(drugs) == 0 && len(out) > 0 && out[len(out)-1].drug.clause == part[0].clause:
			out[len(out)-1].items = append(out[len(out)-1].items, part...)
		case len(drugs) == 0:
			before = append(before, part...)
		default:
			out = append(out, splitDoses(part, drugs)...)
			first := &out[len(out)-len(drugs)]
			if len(before) > 0 && before[0].clause == first.drug.clause {
				first.items = append(slices.Clone(before), first.items...)
			}
			before = nil
		}
	}
	return out
}

// splitDoses cuts a part with several drugs before each but the first, or after each
// but the last where amounts stand before the first.
func splitDoses(part, drugs []*item) []dose {
	if len(drugs) == 1 {
		return []dose{{drugs[0], part}}
	}
	before := slices.ContainsFunc(part[:slices.Index(part, drugs[0])], func(it *item) bool { return it.number })
	var out []dose
	from := 0
	for n, d := range drugs {
		to := len(part)
		if n+1 < len(drugs) {
			to = slices.Index(part, drugs[n+1])
			if before {
				to = slices.Index(part, d) + 1
			}
		}
		out = append(out, dose{d, part[from:to]})
		from = to
	}
	return out
}

// parts are the items by the parts that amounts are read in; a sum of times (60 + 60 s)
// and a decimal list stay whole.
func (r *reader) parts() [][]*item {
	var out [][]*item
	for i, it := range r.items {
		sameClause := i > 0 && r.items[i-1].clause == it.clause
		inSum := sameClause && i >= 2 && it.number && (r.items[i-1].is(conj) || r.items[i-1].text == ",") &&
			(r.items[i-2].number || r.items[i-2].is(unitSec, unitMin))
		if len(out) == 0 || !sameClause || r.items[i-1].part != it.part && !inSum && !r.sumGoesOn(i) {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], it)
	}
	return out
}

// sumGoesOn reports whether the item follows a number that a sum goes on with.
func (r *reader) sumGoesOn(i int) bool {
	return i >= 2 && r.items[i-1].number && r.items[i-2].is(conj)
}

func (r *reader) anaesthetic(d dose) {
	e := d.drug.entry(anaesthetic)
	rd := Reading{Kind: Anaesthetic, Value: Value{Code: record.Code(e.value)}, Certainty: Certain, Rule: e.rule}
	used := []*item{d.drug}
	for _, a := range amounts(d.items) {
		var into *string
		switch a.what {
		case percentage:
			into = &rd.Value.Percent
		case volume:
			into = &rd.Value.ML
		case ratio:
			into = &rd.Value.Ratio
		case unclear:
			rd.Certainty, rd.Rule = Ambiguous, "anaesthetic.numbers"
		}
		if into == nil {
			continue
		}
		if *into != "" && *into != a.text {
			rd.Certainty, rd.Rule = Ambiguous, "anaesthetic.two-amounts"
			rd.Others = append(rd.Others, rd.Value)
		}
		*into = a.text
		used = append(used, a.items...)
	}
	for _, it := range d.items {
		if it.is(vaso) && !it.mark.not {
			rd.Value.Vasoconstrictor = record.Code(it.entry(vaso).value)
			used = append(used, it)
		}
	}
	if rd.Value.Ratio != "" && rd.Value.Vasoconstrictor == "" {
		rd.Value.Vasoconstrictor = "adrenaline"
		rd.Certainty = Likely
	}
	if rd.Value.Ratio != "" && rd.Value.Vasoconstrictor == "none" {
		rd.Certainty, rd.Rule = Ambiguous, "anaesthetic.plain-with-ratio"
	}
	r.add(rd, used...)
}

func (r *reader) chemical(d dose) {
	e := d.drug.entry(chemical)
	if d.drug.is(phenolAlc) {
		e = entry{chemical, "phenol", "chemical.p-and-a"}
		r.vague(d.drug, entry{vague, "flush isopropyl-alcohol|flush ethanol", "flush.alcohol"})
	}
	r.add(Reading{Kind: Chemical, Value: Value{Code: record.Code(e.value)}, Certainty: Certain, Rule: e.rule}, d.drug)
	total := slices.ContainsFunc(d.items, func(it *item) bool { return it.is(totalWord) })
	if tq := slices.IndexFunc(d.items, func(it *item) bool { return it.is(tourniquet, noTourni) }); tq >= 0 {
		d.items = d.items[:tq] // its minutes are not the chemical's
	}
	for _, a := range amounts(d.items) {
		rd := Reading{Certainty: Certain, Rule: "amount"}
		switch a.what {
		case percentage:
			rd.Kind, rd.Value.Percent = Percent, a.text
		case times, durations:
			rd.Kind, rd.Value.Seconds = Applications, a.each
		case single:
			rd.Kind, rd.Value.Seconds, rd.Certainty, rd.Rule = Applications, []string{a.text}, Likely, "amount.one-length"
		case unclear:
			rd.Kind, rd.Certainty, rd.Rule = Applications, Ambiguous, "amount.numbers"
		default:
			continue
		}
		if total && rd.Kind == Applications {
			rd.Certainty, rd.Rule = Ambiguous, "amount.total"
		}
		r.add(rd, a.items...)
	}
}
