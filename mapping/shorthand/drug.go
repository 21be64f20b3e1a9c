package shorthand

import (
	"math/big"
	"slices"
	"strconv"
	"strings"

	"nailbridge/mapping/record"
)

// dose is a drug with the items that its amounts are read from.
type dose struct {
	drug  *item // nil: a column of the drug's amounts alone
	items []*item
	half  string // of a mixture of two, mL
	which bool   // of a mixture of whose volume nobody knows what it is of
}

// drugs reads anaesthetics and chemicals with their amounts.
func (r *reader) drugs() {
	parts := r.equalParts()
	ds := r.doses()
	r.mixed(ds, parts)
	one, either := r.oneVolume(ds), r.eitherDrug(ds)
	r.plainAll(ds)
	for _, d := range ds {
		switch {
		case d.drug.is(anaesthetic) && r.wants(Anaesthetic):
			r.anaesthetic(d)
			last := &r.text.Readings[len(r.text.Readings)-1]
			if one {
				last.doubt("anaesthetic.one-volume")
			}
			if either {
				last.doubt("anaesthetic.either")
			}
		case d.drug.is(chemical, phenolAlc) && r.wants(Chemical):
			r.chemical(d)
		case d.drug.is(phenolAlc) && r.wants(Method) && r.partialMaybe(d.drug):
		case d.drug.is(chemical, phenolAlc) && r.wants(Method): // in a column of procedures
			r.add(Reading{Kind: Method, Value: Value{Code: "chemical-ablation"}, Certainty: Certain, Rule: "method.chemical"}, d.drug)
		}
	}
	r.unnamed()
}

// partialMaybe asks, in a column of procedures that names none, how much of the nail was avulsed
// beside phenol and alcohol, and reports whether they may be a partial avulsion: P/A.
func (r *reader) partialMaybe(it *item) bool {
	if len(r.text.Of(Procedure)) == 0 && r.wants(Procedure) {
		r.vague(it, entry{vague, "procedure partial-avulsion|procedure total-avulsion", "procedure.avulsion"})
	}
	return lower(r.text.Original[it.from:it.to]) == "p/a"
}

// doses gives each part of a clause to its drug: a part with one drug to that, a part
// without one to the drug before it, else to the one after it.
func (r *reader) doses() []dose {
	var out []dose
	var before []*item // of parts before the first drug of the clause
	for _, part := range r.parts() {
		drugs := slices.DeleteFunc(slices.Clone(part), func(it *item) bool { return !it.is(anaesthetic, chemical, phenolAlc) || it.mark.not })
		switch {
		case len(drugs) == 0 && len(out) > 0 && (out[len(out)-1].drug.clause == part[0].clause || r.only(Anaesthetic) || r.matrixColumn() || part[0].is(moreWord)):
			out[len(out)-1].items = append(out[len(out)-1].items, part...)
		case len(drugs) == 0 && slices.ContainsFunc(part, func(it *item) bool { return it.is(border, digit, digits, sideDigit, procedure) }):
			// lat x1, med x1
		case len(drugs) == 0:
			before = append(before, part...)
		default:
			out = append(out, r.splitDoses(part, drugs)...)
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
func (r *reader) splitDoses(part, drugs []*item) []dose {
	if len(drugs) == 1 {
		return []dose{{drug: drugs[0], items: part}}
	}
	before := slices.ContainsFunc(part[:slices.Index(part, drugs[0])], func(it *item) bool { return it.number && r.words[it.index] == nil }) // not R1
	var out []dose
	from := 0
	for n, d := range drugs {
		to := len(part)
		if n+1 < len(drugs) {
			to = startsDose(part, slices.Index(part, d), slices.Index(part, drugs[n+1]))
			if before {
				to = slices.Index(part, d) + 1
				for to < len(part) && (part[to].is(vaso) || part[to].text == "(" || part[to].text == ")") {
					to++
				}
			}
		}
		out = append(out, dose{drug: d, items: part[from:to]})
		from = to
	}
	return out
}

// startsDose is where the amounts of an anaesthetic begin that stand before it and after those of a
// chemical: phenol 3 x 60 s under 2% plain lidocaine.
func startsDose(part []*item, chem, drug int) int {
	at := drug
	for at > chem+2 && part[at-1].is(vaso) {
		at--
	}
	ofChemical := part[chem].is(chemical, phenolAlc) && part[drug].is(anaesthetic)
	strengthBefore := at >= chem+4 && part[at-1].is(percent) && part[at-2].number
	strengthAfter := drug+2 < len(part) && part[drug+1].number && part[drug+2].is(percent)
	if !ofChemical || !strengthBefore || strengthAfter {
		return drug
	}
	at -= 2
	for at > chem+2 && part[at-1].is(unitML) && part[at-2].number {
		at -= 2
	}
	return at
}

// parts are the items by the parts that amounts are read in; a sum of times (60 + 60 s)
// and a decimal list stay whole.
func (r *reader) parts() [][]*item {
	var out [][]*item
	for i, it := range r.items {
		sameClause := i > 0 && r.items[i-1].clause == it.clause
		inSum := sameClause && i >= 2 && it.number && (r.items[i-1].is(conj) || r.items[i-1].text == ",") &&
			(r.items[i-2].number || r.items[i-2].is(unitSec, unitMin)) && !(i+1 < len(r.items) && r.items[i+1].is(percent, unitML, unitMG))
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

// plainAll gives "both plain" to every dose.
func (r *reader) plainAll(ds []dose) {
	for i, it := range r.items {
		all := func(k int) bool {
			return k >= 0 && k < len(r.items) && slices.Contains([]string{"both", "all"}, r.items[k].text)
		}
		if !it.is(vaso) || !all(i-1) && !all(i+1) {
			continue
		}
		for k := range ds {
			if !slices.ContainsFunc(ds[k].items, func(o *item) bool { return o.is(vaso) }) {
				ds[k].items = append(slices.Clone(ds[k].items), it)
			}
		}
	}
}

func (r *reader) anaesthetic(d dose) {
	e := d.drug.entry(anaesthetic)
	rd := Reading{Kind: Anaesthetic, Value: Value{Code: record.Code(e.value)}, Certainty: Certain, Rule: e.rule}
	used := []*item{d.drug}
	if !d.drug.is(anaesthetic) {
		used, rd.Rule = nil, "anaesthetic.no-drug"
	}
	as := amounts(d.items)
	used = append(used, rd.numbers(as)...)
	ml, wrong, from := r.given(d, as)
	if rd.Value.ML = ml; d.half != "" {
		rd.Value.ML = d.half
		rd.likely("anaesthetic.mixture")
	}
	if d.which {
		rd.doubt("anaesthetic.mixture")
	}
	used = append(append(used, from...), rd.vasoconstrictors(d.items)...)
	if wrong == "" {
		wrong = r.wrongDose(d, as, rd.Value, used)
	}
	if wrong != "" {
		rd.doubt(wrong)
	}
	if len(used) == 0 {
		used = d.items
	}
	r.add(rd, used...)
}

// numbers gives a reading the strength of an anaesthetic and the ratio of its vasoconstrictor.
func (r *Reading) numbers(as []amount) (used []*item) {
	for _, a := range as {
		var into *string
		switch a.what {
		case percentage:
			into = &r.Value.Percent
		case ratio:
			into = &r.Value.Ratio
		case unclear, doubtful:
			r.doubt("anaesthetic.numbers")
		}
		if into == nil {
			continue
		}
		if *into != "" && !sameNumber(*into, a.text) {
			r.doubt("anaesthetic.two-amounts")
		}
		*into = a.text
		used = append(used, a.items...)
	}
	return used
}

// vasoconstrictors gives a reading the vasoconstrictor of an anaesthetic; a ratio alone is likely
// adrenaline's.
func (r *Reading) vasoconstrictors(items []*item) (used []*item) {
	for _, it := range items {
		if it.is(vaso) && it.entry(vaso).value == "?" {
			r.doubt("anaesthetic.vasoconstrictor") // the record's list has it not
		} else if it.is(vaso) && (it.mark.no || it.mark.none) { // w/o adrenaline, adr nil
			r.Value.Vasoconstrictor = "none"
			used = append(used, it)
		} else if it.is(vaso) && !it.mark.not {
			r.Value.Vasoconstrictor = record.Code(it.entry(vaso).value)
			used = append(used, it)
		}
	}
	if r.Value.Ratio != "" && r.Value.Vasoconstrictor == "" {
		r.Value.Vasoconstrictor = "adrenaline"
		r.likely(r.Rule)
	}
	return used
}

func (r *reader) chemical(d dose) {
	e := d.drug.entry(chemical)
	if d.drug.is(phenolAlc) {
		e = entry{chemical, "phenol", "chemical.p-and-a"}
		r.vague(d.drug, entry{vague, "flush isopropyl-alcohol|flush ethanol", "flush.alcohol"})
	}
	r.add(Reading{Kind: Chemical, Value: Value{Code: record.Code(e.value)}, Certainty: Certain, Rule: e.rule}, d.drug)
	total := slices.ContainsFunc(d.items, func(it *item) bool { return it.is(totalWord) })
	d.items = besideTourniquet(d)
	own := r.ofChemical(d)
	as := append(amounts(own), strength(d.drug, own)...)
	all := append(as, lists(own, as)...)
	as, said := sumSaid(addCounted(all))
	for _, it := range own {
		if it.mark.doubt && slices.Contains(strengthWords, it.text) {
			r.add(Reading{Kind: Percent, Certainty: Ambiguous, Rule: "amount.strength"}, it)
		}
	}
	total = total && !said
	loose := r.looseBeside(own, slices.Concat(all, as))
	several := ofApplications(as) > 1
	for _, a := range as {
		rd, ok := chemicalAmount(a)
		if !ok {
			continue
		}
		if wrong := r.wrongApplications(d, a, total, several, loose); rd.Kind == Applications && wrong != "" {
			rd.Certainty, rd.Rule = Ambiguous, wrong
		}
		r.add(rd, a.items...)
	}
}

// ofApplications is how many amounts are of applications, but those that are over.
func ofApplications(as []amount) (n int) {
	for _, a := range as {
		old := slices.ContainsFunc(a.items, func(it *item) bool { return it.mark.past })
		if !old && (a.what == times || a.what == durations || a.what == single || a.what == unclear) {
			n++
		}
	}
	return n
}

// chemicalAmount is the reading that an amount of a chemical makes, before what stands beside it is asked.
func chemicalAmount(a amount) (rd Reading, ok bool) {
	rd = Reading{Certainty: Certain, Rule: "amount"}
	switch a.what {
	case percentage:
		rd.Kind, rd.Value.Percent = Percent, a.text
	case times, durations:
		rd.Kind, rd.Value.Seconds = Applications, a.each
	case single:
		rd.Kind, rd.Value.Seconds, rd.Certainty, rd.Rule = Applications, []string{a.text}, Likely, "amount.one-length"
	case unclear:
		rd.Kind, rd.Certainty, rd.Rule = Applications, Ambiguous, "amount.numbers"
	case doubtful:
		if rd.Kind, rd.Certainty, rd.Rule = Applications, Ambiguous, "amount.range"; a.text == "%" {
			rd.Kind = Percent
		}
	default:
		return rd, false
	}
	return rd, true
}

// wrongApplications is the rule that makes the applications of a chemical ambiguous; "" where none does.
func (r *reader) wrongApplications(d dose, a amount, total, several, loose bool) string {
	switch {
	case total && (a.what != durations || a.joined):
		return "amount.total"
	case r.inAllMaybe(a):
		return "amount.total-or-each"
	case r.ofOne(d, a):
		return "amount.of-one"
	case several:
		return "amount.several"
	case r.afterFlush(d, a):
		return "amount.of-flush"
	case loose:
		return "amount.numbers"
	case r.mixedEach(a):
		return "amount.several"
	case len(a.each) > mostApplications:
		return "amount.many"
	}
	return ""
}

// mixedEach reports whether an "each" follows lengths that differ: 3 x 30 s, 60 s each.
func (r *reader) mixedEach(a amount) bool {
	after := a.items[len(a.items)-1].index + 1
	differ := slices.ContainsFunc(a.each, func(s string) bool { return s != a.each[0] })
	return differ && after < len(r.items) && slices.Contains([]string{"each", "ea", "apiece"}, r.items[after].text)
}

// inAllMaybe reports whether the length beside a count may be that of all applications: x3 (3 min);
// 2 applications over 1 min.
func (r *reader) inAllMaybe(a amount) bool {
	if !a.joined || len(a.each) < 2 {
		return false
	}
	last := a.items[len(a.items)-1].index
	for k := a.items[0].index; k < len(r.items) && k <= last+1; k++ {
		if slices.Contains([]string{"each", "ea", "per", "every", "of", "apiece"}, r.items[k].text) {
			return false
		}
	}
	first := slices.IndexFunc(a.items, func(it *item) bool { return it.is(unitMin, unitSec) }) - 1
	over := first > 0 && slices.ContainsFunc(r.items[max(0, a.items[first].index-1):a.items[first].index], func(it *item) bool {
		return it.text == "over" || it.text == "in" || it.text == "/" || it.text == "within"
	})
	long, _ := new(big.Rat).SetString(a.each[0])
	return over || long.Cmp(big.NewRat(120, 1)) >= 0
}

// ofOne reports whether a length of time is of each of applications that nobody counted, or of
// one of them alone: 4 s each; 60 s, then repeated; 2 applications, 1st 60 s, 2nd not timed.
func (r *reader) ofOne(d dose, a amount) bool {
	if a.what != single && !a.joined {
		return false
	}
	last := a.items[len(a.items)-1].index
	again := func(it *item) bool {
		return it.index > last && (slices.Contains(repeated, it.text) || it.text == "again" || it.text == "reapplied")
	}
	if a.what == single {
		return slices.ContainsFunc(d.items, again) || last+1 < len(r.items) && slices.Contains([]string{"each", "per", "every"}, r.items[last+1].text)
	}
	if slices.ContainsFunc(d.items, func(it *item) bool { return slices.Contains([]string{"timed", "untimed", "unrecorded"}, it.text) }) {
		return true
	}
	for _, it := range a.items { // the first number of the length
		if before := r.neighbour(it.index, -1); it.number && before != nil && before.is(ordinal) {
			return true
		}
	}
	return false
}

// lists are the lists of small numbers that no amount took.
func lists(items []*item, as []amount) []amount {
	for i := range items {
		if slices.ContainsFunc(as, func(a amount) bool { return slices.Contains(a.items, items[i]) }) {
			continue
		}
		bar := func(k int) bool {
			return k >= 0 && k < len(items) && strings.Contains("|;,()", items[k].text) && items[k].text != ""
		}
		if items[i].number && len(items[i].text) == 1 && bar(i-1) && bar(i+1) { // 89% | 3 | 1 min
			return []amount{{what: unclear, items: items[i : i+1]}}
		}
		if a, n := listAt(items[i:]); n > 0 {
			a.items = items[i : i+n]
			return []amount{a}
		}
	}
	return nil
}

// sumSaid drops a length of time that only says again what the applications are in all:
// 3 x 1 min = 3 min.
func sumSaid(as []amount) ([]amount, bool) {
	as = countedOf(as)
	i := slices.IndexFunc(as, func(a amount) bool { return a.what == durations })
	if i < 0 {
		return as, false
	}
	sum := new(big.Rat)
	for _, s := range as[i].each {
		v, _ := new(big.Rat).SetString(s)
		sum.Add(sum, v)
	}
	rest := slices.DeleteFunc(slices.Clone(as), func(a amount) bool {
		return a.what == single && len(as[i].each) > 1 && sameNumber(a.text, trimmed(sum)) ||
			a.what == times && len(a.each) == len(as[i].each) // 2 applications (20 s, 15 s)
	})
	return rest, len(rest) < len(as)
}

// countedOf gives a count without a unit the unit in which it is a length of time beside it:
// 4 minutes (4 x 1).
func countedOf(as []amount) []amount {
	out := slices.Clone(as)
	for i, a := range out {
		v := new(big.Rat)
		if a.what != unclear || len(a.each) < 2 {
			continue
		}
		v.SetString(a.each[0])
		for _, unit := range []int64{1, 60} {
			one := trimmed(new(big.Rat).Mul(v, big.NewRat(unit, 1)))
			all := product(len(a.each), one)
			if slices.ContainsFunc(out, func(o amount) bool { return o.what == single && sameNumber(o.text, all) }) {
				out[i].what, out[i].each = durations, repeat(one, len(a.each))
			}
		}
	}
	return out
}

// besideTourniquet are the items of a dose without those of a tourniquet, whose
// minutes are not the chemical's: from its name to the end of its part.
func besideTourniquet(d dose) []*item {
	var out []*item
	part := -1
	for _, it := range d.items {
		if it.is(tourniquet, noTourni) {
			part = it.part
		}
		if it.part != part || it == d.drug {
			if it == d.drug {
				part = -1
			}
			out = append(out, it)
		}
	}
	return out
}

// ofChemical are the items of a chemical's amounts: a percentage that stands before a
// flush, or after one in a part of its own, is the flush's.
func (r *reader) ofChemical(d dose) []*item {
	flushes := map[int]int{} // the first flush of a part
	for _, it := range slices.Backward(d.items) {
		if it.flushes() {
			flushes[it.part] = it.index
		}
	}
	return slices.DeleteFunc(slices.Clone(d.items), func(it *item) bool {
		if at, ok := flushes[it.part]; ok && it.part != d.drug.part && it.index > at && r.ofLiquid(it) {
			return true
		}
		if it.number && it.index > 0 && r.items[it.index-1].flushes() && r.ofLiquid(it) {
			return true
		}
		next := r.items[min(it.index+2, len(r.items)-1)]
		percents := it.number && it.index+1 < len(r.items) && r.items[it.index+1].is(percent)
		return percents && it.index+2 < len(r.items) && next.flushes() && !next.is(flushWord)
	})
}

// ofLiquid reports whether an item is a volume or a percentage, or the number of one.
func (r *reader) ofLiquid(it *item) bool {
	if it.number && it.index+1 < len(r.items) {
		it = r.items[it.index+1]
	}
	return it.is(unitML, percent)
}

// flushes reports whether an item is of a flush.
func (it *item) flushes() bool {
	return it.is(flushWord) || slices.ContainsFunc(it.entries, func(e entry) bool {
		return e.class == class(Flush) || strings.HasPrefix(e.value, string(Flush)+" ")
	})
}

// gluedStrengths are the usual strengths, in %, of the chemicals after whose name they may be written
// without a space and a sign (common practice, no source).
var gluedStrengths = map[string][]string{"sodium-hydroxide": {"5", "10"}, "trichloroacetic-acid": {"50", "80", "85", "90", "95", "100"}}

// gluedStrength reads such a strength: NaOH10, TCA100.
func gluedStrength(drug *item, items []*item) []amount {
	i := slices.Index(items, drug) + 1
	if i >= len(items) || !items[i].glued || !slices.Contains(gluedStrengths[drug.entry(chemical).value], items[i].text) || i+1 < len(items) && items[i+1].is(percent, timesSign, unitMin, unitSec, unitML) {
		return nil
	}
	return []amount{{what: percentage, text: items[i].text, items: items[i : i+1]}}
}

// strength reads a number without a unit beside phenol that is a usual strength of it:
// phenol 89, phenol (88) (common practice, no source).
func strength(drug *item, items []*item) []amount {
	if drug.entry(chemical).value != "phenol" {
		return gluedStrength(drug, items)
	}
	for i, it := range items {
		v, err := strconv.Atoi(it.text)
		free := i+1 == len(items) || !items[i+1].is(percent, unitML, unitMin, unitSec, unitMG) && items[i+1].text != "-" && items[i+1].text != "/"
		if it.number && err == nil && v >= 80 && v <= 92 && v != 90 && free && it.index > drug.index && it.index <= drug.index+2 {
			return []amount{{what: percentage, text: it.text, items: []*item{it}}}
		}
	}
	return nil
}

// unnamed reads an anaesthetic of which no drug is named: "ring block", or amounts in
// a column of anaesthetics.
func (r *reader) unnamed() {
	if !r.wants(Anaesthetic) || slices.ContainsFunc(r.items, func(it *item) bool { return it.is(anaesthetic) }) {
		return
	}
	for _, it := range r.items {
		amounts := r.only(Anaesthetic) && (it.is(unitML, percent) || it.text == "same")
		local := it.text == "local" && len(r.kinds) == 0 // local clinic
		agreed := it.is(injectWord) && it.mark.plan && r.consentFor(it)
		if !it.mark.not && !local && !agreed && (it.is(injectWord) || amounts) {
			if r.only(Anaesthetic) && r.amountsAlone() {
				return
			}
			r.add(Reading{Kind: Anaesthetic, Certainty: Ambiguous, Rule: "anaesthetic.no-drug"}, it)
			return
		}
	}
}

// amountsAlone reads the amounts of a column of anaesthetics that names no drug, where one
// clause says a strength or a volume: LA 3 mL, 2 % plain. What was used the last time is none.
func (r *reader) amountsAlone() bool {
	other := func(it *item) bool {
		return it.text == "same" || it.clause > 0 || it.is(unitCart, chemical, phenolAlc, class(Flush), flushWord) || it.mark.not && !it.is(vaso)
	}
	says := func(it *item) bool { return it.is(injectWord, percent, vaso) }
	if slices.ContainsFunc(r.items, other) || !slices.ContainsFunc(r.items, says) {
		return false
	}
	before := len(r.text.Readings)
	r.anaesthetic(dose{drug: &item{}, items: r.items})
	rd := r.text.Readings[before]
	if rd.Value.Percent == "" && rd.Value.ML == "" || rd.Certainty == Ambiguous {
		r.text.Readings = r.text.Readings[:before]
		return false
	}
	return true
}

// consentFor reports whether a consent for it stands before an item: consent for LA.
func (r *reader) consentFor(it *item) bool {
	return slices.ContainsFunc(r.segments[it.segment], func(o *item) bool {
		return o.is(planWord) && o.from < it.from && strings.HasPrefix(lower(r.text.Original[o.from:o.to]), "consent")
	})
}
