package shorthand

import (
	"math/big"
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// wrongDose is the rule that makes the amounts of an anaesthetic ambiguous; "" where none does.
func (r *reader) wrongDose(d dose, as []amount, v Value, used []*item) string {
	some := func(f func(*item) bool) bool { return slices.ContainsFunc(d.items, f) }
	left := func(it *item) bool { return r.loose(it) && !slices.Contains(used, it) && !r.ofVolumes(as, it) }
	for _, c := range []struct {
		rule  string
		wrong bool
	}{
		{"anaesthetic.unit", some(r.strangeUnit) || some(func(it *item) bool { return r.strangeRatio(as, it) })},
		{"anaesthetic.numbers", v.ML == "" && some(r.halfOf)},
		{"anaesthetic.numbers", v.Percent == "" && some(r.percentOfWord)},
		{"anaesthetic.mass", some(func(it *item) bool { return r.otherMass(it, v) })},
		{"anaesthetic.each", v.ML != "" && r.ofBothFeet(d)},
		{"anaesthetic.numbers", r.only(Anaesthetic) && some(left)},
		{"anaesthetic.strength", v.strange()},
		{"anaesthetic.plain-with-another", twoVasoconstrictors(d.items)},
		{"anaesthetic.plain-with-ratio", v.Ratio != "" && v.Vasoconstrictor == "none"},
	} {
		if c.wrong {
			return c.rule
		}
	}
	return ""
}

// halfOf reports whether a unit of volume stands after a word that may be a number: half ml.
func (r *reader) halfOf(it *item) bool {
	before := r.neighbour(it.index, -1)
	return it.is(unitML) && before != nil && before.index == it.index-1 && before.segment == it.segment && isLetter(before.text) && len(before.entries) == 0
}

// percentOfWord reports whether a percentage stands after a word that may be its number: half a per cent.
func (r *reader) percentOfWord(it *item) bool {
	i := it.index
	return it.is(percent) && i > 0 && isLetter(r.items[i-1].text) && r.items[i-1].segment == it.segment && len(r.items[i-1].entries) == 0 && (i+1 == len(r.items) || r.items[i+1].text != ":" && !r.items[i+1].number)
}

// strengths are those, in % w/v, that the local anaesthetics for injection are sold in (common
// practice, no source); one that is not among them is a slip: bupivacaine 5 %.
var strengths = map[record.Code][]string{
	"lidocaine": {"0.5", "1", "1.5", "2"}, "prilocaine": {"0.5", "1", "2", "3", "4"}, "mepivacaine": {"1", "1.5", "2", "3"}, "articaine": {"1", "2", "4"},
	"bupivacaine": {"0.125", "0.25", "0.375", "0.5", "0.75"}, "levobupivacaine": {"0.125", "0.25", "0.5", "0.625", "0.75"}, "ropivacaine": {"0.2", "0.25", "0.5", "0.75", "1"},
}

// mostML is the greatest volume of one anaesthetic that is read without a question (common
// practice, no source).
const mostML = 20

// strange reports whether an anaesthetic is sold in no such strength, or nobody gives so much
// for a toe.
func (v Value) strange() bool {
	known := strengths[v.Code]
	if v.Percent != "" && len(known) > 0 && !slices.ContainsFunc(known, func(s string) bool { return sameNumber(s, v.Percent) }) {
		return true
	}
	ml, ok := new(big.Rat).SetString(v.ML)
	return ok && ml.Cmp(big.NewRat(mostML, 1)) > 0
}

// strangeUnit reports whether a number of a column of anaesthetics has a unit that says nothing
// of the volume, or stands after a word of less or more: 3 units, up to 5 mL, more than 3 mL.
func (r *reader) strangeUnit(it *item) bool {
	next, before := r.neighbour(it.index, 1), r.neighbour(it.index, -1)
	if !it.number || !r.only(Anaesthetic) || next == nil {
		return false
	}
	return before != nil && before.is(lessWord) || slices.Contains([]string{"unit", "units", "dose", "doses", "shots", "squirts", "parts"}, next.text)
}

// loose reports whether a number of a column of anaesthetics may be an amount that
// nothing says what it is.
func (r *reader) loose(it *item) bool {
	if !it.number || len(it.text) > 4 {
		return false
	}
	if i := it.index + 1; i < len(r.items) && r.items[i].is(usedWord) { // only 1.5 used
		return true
	}
	further := it.index > 0 && r.items[it.index-1].is(moreWord) // further 2.5 same
	if i := it.index + 1; !further && i < len(r.items) && (isLetter(r.items[i].text) && !r.items[i].is(vaso, anaesthetic) || r.items[i].text == ":" || r.items[i].is(unitCart, unitMin, unitSec, unitMG)) {
		return false
	}
	if v, ok := decimal(it.text); ok && len(v) > 2 && !strings.Contains(v, ".") {
		return false // a time of day
	}
	for k := it.index - 1; k >= 0 && k >= it.index-3; k-- {
		if r.items[k].is(numberWord) || r.items[k].text == ":" && k > 0 && r.items[k-1].number || r.items[k].text == "@" {
			return false
		}
	}
	return true
}

// ofVolumes reports whether an item is of a volume that was not the one given.
func (r *reader) ofVolumes(as []amount, it *item) bool {
	return slices.ContainsFunc(as, func(a amount) bool { return (a.what == volume || a.what == times) && slices.Contains(a.items, it) })
}

// otherMass reports whether a number of a column of anaesthetics is a mass that the strength and
// the volume beside it do not give: 2 % 30 mg, of which the volume is not said.
func (r *reader) otherMass(it *item, v Value) bool {
	if !r.only(Anaesthetic) || !it.number || it.index+1 >= len(r.items) || !r.items[it.index+1].is(unitMG) {
		return false
	}
	if it.index+3 < len(r.items) && r.items[it.index+2].text == "/" && r.items[it.index+3].is(unitML) {
		return false // 20 mg/mL
	}
	mass, ok := decimal(it.text)
	if !ok || v.Percent == "" || v.ML == "" {
		return true
	}
	p, _ := new(big.Rat).SetString(v.Percent)
	ml, _ := new(big.Rat).SetString(v.ML)
	return !sameNumber(mass, trimmed(p.Mul(p, ml.Mul(ml, big.NewRat(10, 1)))))
}

// ofBothFeet reports whether the volume of a column of anaesthetics stands beside both feet, and
// nothing says that it is of them in all: 3 mL bilat.
func (r *reader) ofBothFeet(d dose) bool {
	return r.only(Anaesthetic) && slices.ContainsFunc(d.items, func(it *item) bool { return it.is(bothSides) }) &&
		!slices.ContainsFunc(d.items, func(it *item) bool { return it.is(totalWord) || it.text == "each" || it.text == "per" })
}

// mostApplications is how many applications of a chemical are read without a question (common
// practice, no source): in 10 x 15 s the first number may be a strength.
const mostApplications = 6

// looseBeside reports whether a number of a column of the matrix stands beside the amounts of a
// chemical of which nothing says what it counts: it may be the applications, or their length.
func (r *reader) looseBeside(items []*item, as []amount) bool {
	taken := func(it *item) bool {
		return slices.ContainsFunc(as, func(a amount) bool { return slices.Contains(a.items, it) })
	}
	return r.matrixColumn() && slices.ContainsFunc(items, func(it *item) bool {
		return r.loose(it) && len(it.text) < 4 && !taken(it) && !r.ofLiquid(it) && !r.ofBatchNumber(it)
	})
}

// ofBatchNumber reports whether a number is of a batch or of its last day, or of a toe.
func (r *reader) ofBatchNumber(it *item) bool {
	for k := it.index - 1; k >= 0 && k >= it.index-4; k-- {
		if o := r.items[k]; slices.Contains(batches, o.text) || k == it.index-1 && o.is(side, toeWord, numberWord, placeWord) {
			return true
		}
	}
	next := r.neighbour(it.index, 1)
	return next != nil && (next.is(side, toeWord, borderWord) || calendar.MatchString(it.text))
}

// twoVasoconstrictors reports whether items name two, one of which may be none: plain with
// adrenaline.
func twoVasoconstrictors(items []*item) bool {
	said := record.Code("")
	for _, it := range items {
		if v := record.Code(it.entry(vaso).value); it.is(vaso) && !it.mark.not && v != said {
			if said != "" {
				return true
			}
			said = v
		}
	}
	return false
}

// eitherDrug reports whether a slash joins two strengths of one drug: lido 1% / lido 2%, 4 mL.
func (r *reader) eitherDrug(ds []dose) bool {
	for i := 1; i < len(ds); i++ {
		a, b := ds[i-1], ds[i]
		signs := r.items[a.drug.index:b.drug.index]
		if a.drug.is(anaesthetic) && a.drug.entry(anaesthetic).value == b.drug.entry(anaesthetic).value && slices.ContainsFunc(signs, func(it *item) bool { return it.text == "/" && !it.glued }) {
			return true
		}
	}
	return false
}

// oneVolume reports whether a column of anaesthetics names two drugs, and one volume after both,
// which may be that of both: lido 2% + bupi 0.5%, 5cc in all; lido/bupi 5 mL.
func (r *reader) oneVolume(ds []dose) bool {
	if !r.only(Anaesthetic) {
		return false
	}
	var drugs []dose
	for _, d := range ds {
		if d.drug.is(anaesthetic) {
			drugs = append(drugs, d)
		}
	}
	if len(drugs) != 2 {
		return false
	}
	volumes := func(d dose) bool {
		return slices.ContainsFunc(amounts(d.items), func(a amount) bool { return a.what == volume })
	}
	joined := slices.ContainsFunc(r.items[drugs[0].drug.index:drugs[1].drug.index], func(it *item) bool { return it.text == "/" }) // lido/bupi 5 mL
	return !volumes(drugs[0]) && volumes(drugs[1]) && (joined || r.apart(drugs[1]))
}

// apart reports whether the volume of a drug stands in a part of its own, or is said to be in all.
func (r *reader) apart(d dose) bool {
	return slices.ContainsFunc(d.items, func(it *item) bool { return it.is(totalWord) || it.is(unitML) && it.part != d.drug.part })
}

// afterFlush reports whether a count, or a length of time, of a column of the matrix stands after a
// flush that follows the chemical, whose it may be: phenol, saline x2; NaOH then vinegar 3 min.
func (r *reader) afterFlush(d dose, a amount) bool {
	first := a.items[0]
	return r.matrixColumn() && (a.what == times || a.what == single) && slices.ContainsFunc(d.items, func(it *item) bool {
		return it.flushes() && it.clause == first.clause && it.index > d.drug.index && it.index < first.index
	})
}

// strangeRatio reports whether a number of a column of anaesthetics is the second of a ratio that is
// none of a vasoconstrictor: 1:100.
func (r *reader) strangeRatio(as []amount, it *item) bool {
	i := it.index
	if slices.ContainsFunc(as, func(a amount) bool { return a.what == ratio && slices.Contains(a.items, it) }) {
		return false
	}
	return r.only(Anaesthetic) && it.number && i > 1 && r.items[i-1].text == ":" && r.items[i-2].text == "1" && r.items[i-2].number && len(it.text) < 4
}
