package shorthand

import (
	"slices"

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
	items         []*item
	clause        int
	after         bool // "and" joins it to the toe before
}

func (g *group) complete() bool { return (len(g.sides) > 0 || g.both) && len(g.digits) > 0 }
func (g *group) hasToe() bool   { return len(g.sides) > 0 || g.both || len(g.digits) > 0 }

// sites reads the sites clause by clause, and then as a whole.
func (r *reader) sites() {
	var groups []*group
	for c := 0; len(r.items) > 0 && c <= r.items[len(r.items)-1].clause; c++ {
		groups = append(groups, grouped(r.mentions(c), c)...)
	}
	r.aside(groups)
	r.consented(groups)
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
}

// grouped parts the words of a clause into toes.
func grouped(ms []mention, clause int) []*group {
	var out []*group
	cur := &group{clause: clause}
	next := func() {
		if len(cur.items) > 0 {
			out = append(out, cur)
		}
		cur = &group{clause: clause}
	}
	prefix := len(ms) > 0 && ms[0].isBorder() // borders stand before their toes
	var last mention                          // the last word of a toe
	var each *group                           // "both hallux", of which each is said by itself
	for i, m := range ms {
		letterL := m.isSide() && m.items[0].text == "l" && cur.complete() && !m.joined && (i+1 == len(ms) || !ms[i+1].isDigit())
		if letterL {
			m = mention{border: "lateral", unsure: true, rule: "border.letter-l", items: m.items}
		}
		if m.rule == "both" && cur.complete() && len(cur.sides) == 1 && len(cur.digits) == 1 {
			m.unsure = false // of one toe, both sides are its borders
		}
		if m.isBorder() && cur.both && len(cur.digits) == 1 && i+1 < len(ms) && ms[i+1].isSide() {
			each, cur = cur, &group{clause: clause}
		}
		if m.isBorder() {
			if prefix && cur.complete() {
				next()
			}
			cur.borders, cur.items = append(cur.borders, m), append(cur.items, m.items...)
			continue
		}
		if cur.begins(m, last) {
			next()
			cur.after = m.joined
		}
		cur.take(m)
		last = m
	}
	next()
	out = shared(out)
	if each == nil {
		return out
	}
	for _, g := range out { // lat on R, med on L
		if len(g.digits) == 0 {
			g.digits, g.rule = each.digits, each.rule
		}
	}
	return out
}

// shared gives the borders after the last of several toes that "and" joins to each of
// them: TA & T5, lateral; L1 & L2 med.
func shared(gs []*group) []*group {
	for i := len(gs) - 1; i > 0; i-- {
		g, before := gs[i], gs[i-1]
		if g.complete() && before.complete() && g.after && len(before.borders) == 0 && len(g.borders) > 0 {
			before.borders = g.borders
		}
	}
	return gs
}

// begins reports whether m is the first word of another toe than g.
func (g *group) begins(m, last mention) bool {
	if m.ranged {
		return false
	}
	if !g.complete() {
		return false
	}
	switch {
	case m.isSide():
		return !(m.joined && last.isSide()) && !g.code
	case m.isDigit():
		return !last.isDigit() && !g.code
	case m.side != "":
		return !slices.Equal(g.sides, []record.Code{m.side}) || !slices.Equal(g.digits, m.digit)
	}
	return true
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

// consented makes every toe ambiguous where the consent names another side than the
// rest of the text: which of them is wrong is for a person to say.
func (r *reader) consented(groups []*group) {
	sides := func(consent bool) (out []record.Code) {
		for _, g := range groups {
			if g.complete() && r.inConsent(g) == consent {
				out = append(out, g.sides...)
			}
		}
		return out
	}
	said, done := sides(true), sides(false)
	if len(said) == 0 || len(done) == 0 || !slices.ContainsFunc(done, func(s record.Code) bool { return !slices.Contains(said, s) }) {
		return
	}
	for _, g := range groups {
		if g.complete() && g.wrong == "" {
			g.wrong = "toe.consent-of-another"
		}
	}
}

// forms are the words of what was written before the surgery.
var forms = []string{"consent", "consented", "header", "marked", "booked"}

func (r *reader) inConsent(g *group) bool {
	return slices.ContainsFunc(r.segments[g.items[0].segment], func(it *item) bool {
		return it.is(planWord) && slices.Contains(forms, it.text) && it.from < g.items[0].from
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
		if it.is(procedure, chemical, phenolAlc, class(Method)) {
			acting[it.clause] = true
		}
	}
	done := slices.ContainsFunc(groups, func(g *group) bool { return g.complete() && acting[g.clause] })
	for _, g := range groups {
		if done && g.complete() && !acting[g.clause] && g.wrong == "" {
			g.wrong = "toe.aside"
		}
	}
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
		case len(whole) > 0 && g.hasToe() && len(fits) == 0 && !slices.ContainsFunc(whole, func(w *group) bool { return w.both }):
			r.contradict(whole, g)
		default:
			out = append(out, g)
		}
	}
	return out
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
	if g.both && len(half.sides) > 0 {
		return false // it is one of the two
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
		r.add(Reading{Kind: Site, Value: vs[0], Certainty: Ambiguous, Rule: g.wrong, Others: vs}, g.items...)
		return
	}
	for _, v := range vs {
		r.toe(v, g)
	}
}

func (r *reader) toe(v Value, g *group) {
	if len(g.borders) == 0 {
		r.add(Reading{Kind: Site, Value: v, Certainty: Certain, Rule: g.rule}, g.items...)
	}
	for _, b := range g.borders {
		for _, one := range bordersOf(b) {
			v.Border = one
			r.add(r.border(Reading{Kind: Site, Value: v, Rule: g.rule}, b), g.items...)
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
	for _, b := range g.borders {
		for _, one := range bordersOf(b) {
			r.add(r.border(Reading{Kind: Border, Value: Value{Border: one}, Rule: b.rule}, b), b.items...)
		}
	}
}
