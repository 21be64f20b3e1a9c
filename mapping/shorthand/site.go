package shorthand

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// group is one toe, or several that share a word (sides x digits), with their
// borders.
type group struct {
	sides, digits []record.Code
	borders       []mention
	both          bool // both sides
	rule          string
	wrong         string // why it is ambiguous
	code          bool   // read from a code that a bare digit may look like
	codeText      string
	items         []*item // of side and digit
	clause        int
	after         bool // "and" joins it to the toe before
	shares        bool // its borders with the toe beside it
	bothSaid      bool // "both" stands before its borders
}

func (g *group) complete() bool { return (len(g.sides) > 0 || g.both) && len(g.digits) > 0 }

func (g *group) hasToe() bool { return len(g.sides) > 0 || g.both || len(g.digits) > 0 }

func (g *group) empty() bool { return !g.hasToe() && len(g.borders) == 0 }

// words are the items of a toe and of its borders.
func (g *group) words() []*item { return slices.Concat(g.items, borderItems(g.borders)) }

// first is where a group begins, and last where it ends.
func (g *group) first() *item {
	return slices.MinFunc(g.words(), func(a, b *item) int { return a.from - b.from })
}

func (g *group) last() *item {
	return slices.MaxFunc(g.words(), func(a, b *item) int { return a.from - b.from })
}

func borderItems(ms []mention) (out []*item) {
	for _, m := range ms {
		out = append(out, m.items...)
	}
	return out
}

// sites reads the sites clause by clause, and then as a whole.
func (r *reader) sites() {
	var groups []*group
	for c := 0; len(r.items) > 0 && c <= r.items[len(r.items)-1].clause; c++ {
		groups = append(groups, grouped(r.mentions(c), c)...)
	}
	r.aside(groups)
	r.onPapers(groups)
	r.consented(groups)
	r.unsettled(groups)
	r.contradicted(groups)
	r.painfulElsewhere(groups)
	r.astray(groups)
	r.postponed(groups)
	r.ofTotal(groups)
	r.wholeNails(groups)
	for _, g := range r.join(groups) {
		switch {
		case g.both && len(g.digits) == 0 && len(r.kinds) == 0 && !r.acts(g.clause):
			// "pulses present bilaterally" is of no toe
		case !g.hasToe() || !r.wants(Site):
			r.bordersAlone(g)
		default:
			r.toes(g)
		}
	}
	r.bordersOpen()
	r.vagueSites()
}

// bordersOpen doubts the toes of a column of sites that have no border, where a border is said
// that may be theirs: Left hallux. Lateral sulcus next week.
func (r *reader) bordersOpen() {
	open := slices.ContainsFunc(r.text.Of(Border), func(rd Reading) bool { return rd.Certainty == Ambiguous })
	if !r.siteColumn() || !open {
		return
	}
	for i := range r.text.Readings {
		if rd := &r.text.Readings[i]; rd.Kind == Site && rd.Value.Border == "" && rd.Certainty != Ambiguous {
			rd.Certainty, rd.Rule, rd.Others = Ambiguous, "border.which-toe", append(rd.Others, rd.Value)
		}
	}
}

// vagueSites asks which toe a column of sites means that says none: RHL, same toe, toes; and
// which other one it means beside a toe: R1 lat + other foot.
func (r *reader) vagueSites() {
	if !r.siteColumn() {
		return
	}
	none := r.text.Of(Site) == nil
	for i, it := range r.items {
		code := it.text == "t" && it.beforeDigit // T10 is none of HCPCS
		also := it.is(vagueSite) && i > 0 && r.items[i-1].is(conj)
		if r.words[i] != nil {
			continue // LH lat
		}
		if also || none && (it.is(vagueSite) || code || it.is(toeWord) && it.text != "d") {
			r.add(Reading{Kind: Site, Value: Value{Side: "left", Digit: "1"}, Certainty: Ambiguous, Rule: "toe.not-said",
				Others: []Value{{Side: "left", Digit: "1"}, {Side: "right", Digit: "1"}}}, it)
			return
		}
	}
}

// grouped parts the words of a clause into toes.
func grouped(ms []mention, clause int) []*group {
	var out []*group
	cur := &group{clause: clause}
	next := func() {
		if !cur.empty() {
			out = append(out, cur)
		}
		cur = &group{clause: clause}
	}
	prefix := len(ms) > 0 && ms[0].isBorder() // borders stand before their toes
	var last mention                          // the last word of a toe
	var each *group                           // "both hallux", of which each is said by itself
	for i := 0; i < len(ms); i++ {
		m := ms[i]
		medial := i > 0 && slices.ContainsFunc(ms[:i], func(o mention) bool { return o.isBorder() && o.items[0].text == "m" })
		m = cur.bilateral(cur.lastL(m, ms[i+1:], medial), last)
		if each == nil && cur.parted(ms[i:]) {
			each, prefix, cur = cur, m.isBorder(), &group{clause: clause}
		}
		if cur.bothOfToes(m, out, ms[i+1:]) {
			continue
		}
		if m.isBorder() {
			if cur.endsBefore(m, ms[i+1:], prefix) {
				next()
			}
			cur.borders = append(cur.borders, m)
			continue
		}
		if cur.sidesLast(m, last, ms[i+1:]) {
			cur.take(m)
			last = m
			continue
		}
		if cur.saysAgain(m, ms[i+1:]) {
			i++ // the digit after it
			cur.items = append(append(cur.items, m.items...), ms[i].items...)
			continue
		}
		if ofNext, doubt := cur.sideOfNext(m, out, ms[i+1:]); ofNext {
			next()
		} else if doubt {
			cur.wrong = "toe.side-of-which"
		}
		if cur.begins(m, last) || each != nil && !prefix && m.isSide() && len(cur.sides) > 0 {
			code := cur.wrong == "toe.code-and-words" && !slices.Contains(cur.sides, m.side)
			next()
			if cur.after = m.joined; code {
				cur.wrong = "toe.code-and-words" // TA right hallux
			}
		}
		cur.take(m)
		last = m
	}
	next()
	if each != nil {
		return each.of(out)
	}
	return bordered(out)
}

// bordered settles whose the borders of the toes of a clause are, and which.
func bordered(gs []*group) []*group {
	for _, g := range gs {
		g.innerAndOuter()
		g.nearest()
		g.others()
		g.bothBorders()
	}
	return unshared(sameSide(sameDigit(shared(gs))))
}

// endsBefore reports whether a border is of the next toe: of borders that stand before their toes each
// after a whole one, else a whole nail that is joined to a toe with a border (lat + whole 2nd).
func (g *group) endsBefore(m mention, rest []mention, prefix bool) bool {
	whole := m.border == "whole" && m.joined && g.complete() && len(g.borders) > 0 && len(rest) > 0 && !rest[0].isBorder()
	return whole || prefix && (g.complete() || len(g.sides) > 0 && len(g.digits) == 0 && len(g.borders) > 0)
}

// bothOfToes reports whether a "both" is of several toes, and no border: of those before it, whose border is
// said (total both), or of those whose border follows (T5 & T6, both lat).
func (g *group) bothOfToes(m mention, before []*group, rest []mention) bool {
	if g.eachSaid(m, before, rest) {
		return true
	}
	if m.rule != "both" || !m.unsure || !g.complete() {
		return false
	}
	if len(rest) == 0 && len(g.borders) > 0 {
		return len(before) > 0 && g.after || len(g.digits) == 2 || len(g.sides) == 2
	}
	if len(before) == 0 && !g.several() || len(g.borders) > 0 || len(rest) == 0 || !rest[0].isBorder() {
		return false
	}
	for _, o := range slices.Concat(before, []*group{g}) {
		o.after, o.bothSaid = true, true
	}
	return true
}

// eachSaid reports whether a "both toes" ends the clause of two toes, the last with the border of both:
// TA, T5 fibular border both toes.
func (g *group) eachSaid(m mention, before []*group, rest []mention) bool {
	if m.rule != "side.both" || m.items[0].text != "both" || len(rest) > 0 || len(before) != 1 || !g.complete() || len(g.borders) != 1 {
		return false
	}
	if o := before[0]; !o.complete() || o.several() || g.several() || len(o.borders) > 0 {
		return false
	}
	g.after, g.bothSaid = true, true
	return true
}

// saysAgain reports whether a side and the digit after it say in words what the code before them says: TA
// L great toe.
func (g *group) saysAgain(m mention, rest []mention) bool {
	last := func(items []*item) int { return items[len(items)-1].index }
	return g.rule == "toe.hcpcs" && !g.code && g.complete() && len(g.borders) == 0 && m.isSide() && len(rest) > 0 && rest[0].isDigit() &&
		last(m.items) <= last(g.items)+2 && rest[0].items[0].index == last(m.items)+1 && g.says(mention{side: m.side, digit: rest[0].digit})
}

// sideOfNext reports whether a side after a digit and its border, which follow a toe whose side stands
// first, is of the next toe, whose digit it precedes: R 1st lat, 2nd med, L 1st lat. Where that is not
// plain it is in doubt.
func (g *group) sideOfNext(m mention, before []*group, rest []mention) (ofNext, doubt bool) {
	if !m.isSide() || len(g.digits) == 0 || len(g.borders) == 0 || len(g.sides) > 0 || g.both || len(before) == 0 {
		return false, false
	}
	o := before[len(before)-1]
	if !o.complete() || len(o.borders) == 0 || !o.first().is(side) || g.first().is(border) {
		return false, false
	}
	at := m.items[0].index
	plain := len(rest) > 0 && rest[0].isDigit() && (rest[0].items[0].index == at+1 || rest[0].items[0].index == at+2 && rest[0].items[0].segment == m.items[0].segment)
	return plain, !plain
}

// sidesLast reports whether a side is the second of two that end a clause, after the digit and the
// border of both: hallux lat, L and R.
func (g *group) sidesLast(m, last mention, rest []mention) bool {
	return len(rest) == 0 && m.isSide() && m.joined && last.isSide() && last.side != m.side && len(g.sides) == 1 && len(g.digits) == 1 && len(g.borders) > 0 &&
		g.borders[len(g.borders)-1].items[0].from < last.items[0].from
}

// innerAndOuter makes the inner and the outer of a toe its borders, where both are named or where
// one ends the name of a whole toe: L big toe outer.
func (g *group) innerAndOuter() {
	of := func(b record.Code) int {
		return slices.IndexFunc(g.borders, func(m mention) bool { return m.rule == "border.inner" && m.border == b })
	}
	in, out := of("medial"), of("lateral")
	for _, i := range []int{in, out} {
		if i >= 0 && (in >= 0 && out >= 0 || g.innerEnds(g.borders[i])) {
			g.borders[i].unsure = false
		}
	}
}

// innerEnds reports whether an inner or an outer follows the digit of a whole toe, so that it is no
// inner foot and no outer toe.
func (g *group) innerEnds(b mention) bool {
	return g.complete() && b.last && slices.ContainsFunc(g.items, func(it *item) bool { return it.namesDigit() && it.index < b.items[0].index })
}

// lastL reads an L after a whole toe as a border, or as left of the next: R hallux L. Beside an M
// of another toe it is lateral: L1 M, R1 L.
func (g *group) lastL(m mention, rest []mention, medialBefore bool) mention {
	ofNext := len(rest) > 0 && (rest[0].isDigit() || rest[0].isBorder())
	ofNext = ofNext || len(g.borders) > 1 // hallux lat R, med L
	if m.isSide() && m.items[0].text == "l" && g.glued(m) {
		return mention{border: "lateral", rule: "border.letter", items: m.items}
	}
	if m.isSide() && m.items[0].text == "l" && g.complete() && !m.joined && !ofNext && len(g.borders) == 0 {
		return mention{border: "lateral", unsure: !medialBefore, rule: "border.letter-l", items: m.items}
	}
	return m
}

// glued reports whether a letter is written together with the side and the digit of a toe,
// and no digit with it: R1L is the lateral border of R1, L1L2 two toes.
func (g *group) glued(m mention) bool {
	it := m.items[0]
	n := len(g.items)
	return g.complete() && n > 1 && len(g.borders) == 0 && it.glued && !it.beforeDigit && it.index == g.items[n-1].index+1 &&
		g.items[n-1].number && g.items[n-1].glued && g.items[n-2].is(side)
}

// bilateral reads the word "bilateral" after one toe as both its borders.
func (g *group) bilateral(m, last mention) mention {
	if m.rule == "side.both" && len(g.sides) == 1 && len(g.digits) == 1 && len(g.borders) == 0 && m.besides(last) && strings.HasPrefix(m.items[0].text, "bi") {
		return mention{border: "both", rule: "border.both", items: m.items}
	}
	return m
}

// digitLast reports whether the digit of a toe stands after its side and its borders, so that it may be
// of the toe before too: L med, R lat hallux, and not L med, R 2nd lat.
func (g *group) digitLast() bool {
	return g.last().namesDigit()
}

// bothBorders makes "both sides" of one toe its borders.
func (g *group) bothBorders() {
	for i, b := range g.borders {
		one := g.complete() && len(g.digits) == 1 && len(g.sides) == 1
		feet := g.complete() && len(g.digits) == 1 && g.both && b.rule == "both" // both halluces, both sides
		if strings.HasPrefix(b.rule, "both") && one || feet {
			g.borders[i].unsure = false
		}
	}
}

// lesser stands for the toes beside the great one.
const lesser = "lesser"

// nearest tells the border that is nearest to another toe, or away from it, by the toe's
// own digit.
func (g *group) nearest() {
	for i, b := range g.borders {
		if i > 0 && b.rule == "border.near" && !b.joined && !g.borders[0].unsure && g.borders[0].border != b.border && !strings.Contains(string(b.border), " ") && g.wrong == "" {
			g.wrong = "border.near-another" // outer, next to the other foot
		}
		how, to, ok := strings.Cut(string(b.border), " ")
		if !ok {
			continue
		}
		b.border, b.unsure = "lateral", len(g.digits) != 1 || string(g.digits[0]) == to || to == lesser && g.digits[0] != "1"
		if len(g.digits) == 1 && (to < string(g.digits[0])) != (how == "away") {
			b.border = "medial"
		}
		g.borders[i] = b
		if g.wrong == "" && i > 0 && !b.joined && !g.borders[i-1].unsure && g.borders[i-1].border != b.border {
			g.wrong = "border.near-another" // medial side next to 2nd toe, of the hallux
		}
	}
}

// others makes the "other side" after the lateral border of a toe the medial one, which is asked about.
func (g *group) others() {
	if len(g.borders) > 1 && g.borders[1].rule == "border.other" && g.borders[0].border == "lateral" && !g.borders[0].unsure {
		g.borders[1].border = "medial"
	}
}

// begins reports whether m is the first word of another toe than g.
func (g *group) begins(m, last mention) bool {
	if m.ranged {
		return false
	}
	if !g.complete() {
		another := m.isSide() && len(g.sides) == 1 && m.side != g.sides[0] && len(g.digits) == 0 && len(g.borders) > 0 // L med / R lat hallux
		return another || m.isDigit() && len(g.digits) > 0 && len(g.borders) > 0 && len(g.sides) == 0 && !g.both
	}
	switch {
	case g.rule == "toe.hcpcs" && !g.code && m.besides(last) && !m.joined && (m.isSide() || m.rule == "toe.initials"): // TA L 2nd, a TNA
		g.wrong = "toe.code-and-words"
		return true
	case m.isSide():
		return (!m.joined || !last.isSide() || len(g.borders) > 0) && !g.code
	case m.isDigit():
		return (!last.isDigit() || len(g.borders) > 0) && !g.code
	case m.side != "" && m.rule == "toe.hcpcs" && !g.code && (m.besides(last) || m.afterWord(last)) && !g.says(m):
		g.wrong = "toe.code-and-words" // left hallux T5
		return false
	case m.side != "":
		return !slices.Equal(g.sides, []record.Code{m.side}) || !slices.Equal(g.digits, m.digit)
	}
	return true
}

// besides reports whether nothing but a bracket stands between two words of a toe.
func (m mention) besides(last mention) bool {
	if len(last.items) == 0 {
		return false
	}
	gap := m.items[0].index - last.items[0].index
	return gap == 1 || gap == 2 && m.items[0].glued
}

// afterWord reports whether one item that is no sign of a list stands between two words of a toe: 3rd toe TA, where
// TA may be a slip of TNA.
func (m mention) afterWord(last mention) bool {
	return len(last.items) > 0 && m.items[0].index == last.items[0].index+2 && !m.items[0].listed && !m.joined
}

// says reports whether a code names the toe of the group.
func (g *group) says(m mention) bool {
	return slices.Equal(g.sides, []record.Code{m.side}) && slices.Equal(g.digits, m.digit)
}

// take adds a word of a toe. Two sides, or two digits, need an "and" between them.
func (g *group) take(m mention) {
	g.takeCode(m)
	if m.ranged {
		g.wrong = "toe.range"
	}
	if m.both {
		g.both = true
	}
	if m.isSide() && len(g.sides) > 1 && slices.Contains(g.sides, m.side) {
		g.wrong = "toe.two-sides" // R and L hallux, lat R only
	}
	if m.side != "" && !slices.Contains(g.sides, m.side) {
		if len(g.sides) > 0 && !m.joined {
			g.wrong = "toe.two-sides"
		}
		g.sides = append(g.sides, m.side)
	}
	if len(m.digit) > 0 && !slices.Equal(m.digit, g.digits) {
		if len(g.digits) > 0 && !m.joined {
			g.wrong = "toe.two-digits"
		}
		g.digits = append(g.digits, m.digit...)
	}
	if g.both && len(g.sides) > 0 {
		g.wrong = "toe.both-and-one"
	}
	if g.rule == "" || len(m.digit) > 0 {
		g.rule = m.rule
	}
	g.items = append(g.items, m.items...)
}

// takeCode minds codes of toes beside words: T3 left is the modifier of the left
// fourth toe, or the third toe; T5 right hallux says the same twice.
func (g *group) takeCode(m mention) {
	const wrong = "toe.code-and-words"
	switch {
	case m.code && g.hasToe() && !g.complete(), g.code && m.isSide():
		g.wrong = wrong
	case g.code && m.isDigit() && slices.Equal(m.digit, g.digits) && len(g.sides) == 1 && g.wrong == wrong:
		g.wrong = ""
	}
	if m.code {
		g.code, g.codeText = true, m.items[0].text
	}
}

// acts reports whether a clause says that something was done.
func (r *reader) acts(clause int) bool {
	return slices.ContainsFunc(r.items, func(it *item) bool {
		return it.clause == clause && it.is(procedure, chemical, phenolAlc, class(Method), border, vague)
	})
}

// aside makes a toe of a note ambiguous that stands away from what was done, where
// something was done to another.
func (r *reader) aside(groups []*group) {
	if len(r.kinds) > 0 {
		return
	}
	acting := map[int]bool{}
	for _, it := range r.items {
		if it.is(procedure, chemical, phenolAlc, class(Method)) && it.mark == (mark{}) {
			acting[it.clause] = true
		}
	}
	done := slices.ContainsFunc(groups, func(g *group) bool { return g.complete() && acting[g.clause] })
	for _, g := range groups {
		if done && g.complete() && g.wrong == "" && (!acting[g.clause] || r.otherMatter(g, groups)) {
			g.wrong = "toe.aside"
		}
	}
}

// ofReview are the classes of the words of a toe that was looked at, or dressed, and no more.
var ofReview = []class{class(Finding), class(Wound), class(Exudate), class(Dressing), class(Regrowth), dressingWord, fineAfter, notAfter, painless}

// otherMatter reports whether a toe of a segment without a procedure stands among words
// that are none of the grammar's, beside a segment where something was done to another:
// PNA R hallux, L 3rd toe corn debrided.
func (r *reader) otherMatter(g *group, groups []*group) bool {
	act := func(it *item) bool {
		return it.is(procedure, chemical, phenolAlc, class(Method)) && it.mark == (mark{})
	}
	in := func(part int, f func(*item) bool) bool {
		return slices.ContainsFunc(r.items, func(it *item) bool { return it.part == part && f(it) })
	}
	here := g.items[0].part
	strange := in(here, func(it *item) bool {
		return it.is(ofReview...) || len(it.entries) == 0 && isLetter(it.text) && len(it.text) > 3 && it.text != "also" && it.text != "with"
	})
	if !strange || in(here, act) {
		return false
	}
	return slices.ContainsFunc(groups, func(o *group) bool {
		return o != g && o.complete() && o.clause == g.clause && in(o.items[0].part, act)
	})
}

// join gives borders without a toe to the only toe there is, and half a toe to the
// whole one that it repeats.
func (r *reader) join(groups []*group) []*group {
	var whole, out []*group
	for _, g := range groups {
		if g.complete() && g.wrong != "toe.aside" {
			whole = append(whole, g)
		}
	}
	for _, g := range groups {
		fits := slices.DeleteFunc(slices.Clone(whole), func(w *group) bool { return !w.repeats(g) })
		switch {
		case g.complete() || !r.wants(Site):
			out = append(out, g)
		case len(fits) == 1:
			fits[0].borders = append(fits[0].borders, g.borders...)
			fits[0].items = append(fits[0].items, g.items...)
		case len(whole) > 0 && g.hasToe() && len(fits) == 0 && !r.otherTime(g) && !slices.ContainsFunc(whole, func(w *group) bool { return w.both }):
			r.contradict(whole, g)
		default:
			g.ofOneOf(whole)
			out = append(out, g)
		}
	}
	return out
}

// ofOneOf doubts two toes without a border of which a half names one with a border: both hallux - R
// lat.
func (g *group) ofOneOf(whole []*group) {
	for _, w := range whole {
		if len(g.borders) > 0 && len(g.sides) > 0 && len(g.digits) == 0 && w.both && len(w.borders) == 0 && w.wrong == "" {
			w.wrong = "border.which-toe"
		}
	}
}

// otherTime reports whether half a toe is said of another time: L hallux med, for R next
// visit. "Pt says right" is said of this one.
func (r *reader) otherTime(g *group) bool {
	if len(g.sides) == 0 && !g.both && !slices.ContainsFunc(g.items, func(it *item) bool { return !it.mark.doubt || it.clause == 0 }) {
		return true // TA lat; ? second toe
	}
	if r.siteColumn() && r.inConsent(g) {
		return false // consent says R
	}
	for _, it := range g.items {
		timed := slices.ContainsFunc(r.segments[it.segment], func(o *item) bool {
			return o.is(planWord) && o.from < it.from || o.is(doubtWord) && o.entry(doubtWord).value == "time" || o.is(pastWord) && o.entry(pastWord).value != ""
		})
		if it.mark.rule() == "" || !timed {
			return false
		}
	}
	return true
}

// contradict lets half a toe that fits no whole one put those of its clause, or of
// its column, in doubt: R hallux, L foot.
func (r *reader) contradict(whole []*group, half *group) {
	for _, w := range whole {
		if w.clause == half.clause || len(r.kinds) > 0 {
			w.wrong = "toe.two-sides"
		}
	}
}

// repeats reports whether half a toe, or a border alone, may belong to g.
func (g *group) repeats(half *group) bool {
	if (g.both || len(g.sides) > 1) && len(half.sides) > 0 {
		return false // it is one of the two
	}
	if half.both && !g.both && len(g.sides) == 1 {
		return false // R hallux b/l
	}
	for _, s := range half.sides {
		if !g.both && !slices.Contains(g.sides, s) {
			return false
		}
	}
	for _, d := range half.digits {
		if !slices.Contains(g.digits, d) {
			return false
		}
	}
	return half.wrong == ""
}

// toes adds a reading for each toe and border of a group.
func (r *reader) toes(g *group) {
	sides, digits := g.sides, g.digits
	if g.both {
		sides = []record.Code{"left", "right"}
	}
	if len(sides) > 1 && len(digits) > 1 && g.wrong == "" {
		g.wrong = "toe.sides-and-digits"
	}
	if len(sides) == 0 {
		sides = []record.Code{"left", "right"}
		g.wrong = "toe.side-not-said"
	}
	if len(digits) == 0 {
		digits = []record.Code{"1"}
		g.wrong = "toe.digit-not-said"
	}
	if g.wrong == "toe.two-sides" && len(sides) == 2 && len(digits) == 1 && r.saysEach(g.clause) { // (L)(R) hallux, lat each
		g.wrong = ""
	}
	if g.wrong == "" && g.wholeAndPart() {
		g.wrong = "border.whole-and-part"
	}
	if g.wrong == "" && g.leftRight() {
		g.wrong = "border.left-right"
	}
	if g.wrong == "" && len(digits) > 1 && g.oneBorder() && !r.saysEach(g.clause) {
		g.wrong = "border.which-toe"
	}
	if g.wrong == "" && (len(sides)*len(digits) > 1 || g.shares) && r.listsBorders(g) {
		g.wrong = "border.which-toe"
	}
	var vs []Value
	for _, s := range sides {
		for _, d := range digits {
			vs = append(vs, Value{Side: s, Digit: d})
		}
	}
	if g.wrong == "toe.code-and-words" && len(g.codeText) == 2 {
		vs = append(vs, Value{Side: vs[0].Side, Digit: record.Code(g.codeText[1:])}) // T3 as toe 3
	}
	if g.wrong != "" {
		r.add(Reading{Kind: Site, Value: vs[0], Certainty: Ambiguous, Rule: g.wrong, Others: vs}, g.words()...)
		return
	}
	for _, v := range vs {
		r.toe(v, g)
	}
}

// wholeAndPart reports whether the whole nail and one of its borders are named of one toe.
func (g *group) wholeAndPart() bool {
	whole := func(b mention) bool { return b.border == "whole" }
	return slices.ContainsFunc(g.borders, whole) && slices.ContainsFunc(g.borders, func(b mention) bool { return !whole(b) })
}

// leftRight reports whether a left or a right border stands among others of a toe, so that
// nobody knows which of them are of it.
func (g *group) leftRight() bool {
	return len(g.borders) > 1 && slices.ContainsFunc(g.borders, func(b mention) bool { return b.unsure && b.rule == "border.left-right" })
}

func (r *reader) toe(v Value, g *group) {
	if len(g.borders) == 0 {
		r.add(Reading{Kind: Site, Value: v, Certainty: Certain, Rule: g.rule}, g.items...)
	}
	for _, b := range g.borders {
		for _, one := range bordersOf(b) {
			v.Border = one
			r.add(r.border(Reading{Kind: Site, Value: v, Rule: g.rule}, b), append(slices.Clone(g.items), b.items...)...)
		}
	}
}

// bordersOf are the borders that one word names.
func bordersOf(m mention) []record.Code {
	if m.border == "both" && !m.unsure {
		return []record.Code{"medial", "lateral"}
	}
	if m.border == "both" {
		return []record.Code{"medial"}
	}
	return []record.Code{m.border}
}

// border says how sure a reading is of its border.
func (r *reader) border(rd Reading, m mention) Reading {
	rd.Certainty = Certain
	if m.unsure {
		rd.Certainty, rd.Rule = Ambiguous, m.rule
		for _, b := range []record.Code{"medial", "lateral"} {
			v := rd.Value
			v.Border = b
			rd.Others = append(rd.Others, v)
		}
	}
	return rd
}

// bordersAlone adds the borders that no toe is said for.
func (r *reader) bordersAlone(g *group) {
	if !r.wants(Border) {
		return
	}
	toes := r.siteColumn() && len(r.text.Of(Site)) > 0 // of which it is of none
	for _, b := range g.borders {
		b.unsure = b.unsure || g.wrong != "" || toes
		for _, one := range bordersOf(b) {
			r.add(r.border(Reading{Kind: Border, Value: Value{Border: one}, Rule: b.rule}, b), b.items...)
		}
	}
}
