package shorthand

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// mention is one word of a site: a side, a digit, both of them (a code), or a
// border.
type mention struct {
	side   record.Code
	digit  []record.Code // several of a list: R1,2
	border record.Code
	both   bool // both sides
	unsure bool // of a border: inner, left border
	code   bool // a code of side and digit, which a bare digit may look like
	joined bool // "and" stands between it and the one before
	ranged bool // a hyphen does: T6-T8
	edge   bool // of a border: lateral edge of
	plural bool // of a border: lateral borders, lat each
	last   bool // no word stands after it that it may be of (inner shoe)
	rule   string
	items  []*item
}

func (m mention) isBorder() bool { return m.border != "" }
func (m mention) isSide() bool   { return m.side != "" && len(m.digit) == 0 }
func (m mention) isDigit() bool  { return m.side == "" && len(m.digit) > 0 }

// mentions are the words of sites of a clause, in their order.
func (r *reader) mentions(clause int) []mention {
	var out []mention
	joined := false
	for i, it := range r.items {
		if it.clause != clause {
			continue
		}
		m, ok := r.mention(i)
		if !ok {
			joined = joined || it.is(conj)
			continue
		}
		if it.mark.not && m.isBorder() {
			continue // "not lateral", "med not touched"
		}
		if it.mark.not && m.isSide() && i > 0 && r.items[i-1].is(notWord) && !r.digitAfter(i) {
			continue // "R hallux, not L"
		}
		if it.mark.not {
			it.mark.doubt = true // "not L hallux" is no toe at all
		}
		m.items, m.joined = append(m.items, it), joined && len(out) > 0
		m.edge = m.isBorder() && (it.text == "" || i+1 < len(r.items) && r.items[i+1].is(borderWord))
		m.plural = m.isBorder() && (r.ofEach(i) || m.rule == "border.listed" && strings.HasSuffix(r.said(it), "s"))
		m.last = r.ofNoMore(i)
		m.joined = m.joined || len(out) > 0 && r.listed(i, m, out[len(out)-1])
		if n := len(out); n > 0 && len(m.digit) > 0 && len(out[n-1].digit) > 0 {
			m.ranged = it.index == out[n-1].items[0].index+2 && r.items[it.index-1].text == "-"
		}
		out, joined = append(out, m), false
	}
	return out
}

// ofEach reports whether the words after a border are of several: lateral borders; lat each; fibular border
// each; lat both.
func (r *reader) ofEach(i int) bool {
	if i+1 == len(r.items) {
		return false
	}
	next := r.items[i+1]
	many := strings.HasSuffix(next.text, "s") && next.is(borderWord, toeWord) || slices.Contains([]string{"sulci", "nails", "plates", "each"}, next.text) || next.is(vagueBoth)
	return many || next.is(borderWord) && i+2 < len(r.items) && r.items[i+2].text == "each"
}

// ofNoMore reports whether an item ends a text, or stands before a sign, a conjunction or what was done, and
// so is of no word after it: outer, and no outer toe.
func (r *reader) ofNoMore(i int) bool {
	if i+1 == len(r.items) {
		return true
	}
	next := r.items[i+1]
	return !isLetter(next.text) && next.text != "" || next.is(conj, breakWord, procedure, chemical)
}

// listed reports whether a comma alone stands between an ordinal or a code and one
// before it: R 2nd, 3rd; T5, T6.
func (r *reader) listed(i int, m, before mention) bool {
	of := before.items[0]
	words := of.is(ordinal) && r.items[i].is(ordinal) || of.number && r.items[i].number
	return of.index == i-2 && r.items[i-1].text == "," && (m.code && before.code || words && m.isDigit() && before.isDigit())
}

// digitAfter reports whether the next word of a toe after an item is a digit.
func (r *reader) digitAfter(i int) bool {
	for k := i + 1; k < len(r.items) && r.items[k].segment == r.items[i].segment; k++ {
		if m, ok := r.mention(k); ok {
			return m.isDigit()
		}
	}
	return false
}

// isHallux reports whether an hx is the hallux, not a history: R) hx, and in a column of
// sites Hx (L).
func (r *reader) isHallux(i int) bool {
	if r.items[i].text != "hx" {
		return false
	}
	between := func(it *item) bool {
		sites := r.siteColumn() && (it.text == "." || it.is(footWord, border, borderWord, vagueBoth) || it.text == "," && i == 0)
		return it.text == "(" || it.text == ")" || sites
	}
	near := func(k, step int) bool {
		for k += step; k >= 0 && k < len(r.items) && between(r.items[k]); {
			k += step
		}
		return k >= 0 && k < len(r.items) && r.items[k].is(side)
	}
	bothBefore := i > 0 && r.items[i-1].is(bothSides)
	other := slices.ContainsFunc(r.items, func(o *item) bool {
		return o.is(digit, digits, ordinal, sideDigit, procedure) || o.number && len(o.text) == 4
	})
	return near(i, -1) || r.siteColumn() && !other && (near(i, 1) || bothBefore)
}

// slipOfLat reports whether an "lta" in small letters follows the toe of a column of sites. LTA may be
// the code of a left toe.
func (r *reader) slipOfLat(i int) bool {
	it := r.items[i]
	return r.text.Original[it.from:it.to] == "lta" && r.siteColumn() && i > 0 && r.words[i-1] != nil && len(r.words[i-1].digit) > 0
}

// otherSides reports whether a text has a word of a side.
func (r *reader) otherSides() bool {
	return slices.ContainsFunc(r.items, func(o *item) bool { return o.is(side, bothSides, sideDigit) })
}

// bothBegin reports whether a BL begins a column of sites that names no side, before its toe: BL hallux lat.
func (r *reader) bothBegin(i int) bool {
	return r.siteColumn() && r.items[i].text == "bl" && i == 0 && len(r.items) > 1 && r.items[1].is(digit, digits) && !r.otherSides()
}

// bothLetters are the letters of both borders, one of which is a unit too.
var bothLetters = []string{"ml", "lm"}

// lettersOfBoth reports whether the letters of both borders end a whole toe of a column of sites: R1 ML.
func (r *reader) lettersOfBoth(i int) bool {
	before := r.neighbour(i, -1)
	return r.siteColumn() && slices.Contains(bothLetters, r.items[i].text) && before != nil && before.index == i-1 && r.words[i-1] != nil && len(r.words[i-1].digit) > 0 && r.lastOf(i)
}

// bothInBrackets reports whether a B in brackets begins a column of sites that names no side, before its
// toe: (B) hallux lat. One that follows an (a) is the letter of a list.
func (r *reader) bothInBrackets(i int) bool {
	return r.siteColumn() && r.items[i].text == "b" && i == 1 && r.items[0].text == "(" && len(r.items) > 3 && r.items[2].text == ")" &&
		r.items[3].is(digit, digits, ordinal) && !r.otherSides()
}

// dutchSides are short for rechts and links.
var dutchSides = map[string]record.Code{"re": "right", "li": "left"}

// dutchSide is the side that stands in Dutch after the toe of a column of sites that names no other, and
// before its border: hallux re lateral. "Re" may be "regarding" elsewhere.
func (r *reader) dutchSide(i int) record.Code {
	said := dutchSides[r.items[i].text]
	if said == "" || i == 0 || r.otherSides() || !(r.siteColumn() && r.items[i-1].is(digit)) && !r.afterD(i) {
		return ""
	}
	k := i + 1
	if k < len(r.items) && r.items[k].text == "," {
		k++
	}
	if k < len(r.items) && r.items[k].is(border, vagueBoth) {
		return said
	}
	return ""
}

// afterD reports whether an item stands after a D and its number: D1 re.
func (r *reader) afterD(i int) bool {
	return i > 1 && r.items[i-1].number && len(r.items[i-1].text) == 1 && r.items[i-1].glued && r.items[i-2].text == "d"
}

// bothInDutch reports whether an item is short for both sides in Dutch, after the toe and before its border.
func (r *reader) bothInDutch(i int) bool {
	return r.items[i].text == "bdz" && i+1 < len(r.items) && r.items[i+1].is(border, vagueBoth) && !r.otherSides() && (r.afterD(i) || i > 0 && r.siteColumn() && r.items[i-1].is(digit))
}

// sideOfInitials are the initials of a side and the hallux. They may be short for a hand or a
// history too.
var sideOfInitials = map[string]record.Code{"lh": "left", "rh": "right"}

// sideAndHallux reports whether initials of a column of sites, or at the beginning of a note of a surgery,
// are a side and the hallux: a border, or the avulsion of the whole nail, follows them, and the text names no other toe, no side and no foot: LH
// lat; RH TNA.
func (r *reader) sideAndHallux(i int) bool {
	it := r.items[i]
	noted := r.inNote(i)
	if sideOfInitials[it.text] == "" || !it.is(vagueSite) || !r.siteColumn() && !noted {
		return false
	}
	other := slices.ContainsFunc(r.items, func(o *item) bool {
		second := o.is(unitSec) // sec
		return o.is(side, bothSides, digit, digits, ordinal, sideDigit, toeWord, footWord) && !second || o.number && !noted || o.text == "side"
	})
	return !other && slices.ContainsFunc(r.items[i+1:], func(o *item) bool {
		return o.clause == it.clause && (o.is(border, letter, vagueBoth, totalWord) || o.entry(procedure).value == "total-avulsion")
	})
}

// inNote reports whether an item of a note stands right before a border: PNA LH lat.
func (r *reader) inNote(i int) bool {
	return len(r.kinds) == 0 && i+1 < len(r.items) && r.items[i+1].is(border)
}

// mention reads an item as a word of a site, if it is one where it stands.
func (r *reader) mention(i int) (mention, bool) {
	if m, known := r.words[i]; known {
		if m == nil {
			return mention{}, false
		}
		return *m, true
	}
	m, ok := r.readMention(i)
	r.words[i] = nil
	if ok {
		r.words[i] = &m
	}
	return m, ok
}

func (r *reader) readMention(i int) (mention, bool) {
	it := r.items[i]
	if slices.ContainsFunc(r.items, func(o *item) bool { return o.clause == it.clause && slices.Contains(hands, o.text) }) || r.noToe(i) || r.comparison(it) || r.earlier(it) {
		return mention{}, false
	}
	switch {
	case r.sideAndHallux(i):
		return mention{side: sideOfInitials[it.text], digit: []record.Code{"1"}, rule: "toe.side-and-hallux"}, true
	case r.isHallux(i):
		return mention{digit: []record.Code{"1"}, rule: "digit.hallux"}, true
	case r.slipOfLat(i):
		return mention{border: "lateral", rule: "border.slip-of-lat"}, true
	case r.lettersOfBoth(i):
		return mention{border: "both", rule: "border.both"}, true
	case r.bothInBrackets(i) || r.bothBegin(i):
		return mention{both: true, rule: "side.both"}, true
	case r.bothInDutch(i):
		return mention{both: true, rule: "side.both"}, true
	case r.dutchSide(i) != "":
		return mention{side: r.dutchSide(i), rule: "side.dutch"}, true
	case it.number:
		return r.bareDigit(i)
	case it.is(sideDigit):
		return r.code(it)
	case it.is(bothSides) && r.only(Border):
		return mention{border: "both", rule: "border.both"}, true
	case it.is(bothSides):
		return mention{both: true, rule: "side.both"}, true
	case it.is(vagueBoth):
		if len(r.kinds) == 0 && (r.injected(it.segment) || r.ofTourniquet(i)) {
			return mention{}, false // 2 mL each side
		}
		return r.bothOf(i)
	case it.is(side):
		return r.sideWord(i)
	case r.sideOfToe(i):
		return mention{border: record.Code("near " + it.entries[0].value), rule: "border.near"}, true
	case it.is(digit, digits):
		e := it.entries[0]
		return mention{digit: []record.Code{record.Code(e.value)}, rule: e.rule}, true
	case it.is(roman) && r.text.Original[it.from:it.to] == "v", r.graded(i), r.grades(i):
		return mention{}, false // versus; gr II
	case it.is(roman):
		return mention{digit: []record.Code{record.Code(it.entry(roman).value)}, rule: "toe.roman"}, r.siteColumn() && r.beside(i, side, toeWord, footWord, bothSides)
	case it.is(nearWord):
		return r.near(i)
	case it.is(ordinal):
		e := it.entry(ordinal)
		if i+1 < len(r.items) && r.items[i+1].is(nthWord) {
			return mention{}, false
		}
		ok := r.siteColumn() || r.beside(i, side, bothSides, toeWord, footWord, border, vagueBoth) || r.followsDigit(i) || r.leadsDigit(i)
		return mention{digit: []record.Code{record.Code(e.value)}, rule: e.rule}, ok
	}
	return r.borderWord(i)
}

// noToe reports whether a word is of another matter that looks like a toe: T2 diabetic,
// L4 disc, hallux that a border is nearest to.
func (r *reader) noToe(i int) bool {
	for k := i + 1; k <= i+3 && k < len(r.items) && r.items[k].segment == r.items[i].segment; k++ {
		if r.items[k].is(noToeWord) {
			return true
		}
		if !r.items[k].number && r.items[k].text != "/" && r.items[k].text != "-" {
			break
		}
	}
	for k := i - 1; k >= i-3 && k >= 0; k-- {
		if r.items[k].is(nearWord) {
			return true
		}
		if !r.items[k].is(filler, toeWord) {
			break
		}
	}
	return false
}

// near reads the border that is nearest to another toe of the foot: for the hallux the
// one nearest the second is lateral.
func (r *reader) near(i int) (mention, bool) {
	away := r.items[i].entry(nearWord).value == "away"
	if r.items[i].entry(nearWord).value != "" && !away {
		return mention{border: record.Code(r.items[i].entry(nearWord).value), rule: "border.near"}, true
	}
	to := ""
	for k := i + 1; k <= i+3 && k < len(r.items); k++ {
		o := r.items[k]
		if otherFoot := r.text.Original[o.from:o.to]; lower(otherFoot) == "other foot" || o.text == "midline" { // border nearest the other foot
			return mention{border: map[bool]record.Code{true: "lateral", false: "medial"}[away], rule: "border.near"}, true
		}
		if o.is(digit, digits, ordinal) {
			to = o.entries[0].value
			break
		}
		if slices.Contains([]string{"lesser", "other", "smaller"}, o.text) && k+1 < len(r.items) && r.items[k+1].is(toeWord) {
			to = lesser
			break
		}
	}
	how := "near "
	if away {
		how = "away "
	}
	if to == "" { // near what it does not say
		return mention{border: "lateral", unsure: true, rule: "border.near"}, r.siteColumn() || r.only(Border)
	}
	return mention{border: record.Code(how + to), rule: "border.near"}, true
}

// sideOfToe reports whether items name a border by the toe on its side, after another toe:
// right hallux, 2nd toe side.
func (r *reader) sideOfToe(i int) bool {
	it := r.items[i]
	if !it.is(digit, ordinal) || i > 0 && r.items[i-1].is(conj) {
		return false
	}
	k := i + 1
	next := func(f func(*item) bool) bool {
		for k < len(r.items) && r.items[k].text == "-" {
			k++
		}
		if k == len(r.items) || !f(r.items[k]) {
			return false
		}
		k++
		return true
	}
	toe := next(func(o *item) bool { return o.is(toeWord) })
	of := next(func(o *item) bool { return slices.Contains([]string{"side", "edge"}, o.text) })
	return of && (toe || it.is(digit)) && slices.ContainsFunc(r.items[:i], func(o *item) bool {
		other := o.is(digit, digits) || o.is(ordinal) && r.words[o.index] != nil
		return other && o.clause == it.clause && o.entries[0].value != it.entries[0].value
	})
}

// hands are words of nails that are on no foot.
var hands = []string{"thumb", "finger", "fingers", "fingernail", "hand", "hands"}

// siteColumn reports whether the text is a column of sites.
func (r *reader) siteColumn() bool { return r.only(Site, Border, Procedure) && r.wants(Site) }

func (r *reader) code(it *item) (mention, bool) {
	e := it.entry(sideDigit)
	s, d, _ := strings.Cut(e.value, " ")
	bare := e.rule == "toe.hcpcs" && it.text != "ta"
	if i := it.index + 1; it.text == "ta" && i < len(r.items) && r.items[i].is(timesSign) {
		return mention{}, false // TNA x 2
	}
	if it.text == "ta" && !r.siteColumn() && r.text.Original[it.from:it.to] != "TA" {
		return mention{}, false
	}
	return mention{side: record.Code(s), digit: []record.Code{record.Code(d)}, code: bare, rule: e.rule}, true
}

// bareDigit reads a number as a digit: in a column of sites, or beside a side or
// the word toe, and never before a unit or an unknown word.
func (r *reader) bareDigit(i int) (mention, bool) {
	it := r.items[i]
	m := mention{rule: "toe.number"}
	if it.spelled {
		return mention{}, false // "one side"
	}
	for _, d := range strings.Split(it.text, ",") {
		if len(d) != 1 || d < "1" || d > "5" {
			return mention{}, false
		}
		m.digit = append(m.digit, record.Code(d))
	}
	if n := r.neighbour(i, 1); n != nil {
		unknown := len(n.entries) == 0 && isLetter(n.text)
		before := r.neighbour(i, -1)
		letters := r.siteColumn() && slices.Contains(bothLetters, n.text) && before != nil && before.is(side) // R1 ML
		sites := r.siteColumn() && n.index == i+1 && i+2 < len(r.items) && !r.items[i+2].number               // R 5: lat
		counts := n.is(unitML, unitMG, unitSec, unitMin, unitApp, unitCart, percent, timesSign)
		dutch := (dutchSides[n.text] != "" || n.text == "bdz") && r.afterD(n.index)
		if !letters && (counts || unknown && !dutch) || n.text == ":" && !sites {
			return mention{}, false
		}
	}
	if i+1 < len(r.items) && slices.Contains([]string{"toes", "digits", "toenails"}, r.items[i+1].text) && !r.followsDigit(i) && len(m.digit) == 1 {
		return mention{}, false // 2 toes
	}
	prev := r.neighbour(i, -1)
	if prev != nil && prev.is(timesSign, numberWord) || r.ofFraction(i) {
		return mention{}, false
	}
	ok := r.siteColumn() && prev == nil || prev != nil && prev.is(side, toeWord, bothSides) || r.followsDigit(i) || r.isToeWord(i+1) || r.siteColumn()
	if next := r.neighbour(i, 1); !ok && next != nil && next.is(side) && next.glued {
		ok = true // 1R
	}
	return m, ok
}

// ofFraction reports whether a slash joins a number to one that is no toe: 14/3.
func (r *reader) ofFraction(i int) bool {
	for _, step := range []int{-1, 1} {
		k := i + 2*step
		if k < 0 || k >= len(r.items) || r.items[i+step].text != "/" {
			continue
		}
		if o := r.items[k]; o.number && (len(o.text) != 1 || o.text < "1" || o.text > "5") {
			return true
		}
	}
	return false
}

// followsDigit reports whether the word before is itself a digit: R 1st and 2nd.
func (r *reader) followsDigit(i int) bool {
	prev := r.neighbour(i, -1)
	if prev == nil || !prev.number && !prev.is(ordinal, digit) {
		return false
	}
	m, ok := r.mention(prev.index)
	return ok && m.isDigit()
}

// leadsDigit reports whether "and" joins an ordinal to a toe: 2nd & 3rd toes R.
func (r *reader) leadsDigit(i int) bool {
	if i+2 >= len(r.items) || !r.items[i+1].is(conj) {
		return false
	}
	n := r.items[i+2]
	return n.is(digit, digits) || n.is(ordinal) && r.beside(n.index, side, bothSides, toeWord, footWord, border, vagueBoth)
}

func (r *reader) isToeWord(i int) bool { return i < len(r.items) && r.items[i].is(toeWord) }

// neighbour is the next item in a direction within the clause, signs and small words
// aside; nil at the end.
func (r *reader) neighbour(i, step int) *item {
	for k := i + step; k >= 0 && k < len(r.items) && r.items[k].clause == r.items[i].clause; k += step {
		if !r.items[k].is(filler, conj) {
			return r.items[k]
		}
	}
	return nil
}

// beside reports whether a neighbour is of one of the classes.
func (r *reader) beside(i int, cs ...class) bool {
	for _, step := range []int{-1, 1} {
		n := r.neighbour(i, step)
		if n == nil {
			continue
		}
		if n.is(cs...) {
			return true
		}
	}
	return false
}

// sideWord reads left and right. "Left border" is a border as somebody saw it, and
// "left" beside nothing of a foot is another word.
func (r *reader) sideWord(i int) (mention, bool) {
	it := r.items[i]
	e := it.entry(side)
	if r.only(Border) { // L may be lateral, or left, which is medial or lateral by the foot
		return mention{border: "lateral", unsure: true, rule: "border.letter-l"}, true
	}
	if n := i + 1; len(r.kinds) == 0 && n < len(r.items) && r.items[n].number && len(r.items[n].text) > 1 && r.ofTourniquet(i) {
		return mention{}, false // TQ R 10:05-10:15
	}
	if n := i + 1; n < len(r.items) && r.items[n].is(borderWord) && r.items[n].text != "" {
		return mention{border: "lateral", unsure: true, rule: "border.left-right"}, true
	}
	ok := r.siteColumn() || r.beside(i, side, digit, digits, ordinal, toeWord, footWord, border, letter, sideDigit) || r.numberBeside(i)
	return mention{side: record.Code(e.value), rule: e.rule}, ok
}

// ofTourniquet reports whether a tourniquet is named before an item in its clause.
func (r *reader) ofTourniquet(i int) bool {
	return slices.ContainsFunc(r.items[:i], func(o *item) bool { return o.clause == r.items[i].clause && o.is(tourniquet) })
}

// numberBeside reports whether a number that may be a digit stands beside a side.
func (r *reader) numberBeside(i int) bool {
	for _, step := range []int{-1, 1} {
		n := r.neighbour(i, step)
		if n == nil || !n.number {
			continue
		}
		if _, ok := r.mention(n.index); ok {
			return true
		}
	}
	return false
}

// bothOf reads "both": both feet before a toe, else both borders or both feet.
func (r *reader) bothOf(i int) (mention, bool) {
	it := r.items[i]
	prev := r.neighbour(i, -1)
	sided := prev != nil && prev.is(side) // L both 3rd
	if n := i + 1; it.text == "both" && !sided && n < len(r.items) && r.items[n].is(digit, digits, ordinal, toeWord, footWord) {
		return mention{both: true, rule: "side.both"}, true
	}
	toe := r.beside(i, side, digit, sideDigit) // both sides of a toe, in a note too
	rule := "both"
	if it.text == "" && !strings.HasPrefix(lower(r.text.Original[it.from:it.to]), "both") {
		rule = "both.each" // each side
	}
	return mention{border: "both", unsure: !r.only(Border), rule: rule}, r.siteColumn() || r.only(Border) || it.text == "" || toe
}

// borderWord reads a border, but not where the drug went in.
func (r *reader) borderWord(i int) (mention, bool) {
	it := r.items[i]
	if len(r.kinds) == 0 && r.injectedAt(it) {
		return mention{}, false
	}
	switch {
	case it.is(otherBorder):
		return mention{border: "lateral", unsure: true, rule: "border.other"}, r.siteColumn() || r.only(Border)
	case r.only(Border) && it.is(anyBorder):
		return mention{border: "lateral", unsure: true, rule: "border.other"}, true
	case (it.text == "total" || it.text == "tot" || it.is(totalWord)) && (r.siteColumn() && !r.wants(Procedure) || r.only(Border)):
		return mention{border: "whole", rule: "border.total"}, true
	case slices.Contains([]string{"full", "complete", "entire"}, it.text) && !r.ofLength(i) && (r.siteColumn() && !r.wants(Procedure) || r.only(Border)):
		return mention{border: "whole", rule: "border.total"}, true
	case it.is(border) && it.entry(border).value == "whole" && len(r.kinds) == 0 && i+1 < len(r.items) && strings.HasPrefix(r.items[i+1].text, "avulsio"):
		return mention{}, false // total nail avulsion
	case it.is(border):
		e := it.entry(border)
		return mention{border: record.Code(e.value), rule: e.rule}, true
	case it.is(letter):
		e := it.entry(letter)
		prev := r.neighbour(i, -1) // 60 yo M. R hallux
		ok := r.siteColumn() || r.only(Border) || prev != nil && (prev.is(side, digit, digits, ordinal, sideDigit, letter) || prev.number && r.words[prev.index] != nil)
		return mention{border: record.Code(e.value), rule: e.rule}, ok
	case it.is(vagueBorder):
		e := it.entry(vagueBorder)
		ok := r.siteColumn() || r.only(Border) || r.beside(i, side, digit, digits, ordinal, sideDigit, borderWord)
		edge := it.text == "" || i+1 < len(r.items) && r.items[i+1].is(borderWord) || r.only(Border) // inner alone may be the inner foot
		return mention{border: record.Code(e.value), unsure: !edge, rule: e.rule}, ok
	}
	return r.borderInside(it)
}

// borderInside reads the border that a phrase of what was done or found names: avulsion of
// lateral border; pus lat.
func (r *reader) borderInside(it *item) (mention, bool) {
	if it.text != "" || !it.is(procedure, class(Finding), class(Diagnosis), vague) || r.only(Border) {
		return mention{}, false
	}
	for _, t := range lex(r.text.Original[it.from:it.to]) {
		if it.is(procedure) && r.siteColumn() && slices.Contains([]string{"whole", "entire", "full", "complete"}, t.text) {
			return mention{border: "whole", rule: "border.whole"}, true // full nail avulsed
		}
	}
	v := r.borderIn(it)
	return mention{border: v, rule: "border"}, v != ""
}

// borderIn is the lateral or the medial border that a phrase of several words names.
func (r *reader) borderIn(it *item) record.Code {
	if it.text != "" {
		return ""
	}
	for _, t := range lex(r.text.Original[it.from:it.to]) {
		for _, e := range r.lexicon.alone(t.text) {
			if e.class == border && (e.value == "lateral" || e.value == "medial") {
				return record.Code(e.value)
			}
		}
	}
	return ""
}

// ofLength reports whether an item says how long or deep something is: full length.
func (r *reader) ofLength(i int) bool {
	return i+1 < len(r.items) && slices.Contains([]string{"length", "depth", "thickness"}, r.items[i+1].text)
}

// injectedAt reports whether a border is where the drug went in: it stands after the drug,
// or the block, and no toe between them.
func (r *reader) injectedAt(it *item) bool {
	after := false
	for _, o := range r.segments[it.segment] {
		switch {
		case o == it:
			return after
		case o.is(anaesthetic, injectWord):
			after = true
		case o.is(side, digit, digits, sideDigit, procedure):
			after = false
		}
	}
	return false
}

func (r *reader) injected(segment int) bool {
	return slices.ContainsFunc(r.segments[segment], func(it *item) bool { return it.is(anaesthetic, injectWord) })
}
