package shorthand

import (
	"slices"
)

// reader reads one text.
type reader struct {
	lexicon  *lexicon
	kinds    []Kind // read for; none: all
	items    []*item
	segments [][]*item
	words    map[int]*mention // of sites, by item; nil: none there
	text     Text
}

// Read reads a text for some kinds, those that its column holds, or for all of
// them as a note. In a column of sites a bare digit is a toe, and in one of
// borders alone an L is lateral.
func Read(text string, kinds ...Kind) Text { return vocabulary().read(text, kinds...) }

func (l *lexicon) read(text string, kinds ...Kind) Text {
	r := &reader{lexicon: l, kinds: kinds, text: Text{Original: text}, words: map[int]*mention{}}
	ts := lengths(unitsOfLabels(denying(lex(text))), r.matrixColumn())
	if r.siteColumn() || r.only(Border) {
		ts = l.spaced(ts)
	}
	if r.siteColumn() {
		ts = l.ticked(l.unnumbered(unquoted(ts)))
	}
	if r.siteColumn() || r.only(Border) {
		ts = l.confirmed(l.answered(l.answered(ts, "border"), "side"))
	}
	if r.siteColumn() || r.only(Border) {
		ts = sameSitting(ts)
	}
	if r.siteColumn() {
		ts = l.arrowed(l.withoutUnsaid(ts))
	}
	if r.wants(Site) {
		ts = unglued(l.unlisted(l.withoutShares(unlabelled(ts))))
	}
	r.items = l.itemise(ts)
	for _, it := range r.items {
		if it.segment == len(r.segments) {
			r.segments = append(r.segments, nil)
		}
		r.segments[it.segment] = append(r.segments[it.segment], it)
	}
	r.compared()
	r.minutes()
	r.plane()
	r.phoned()
	r.ticks()
	r.markAll()
	r.bracketed()
	r.hyphened()
	if r.wants(Site) || r.wants(Border) {
		r.sites()
	}
	r.codes()
	r.seen()
	r.temperatures()
	r.drugs()
	r.rebookedInNote()
	r.nothing()
	r.unsaidDressing()
	if r.wants(Tourniquet) {
		r.tourniquets()
	}
	r.together()
	r.besideUnknown()
	r.onCondition()
	r.settle()
	return r.text
}

// matrixColumn reports whether the text is a column of matrix treatments.
func (r *reader) matrixColumn() bool { return r.only(Chemical, Percent, Applications, Method, Flush) }

// minutes makes an m after a number a minute in the columns that hold times: 1m x 3.
func (r *reader) minutes() {
	if !r.matrixColumn() && !r.only(Tourniquet, On, Off, Minutes) {
		return
	}
	for i, it := range r.items {
		if it.text == "m" && i > 0 && r.items[i-1].number {
			it.entries = []entry{{unitMin, "", "unit"}}
		}
	}
}

// plane makes a slip that is a word of its own elsewhere "plain" in a column of anaesthetics.
func (r *reader) plane() {
	for _, it := range r.items {
		if it.text == "plane" && r.only(Anaesthetic) {
			it.entries = []entry{{vaso, "none", "vasoconstrictor"}}
		}
	}
}

// phoned takes a ph of a note for a telephone where no amount and no procedure is beside
// it, and a "stopped" for a drug that was where no procedure is.
func (r *reader) phoned() {
	if len(r.kinds) > 0 {
		return
	}
	for i, it := range r.items {
		near := func(k int) bool {
			return k >= 0 && k < len(r.items) && r.items[k].clause == it.clause &&
				(r.items[k].number || r.items[k].is(timesSign, percent, conj, procedure) || slices.Contains([]string{"w", "with", "c", "liq"}, r.items[k].text))
		}
		operated := slices.ContainsFunc(r.items, func(o *item) bool { return o.clause == it.clause && o.is(procedure, vague) })
		if it.text == "ph" && !near(i-1) && !near(i+1) || it.text == "stopped" && !operated {
			it.entries = nil
		}
	}
}

func (r *reader) wants(k Kind) bool { return len(r.kinds) == 0 || slices.Contains(r.kinds, k) }

// only reports whether the text is a column of these kinds and no other.
func (r *reader) only(ks ...Kind) bool {
	for _, k := range r.kinds {
		if !slices.Contains(ks, k) {
			return false
		}
	}
	return len(r.kinds) > 0
}

func (r *reader) add(rd Reading, from ...*item) {
	first, last := from[0], from[0]
	var m mark
	for _, it := range from {
		it.used = true
		if it.from < first.from {
			first = it
		}
		if it.to > last.to {
			last = it
		}
		m.doubt, m.past, m.plan = m.doubt || it.mark.doubt, m.past || it.mark.past, m.plan || it.mark.plan
	}
	rd.From, rd.To = first.from, last.to
	if rd.Kind == Discharge && rd.Value.Code == "died" && !slices.ContainsFunc(r.segments[first.segment], func(o *item) bool { return o.is(pastWord) && o.entry(pastWord).value != "time" }) {
		m.past = false // died last month
	}
	if rule := m.rule(); rule != "" && rd.Certainty != Ambiguous {
		rd.Certainty, rd.Rule = Ambiguous, rd.Rule+"."+rule
		rd.Others = append(rd.Others, rd.Value)
		if rd.Kind == Site {
			rd.Others = append(rd.Others, rd.Value.otherSide())
		}
	}
	r.text.Readings = append(r.text.Readings, rd)
}

func (r *reader) eachOf(segment int, f func(*item)) {
	for _, it := range r.segments[segment] {
		f(it)
	}
}
