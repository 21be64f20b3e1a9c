package shorthand

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// item is a phrase of the vocabulary, a number, or an unknown word, in its place.
type item struct {
	index    int
	entries  []entry
	text     string
	from, to int
	number   bool
	glued    bool
	spelled  bool
	clause   int
	segment  int
	stretch  int // parts of segments, between dashes
	part     int // what amounts belong together
	mark     mark
	used     bool

	beforeDigit bool // a number is glued to its end
}

// mark says that something beside a phrase keeps it from being certain.
type mark struct {
	not   bool // negated: not read
	none  bool // negated by an answer: "regrowth? none"
	no    bool // negated by a plain no, not by "allergic to"
	doubt bool
	past  bool
	plan  bool
}

func (m mark) rule() string {
	switch {
	case m.doubt:
		return "doubt"
	case m.past:
		return "past"
	case m.plan:
		return "plan"
	}
	return ""
}

func (it *item) is(cs ...class) bool {
	for _, e := range it.entries {
		if slices.Contains(cs, e.class) {
			return true
		}
	}
	return false
}

// minor reports whether an item is no more than a word about others.
func (it *item) minor() bool {
	return !slices.ContainsFunc(it.entries, func(e entry) bool { return !slices.Contains(about, e.class) })
}

// about are the classes of words that say nothing by themselves.
var about = []class{usedWord, drawnWord, containerWord, mostWord, moreWord, placeWord, equalWord, nearWord, nthWord, noToeWord, convertWord}

func (it *item) entry(c class) entry {
	for _, e := range it.entries {
		if e.class == c {
			return e
		}
	}
	return entry{}
}

// reader reads one text.
type reader struct {
	kinds    []Kind // read for; none: all
	items    []*item
	segments [][]*item
	words    map[int]*mention // of sites, by item; nil: none there
	text     Text
}

// Read reads a text for some kinds, those that its column holds, or for all of
// them as a note. In a column of sites a bare digit is a toe, and in one of
// borders alone an L is lateral.
func Read(text string, kinds ...Kind) Text {
	r := &reader{kinds: kinds, text: Text{Original: text}, words: map[int]*mention{}}
	ts := lengths(lex(text), r.matrixColumn())
	if r.wants(Site) {
		ts = unlabelled(ts)
	}
	r.items = itemise(ts)
	for _, it := range r.items {
		if it.segment == len(r.segments) {
			r.segments = append(r.segments, nil)
		}
		r.segments[it.segment] = append(r.segments[it.segment], it)
	}
	r.minutes()
	r.plane()
	r.phoned()
	r.markAll()
	r.bracketed()
	if r.wants(Site) || r.wants(Border) {
		r.sites()
	}
	r.codes()
	r.temperatures()
	r.drugs()
	r.rebookedInNote()
	r.nothing()
	r.unsaidDressing()
	if r.wants(Tourniquet) {
		r.tourniquets()
	}
	r.together()
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

// itemise finds the phrases of the vocabulary, and where clauses, segments and parts
// end.
func itemise(ts []token) []*item {
	var out []*item
	clause, segment, stretch, part := 0, 0, 0, 0
	for i := range ts {
		if isLetter(ts[i].text) {
			ts[i].text = unslipped(ts[i].text)
		}
	}
	for i := 0; i < len(ts); {
		entries, n := match(ts, i)
		it := &item{index: len(out), entries: entries, text: ts[i].text, from: ts[i].from, to: ts[i+n-1].to, number: ts[i].number && n == 1,
			glued: ts[i].glued, spelled: ts[i].spelled, clause: clause, segment: segment, stretch: stretch, part: part}
		if n > 1 {
			it.text = ""
		}
		it.beforeDigit = i+n < len(ts) && ts[i+n].number && ts[i+n].glued
		if n == 1 && ts[i].text == "ta" || len(ts[i].text) == 2 && ts[i].text[0] == 't' && isDigit(rune(ts[i].text[1])) {
			it.entries = []entry{{sideDigit, hcpcs(ts[i].text), "toe.hcpcs"}}
		}
		out = append(out, it)
		switch {
		case it.text == ";" || i+n < len(ts) && it.text == "." && (endsClause(out) && !goesOn(out, ts[i+n]) || startsMatter(ts, i+n)):
			clause, segment, stretch, part = clause+1, segment+1, stretch+1, part+1
		case it.text == "," || it.text == "(" || it.text == ")" || it.is(breakWord):
			segment, stretch, part = segment+1, stretch+1, part+1
		case it.text == "-" && !it.glued && i+1 < len(ts) && !ts[i+1].glued:
			stretch++
		case it.is(conj):
			part++
		}
		i += n
	}
	return out
}

// endsClause reports whether a full stop ends a clause: it does not after the
// short forms of sides, digits, borders and units.
func endsClause(items []*item) bool {
	if len(items) < 2 {
		return false
	}
	before := items[len(items)-2]
	short := len(before.text) <= 4 && before.text != ""
	return !(short && (before.is(side, ordinal, border, letter, digit, unitMin, unitSec, unitML, bothSides, chemical, anaesthetic, unitApp, vaso, tourniquet) || before.text == "prev" || before.text == "hx"))
}

// goesOn reports whether a sentence goes on after a full stop: in small letters after
// a short word that the vocabulary does not know, "incl. PNA", or with an amount after
// a drug, "Lidoc. 2%".
func goesOn(items []*item, next token) bool {
	if len(items) < 2 {
		return false
	}
	before := items[len(items)-2]
	if before.is(anaesthetic, chemical) && next.number {
		return true
	}
	return len(before.entries) == 0 && isLetter(before.text) && len(before.text) <= 4 && next.small
}

// startsMatter reports whether another matter than a toe begins at ts[i], so that
// the full stop before it ends a clause after a short form too.
func startsMatter(ts []token, i int) bool {
	if i+1 < len(ts) && ts[i].number && slices.Contains([]string{"ml", "mls", "cc"}, ts[i+1].text) {
		return true // 30s. 3cc lido
	}
	for i+1 < len(ts) && (ts[i].number || ts[i].text == "%") {
		i++
	}
	entries, _ := match(ts, i)
	return slices.ContainsFunc(entries, func(e entry) bool {
		return slices.Contains([]class{anaesthetic, chemical, phenolAlc, tourniquet, noTourni, injectWord, flushWord, planWord, class(Dressing), class(Method)}, e.class) ||
			(e.class == pastWord && ts[i].text != "hx" || e.class == procedure) && !ts[i].small
	})
}

// hcpcs is side and digit of a toe modifier: TA left great, T1 to T4 left second
// to fifth, T5 right great, T6 to T9 right second to fifth (C-74).
func hcpcs(code string) string {
	if code == "ta" {
		return "left 1"
	}
	n := int(code[1] - '0')
	if n < 5 {
		return "left " + string(rune('1'+n))
	}
	return "right " + string(rune('1'+n-5))
}

// markAll lets the words of doubt, past, plan and negation act (see the package
// comment).
func (r *reader) markAll() {
	for i, it := range r.items {
		if it.notDone() || it.is(fineAfter) && r.siteColumn() && r.ofToe(i) {
			r.toeNotDone(it)
		}
		switch {
		case it.is(doubtWord) && (r.doubtsNumber(i) || r.timeUnknown(i) || r.orDenied(i)):
		case r.doubtsBorder(i):
			r.eachOf(it.segment, func(o *item) {
				o.mark.doubt = o.mark.doubt || o.from > it.from && o.is(border, letter, vagueBorder)
			})
		case it.is(doubtWord) && it.entry(doubtWord).value == "time" && strings.HasPrefix(it.entry(doubtWord).rule, "later") && !r.namesToe(it.segment):
			// review next month
		case it.is(doubtWord):
			part := it.entry(doubtWord).value == "time" && r.namesPart(it) // left hallux med - lat to be done
			r.eachOf(it.segment, func(o *item) { o.mark.doubt = o.mark.doubt || !part || o.stretch == it.stretch })
			if it.entry(doubtWord).value == "all" && r.nothingElse(it.segment) {
				r.doubtBefore(i)
			}
		case it.is(pastWord) && (r.isHallux(i) || it.entry(pastWord).value == "before" && r.only(Anaesthetic)):
		case it.is(pastWord):
			r.eachOf(it.segment, func(o *item) { o.mark.past = o.mark.past || o.stretch == it.stretch })
			if it.entry(pastWord).value == "sentence" {
				r.toBreak(i, func(o *item) {
					now := o.segment != it.segment && (o.is(class(Finding)) || o.is(vague) && strings.HasPrefix(o.entry(vague).value, string(Regrowth)))
					o.mark.past = o.mark.past || !now // done elsewhere, regrown
				})
			}
		case it.entry(class(Diagnosis)).value == "contact-dermatitis" && strings.HasSuffix(lower(r.text.Original[it.from:it.to]), " to"):
			r.denyNext(i)
		case (it.text == "was" || it.text == "were") && i+1 < len(r.items) && r.items[i+1].is(class(Finding), class(Diagnosis)):
			r.items[i+1].mark.past = true // was infected wk 2
		case it.is(planWord) && it.entry(planWord).value == "after" && r.timedLast(i):
			r.eachOf(it.segment, func(o *item) { o.mark.plan = o.mark.plan || o.stretch == it.stretch })
		case it.is(planWord):
			if it.text == "for" && i+1 < len(r.items) && r.items[i+1].number {
				continue
			}
			r.eachOf(it.segment, func(o *item) { o.mark.plan = o.mark.plan || o.from > it.from })
		case r.isYear(it) && !r.ofDate(i) && r.otherToe(it):
			r.eachOf(it.segment, func(o *item) { o.mark.past = o.mark.past || o.stretch == it.stretch })
		case it.text == "allergy" && (i == 0 || r.items[i-1].segment != it.segment):
			r.denyNext(i)
		case it.is(notAfter) && r.ofNail(i):
		case it.is(notAfter) || it.is(notWord) && r.answers(i):
			r.denyBefore(i, func(o *item) { o.mark.not, o.mark.none, o.mark.doubt = true, true, false })
		case it.is(fineAfter):
			r.denyBefore(i, func(o *item) { o.mark.not, o.mark.none = o.mark.not || o.is(border), o.mark.none || o.is(border) })
		case it.is(convertWord):
			r.converted(i)
		case it.is(pastAfter):
			r.denyBefore(i, func(o *item) { o.mark.past = true })
		case it.is(notWord):
			r.denyNext(i)
		}
	}
}

// namesPart reports whether a toe, a border or a procedure stands beside an item between
// dashes.
func (r *reader) namesPart(it *item) bool {
	return slices.ContainsFunc(r.segments[it.segment], func(o *item) bool {
		return o.stretch == it.stretch && (o.ofSite() || o.is(procedure))
	})
}

// ofNail reports whether what follows the nail, in a segment of its own, is of the nail
// alone: Vandenbos, nail left alone.
func (r *reader) ofNail(i int) bool {
	if i < 2 || !slices.Contains([]string{"nail", "plate"}, r.items[i-1].text) {
		return false
	}
	k := i - 1
	if r.items[k].text == "plate" && r.items[k-1].text == "nail" {
		k--
	}
	return k > 0 && r.items[k-1].stretch != r.items[i].stretch
}

// namesToe reports whether a segment names a toe.
func (r *reader) namesToe(segment int) bool {
	return slices.ContainsFunc(r.segments[segment], func(o *item) bool { return o.is(digit, digits, ordinal, sideDigit, border) || r.siteColumn() })
}

// denyNext lets a word deny the next phrase of its segment.
func (r *reader) denyNext(i int) {
	it := r.items[i]
	for _, o := range r.items[i+1:] {
		if o.stretch != it.stretch {
			break
		}
		o.mark.not = true
		o.mark.no = o.mark.no || slices.Contains(plainNo, it.text) || it.entry(notWord).value == "no"
		if len(o.entries) > 0 && !o.is(filler, conj) {
			break
		}
	}
}

// converted denies what was changed into another thing of its kind: PNA -> TNA; NA changed
// to plaster.
func (r *reader) converted(i int) {
	toe := func(o *item) bool {
		return o.is(side, digit, digits, ordinal, sideDigit) && o.clause == r.items[i].clause
	}
	if n := r.neighbour(i, 1); n != nil && toe(n) && slices.ContainsFunc(r.items[:i], toe) { // R hallux -> L hallux
		for _, o := range r.items {
			o.mark.doubt = o.mark.doubt || toe(o)
		}
	}
	for _, c := range []class{procedure, class(Dressing), chemical} {
		into := r.neighbour(i, 1)
		if into == nil || !into.is(c) {
			continue
		}
		for k := i - 1; k >= 0 && k >= i-6; k-- {
			o := r.items[k]
			column := o.is(columnWord) && strings.HasPrefix(o.entry(columnWord).value, string(c)+" ")
			if o.is(c) || column {
				o.mark.not = o.mark.not || column || o.entry(c).value != into.entry(c).value
				break
			}
		}
	}
}

// timeUnknown reports whether a question mark stands for a time of a tourniquet: off ?
func (r *reader) timeUnknown(i int) bool {
	return r.items[i].text == "?" && i > 0 && r.items[i-1].is(onWord, offWord) && r.wants(Tourniquet)
}

// orDenied lets a "no" reach over the list that an "or" ends: no redness, swelling or pus.
func (r *reader) orDenied(i int) bool {
	seen := func(o *item) bool {
		return o.is(class(Finding), class(Exudate), class(Diagnosis), class(Regrowth)) || o.is(vague) && strings.HasPrefix(o.entry(vague).value, string(Regrowth))
	}
	if r.items[i].text != "or" || i+1 == len(r.items) || !seen(r.items[i+1]) {
		return false
	}
	none := func(o *item) bool {
		return o.mark.no || slices.ContainsFunc(o.entries, func(e entry) bool { return e.value == "none" && slices.Contains(coded, Kind(e.class)) })
	}
	list := []*item{r.items[i+1]}
	for k := i - 1; k >= 0 && r.items[k].clause == r.items[i].clause; k-- {
		switch o := r.items[k]; {
		case o.text == ",":
		case none(o) && seen(o):
			for _, o := range list {
				o.mark.not, o.mark.no = true, true
			}
			return true
		case seen(o):
			list = append(list, o)
		default:
			return false
		}
	}
	return false
}

// doubtsNumber doubts the numbers beside a word of doubt that is of them alone: 2 or 3
// min, about 4 mL.
func (r *reader) doubtsNumber(i int) bool {
	it := r.items[i]
	if i+1 == len(r.items) || !r.items[i+1].number {
		return false
	}
	about := it.is(lessWord)
	k := i - 1
	if k >= 0 && r.items[k].is(percent, unitMin, unitSec, unitML) {
		k--
	}
	either := it.text == "or" && k >= 0 && r.items[k].number
	if !about && !either {
		return false
	}
	r.items[i+1].mark.doubt = true
	if either {
		r.items[k].mark.doubt = true
	}
	return true
}

// doubtsBorder reports whether a question mark is of the border that follows alone: lat
// ?med.
func (r *reader) doubtsBorder(i int) bool {
	if r.items[i].text != "?" || i == 0 || i+1 >= len(r.items) || !r.items[i+1].glued || r.items[i].glued {
		return false
	}
	return r.items[i+1].is(border, vagueBorder) && r.items[i-1].segment == r.items[i].segment
}

// notDone reports whether an item says that something was not done.
func (it *item) notDone() bool {
	return it.is(class(Outcome)) && it.entry(class(Outcome)).value == "not-done" || it.is(columnWord) && it.entry(columnWord).value == "outcome not-done"
}

// toeNotDone doubts the toe of two that "not done" or "cancelled" stands beside: L hallux,
// R hallux (not done).
func (r *reader) toeNotDone(it *item) {
	toes := func(segment int) bool {
		return slices.ContainsFunc(r.segments[segment], func(o *item) bool { return o.is(side, digit, digits, ordinal, sideDigit) })
	}
	of := it.segment
	if !toes(of) && of > 0 && r.segments[of-1][0].clause == it.clause {
		of--
	}
	for s := range r.segments {
		if s != of && s != it.segment && toes(of) && toes(s) {
			r.eachOf(of, func(o *item) { o.mark.doubt = o.mark.doubt || o.is(side, digit, digits, ordinal, sideDigit, bothSides) })
			break
		}
	}
}

// ofToe reports whether an item is said of a toe before it, and not of a border.
func (r *reader) ofToe(i int) bool {
	return !slices.ContainsFunc(r.segments[r.items[i].segment], func(o *item) bool { return o.is(border, letter, vagueBorder) }) && r.namesDigitIn(r.items[i].segment)
}

func (r *reader) namesDigitIn(segment int) bool {
	return slices.ContainsFunc(r.segments[segment], (*item).namesDigit)
}

// lastOf reports whether nothing but signs follows an item in its segment.
func (r *reader) lastOf(i int) bool {
	return !slices.ContainsFunc(r.items[i+1:], func(o *item) bool {
		return o.segment == r.items[i].segment && (o.number || isLetter(o.text) || len(o.entries) > 0 && !o.is(filler))
	})
}

// timedLast reports whether nothing but signs and a time follows an item in its segment:
// planned Sept, from day 3.
func (r *reader) timedLast(i int) bool {
	return !slices.ContainsFunc(r.items[i+1:], func(o *item) bool {
		timed := r.ofCalendar(o) || o.number || slices.Contains([]string{"in", "for", "on", "wk", "wks", "week", "weeks", "day", "days", "month", "months"}, o.text)
		return o.segment == r.items[i].segment && !timed && (isLetter(o.text) || len(o.entries) > 0 && !o.is(filler))
	})
}

// isYear reports whether an item is the number of a year.
func (r *reader) isYear(it *item) bool {
	return it.number && len(it.text) == 4 && it.text >= "1950" && it.text < "2040" && !strings.ContainsAny(it.text, ".,") && !r.only(Tourniquet, On, Off, Minutes)
}

// months are how months begin.
var months = []string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}

// ofDate reports whether a month stands before a year.
func (r *reader) ofDate(i int) bool {
	return i > 0 && len(r.items[i-1].text) >= 3 && slices.Contains(months, r.items[i-1].text[:3])
}

// otherToe reports whether the toe beside an item, which is a year, was done then: it
// stands in a note, or another toe without a year beside it.
func (r *reader) otherToe(it *item) bool {
	here, there := false, false
	for _, o := range r.items {
		if o.is(digit, digits, sideDigit) || o.is(ordinal) && !o.is(unitSec) {
			here, there = here || o.stretch == it.stretch, there || o.stretch != it.stretch
		}
	}
	return here && (there || len(r.kinds) == 0)
}

// nothingElse reports whether a segment has no more than words of doubt: R hallux (?).
func (r *reader) nothingElse(segment int) bool {
	return !slices.ContainsFunc(r.segments[segment], func(it *item) bool {
		return !it.is(doubtWord, filler, conj, borderWord) && (it.number || isLetter(it.text) || len(it.entries) > 0)
	})
}

// doubtBefore doubts what stands before a word in its clause.
func (r *reader) doubtBefore(i int) {
	for _, o := range r.items[:i] {
		o.mark.doubt = o.mark.doubt || o.clause == r.items[i].clause
	}
}

// plainNo are the words that deny what follows, and no more.
var plainNo = []string{"no", "not", "nil", "without", "denies", "absent", "0"}

// answers reports whether a "no" says all that its sentence says: what it denies
// stands before it.
func (r *reader) answers(i int) bool {
	if i == 0 || r.items[i].text == "without" {
		return false
	}
	if r.items[i].text == "none" {
		return true
	}
	if v := r.items[i].entry(notWord).value; v == "after" {
		return r.lastOf(i)
	}
	end := i+1 == len(r.items) || r.items[i+1].clause != r.items[i].clause || r.items[i+1].text == "." || r.items[i+1].text == ","
	return end && slices.Contains([]string{"?", ":", "-", "="}, r.items[i-1].text)
}

// denyBefore lets a word act on the phrase that stands before it.
func (r *reader) denyBefore(i int, act func(*item)) {
	for k := i - 1; k >= 0 && r.items[k].clause == r.items[i].clause; k-- {
		o := r.items[k]
		if o.minor() || o.is(filler, conj, breakWord, doubtWord, borderWord) {
			continue
		}
		act(o)
		return
	}
}

// toBreak calls f with the items after one, to the end of its clause or to a word that
// begins another matter.
func (r *reader) toBreak(i int, f func(*item)) {
	for _, o := range r.items[i+1:] {
		if o.clause != r.items[i].clause || o.is(breakWord) {
			return
		}
		f(o)
	}
}

func (r *reader) eachOf(segment int, f func(*item)) {
	for _, it := range r.segments[segment] {
		f(it)
	}
}

// settle drops what was read twice, makes two answers to one question ambiguous, and
// lists what was not read.
func (r *reader) settle() {
	var out []Reading
	for _, rd := range r.text.Readings {
		same := slices.IndexFunc(out, func(o Reading) bool { return o.String() == rd.String() })
		switch {
		case same < 0:
			out = append(out, rd)
		case rd.Certainty != Ambiguous && out[same].Certainty == Ambiguous:
			out[same] = rd
		}
	}
	for i := range out {
		if out[i].Certainty == Ambiguous && len(out[i].Others) == 0 {
			out[i].Others = []Value{out[i].Value}
		}
	}
	slices.SortStableFunc(out, func(a, b Reading) int { return a.From - b.From })
	out = slices.DeleteFunc(out, func(rd Reading) bool { return saidWithBorder(rd, out) })
	r.text.Readings = r.contradictions(out)
	for _, it := range r.items {
		if it.unread() {
			r.text.Unread = append(r.text.Unread, Span{it.from, it.to})
		}
	}
}

// saidWithBorder reports whether a reading says no more of a toe than another, which says
// its border.
func saidWithBorder(rd Reading, all []Reading) bool {
	v := rd.Value
	return rd.Kind == Site && v.Border == "" && rd.Certainty != Ambiguous && slices.ContainsFunc(all, func(o Reading) bool {
		return o.Kind == Site && o.Certainty != Ambiguous && o.Value.Border != "" && o.Value.Side == v.Side && o.Value.Digit == v.Digit
	})
}

// unread reports whether an item says something that no reading took.
func (it *item) unread() bool {
	small := it.is(filler, conj, borderWord, toeWord, footWord, notWord, pastWord, planWord, doubtWord, breakWord, injectWord, timesSign, totalWord)
	return !it.used && !small && !(len(it.entries) > 0 && it.minor()) && (len(it.entries) > 0 || it.number || isLetter(it.text))
}

// one answers a single question each: two answers contradict each other.
var one = []Kind{Attendance, Wound, Exudate, Regrowth, Discharge, Outcome, Tourniquet, On, Off, Minutes}

func (r *reader) contradictions(rs []Reading) []Reading {
	for _, k := range one {
		var vs []Value
		for _, rd := range rs {
			if rd.Kind == k && rd.Certainty != Ambiguous {
				vs = append(vs, rd.Value)
			}
		}
		if len(vs) < 2 || k == Attendance && rebooked(vs) || k == Minutes && r.bothTimed() || (k == Wound || k == Exudate) && r.ofBorders(rs, k) || (k == On || k == Off) && pairs(rs) {
			continue
		}
		for i := range rs {
			if rs[i].Kind == k && rs[i].Certainty != Ambiguous {
				rs[i].Certainty, rs[i].Others, rs[i].Rule = Ambiguous, vs, rs[i].Rule+".two-answers"
			}
		}
	}
	return rs
}

// bothTimed reports whether the minutes of a column are those of both sides: 12 min R, 9
// min L.
func (r *reader) bothTimed() bool {
	has := func(s string) bool {
		return slices.ContainsFunc(r.items, func(it *item) bool { return it.is(side) && it.entry(side).value == s })
	}
	return r.only(Tourniquet, On, Off, Minutes) && has("left") && has("right")
}

// ofBorders reports whether two answers are those of two borders, or toes: lat healed, med
// granulating.
func (r *reader) ofBorders(rs []Reading, k Kind) bool {
	var seen []string
	for _, rd := range rs {
		if rd.Kind != k || rd.Certainty == Ambiguous {
			continue
		}
		at := slices.IndexFunc(r.items, func(it *item) bool { return it.from == rd.From })
		of := ""
		for _, it := range r.segments[r.items[at].segment] {
			if it.is(border, side, digit, sideDigit) {
				of += it.entries[0].value + " "
			}
		}
		if of == "" || slices.Contains(seen, of) {
			return false
		}
		seen = append(seen, of)
	}
	return len(seen) == 2
}

// pairs reports whether the times of two tourniquets are those of each: on, off, on, off.
func pairs(rs []Reading) bool {
	var ks []Kind
	for _, rd := range rs {
		if rd.Kind == On || rd.Kind == Off {
			ks = append(ks, rd.Kind)
		}
	}
	return slices.Equal(ks, []Kind{On, Off, On, Off})
}

// rebooked reports whether all that is said beside a new appointment is one thing:
// "DNA, rebooked".
func rebooked(vs []Value) bool {
	other := slices.DeleteFunc(slices.Clone(vs), func(v Value) bool { return v.Code == "rebooked" })
	return len(other) == 1
}

// coded are the kinds whose class in the vocabulary bears their name.
var coded = []Kind{Procedure, Method, Flush, Dressing, Attendance, Wound, Exudate, Finding, Diagnosis, Regrowth, Discharge, Outcome}

// codes reads the kinds that are a value of a closed list.
func (r *reader) codes() {
	for _, it := range r.items {
		if it.mark.not {
			r.denied(it)
			continue
		}
		for _, e := range it.entries {
			k := Kind(e.class)
			switch {
			case e.class == vague:
				r.vague(it, e)
			case e.class == columnVague && len(r.kinds) > 0:
				r.vague(it, e)
			case e.class == columnWord && (len(r.kinds) > 0 || r.dresses(it, e)):
				kind, code, _ := strings.Cut(e.value, " ")
				appointment := Kind(kind) == Outcome && r.wants(Attendance) // cancelled
				if r.wants(Kind(kind)) && !appointment {
					r.add(Reading{Kind: Kind(kind), Value: Value{Code: record.Code(code)}, Certainty: Certain, Rule: e.rule}, it)
				}
			case e.class == noTourni && r.wants(Tourniquet):
				r.add(Reading{Kind: Tourniquet, Value: Value{Code: "not-used"}, Certainty: Certain, Rule: e.rule}, it)
			case k == Dressing && (r.medicated(it) || r.beneath(it)):
			case k == Discharge && r.fromWound(it):
			case k == Finding && r.complaint(it):
			case slices.Contains(coded, k) && r.wants(k):
				r.add(Reading{Kind: k, Value: Value{Code: record.Code(e.value)}, Certainty: Certain, Rule: e.rule}, it)
				if e.class == class(Discharge) && e.value == "healed" && r.wants(Wound) {
					r.add(Reading{Kind: Wound, Value: Value{Code: "healed"}, Certainty: Certain, Rule: e.rule}, it)
				}
			}
		}
	}
}

// rebookedInNote reads the short forms of a new appointment in a note, beside one that
// was not kept: DNA, r/b 3/52.
func (r *reader) rebookedInNote() {
	missed := false
	r.each(Attendance, func(rd *Reading) {
		missed = missed || rd.Value.Code == "did-not-attend" || rd.Value.Code == "cancelled"
	})
	if len(r.kinds) > 0 || !missed {
		return
	}
	for _, it := range r.items {
		if e := it.entry(columnWord); e.value == string(Attendance)+" rebooked" && !it.mark.not {
			r.add(Reading{Kind: Attendance, Value: Value{Code: "rebooked"}, Certainty: Certain, Rule: e.rule}, it)
		}
	}
}

// dresses reports whether a word of a column of dressings is one in a note, by the noun
// that follows: iodine gauze.
func (r *reader) dresses(it *item, e entry) bool {
	if !strings.HasPrefix(e.value, string(Dressing)+" ") {
		return false
	}
	if it.index+1 < len(r.items) && r.items[it.index+1].is(dressingWord) {
		return true
	}
	if r.text.Original[it.from:it.to] != "NA" { // not sodium, not n/a
		return false
	}
	for _, step := range []int{-1, 1} {
		n := r.neighbour(it.index, step)
		if n != nil && (n.is(class(Dressing), dressingWord) || n.text == "redressed" || n.text == "dressed" || n.text == "crepe" || n.text == "tubegauze" || n.text == "tubular") {
			return true
		}
	}
	return false
}

// medicated reports whether a tulle is that of the antimicrobial before it: honey tulle.
func (r *reader) medicated(it *item) bool {
	if !it.is(dressingWord) || it.index == 0 {
		return false
	}
	return slices.ContainsFunc(r.items[it.index-1].entries, func(e entry) bool {
		return e.class == class(Dressing) && e.value == "antimicrobial" || e.value == string(Dressing)+" antimicrobial"
	})
}

// beneath reports whether something else than a dressing is under one: rash under plaster.
func (r *reader) beneath(it *item) bool {
	i := it.index
	if i < 2 || !slices.Contains([]string{"under", "beneath", "underneath"}, r.items[i-1].text) || r.items[i-2].segment != it.segment {
		return false
	}
	return !slices.ContainsFunc(r.items[:i], func(o *item) bool {
		return o.segment == it.segment && (o.is(class(Dressing), dressingWord) || o.is(columnWord))
	})
}

// temperatures reads the fever that a number says: temp 38.4 (38 degrees Celsius and above;
// common practice, no source).
func (r *reader) temperatures() {
	if !r.wants(Finding) {
		return
	}
	for i, it := range r.items {
		if it.text != "temp" && it.text != "temperature" {
			continue
		}
		for k := i + 1; k < len(r.items) && k <= i+3 && r.items[k].clause == it.clause; k++ {
			o := r.items[k]
			if v, ok := decimal(o.text); o.number && ok && len(v) >= 2 && v >= "38" && v < "43" && (len(v) == 2 || v[2] == '.') && it.mark == (mark{}) {
				r.add(Reading{Kind: Finding, Value: Value{Code: "fever"}, Certainty: Certain, Rule: "finding.temperature"}, it, o)
			}
		}
	}
}

// complaint reports whether a sign of a note is what the patient came with, for so many
// weeks or months: painful 6/12.
func (r *reader) complaint(it *item) bool {
	if len(r.kinds) > 0 || it.index+1 >= len(r.items) {
		return false
	}
	for _, o := range r.items[it.index+1:] {
		if o.clause == it.clause && o.is(timesSign) && r.lasting(o.index) && calendar.MatchString(r.items[o.index+1].text) {
			return true
		}
		if o.stretch != it.stretch || !o.ofSite() && !o.is(borderWord, toeWord, footWord, timesSign) {
			break
		}
	}
	return calendar.MatchString(r.items[it.index+1].text)
}

// fromWound reports whether a d/c is what comes from a wound: serous d/c, d/c cloudy.
func (r *reader) fromWound(it *item) bool {
	if it.text != "dc" && it.text != "" {
		return false
	}
	for _, i := range []int{it.index - 1, it.index + 1} {
		if i >= 0 && i < len(r.items) && r.items[i].is(class(Exudate)) && it.entry(class(Discharge)).rule == "discharge.d-c" {
			it.used = true
			return true
		}
	}
	return false
}

// unsaidDressing asks which dressing it was, in a column of dressings that names one
// without saying which: usual dressing.
func (r *reader) unsaidDressing() {
	if !r.only(Dressing) || len(r.text.Readings) > 0 {
		return
	}
	for _, it := range r.items {
		if it.text == "dressing" && !it.mark.not {
			r.add(Reading{Kind: Dressing, Value: Value{Code: "other"}, Certainty: Ambiguous, Rule: "dressing.not-said"}, it)
			return
		}
	}
}

// denied reads what a phrase says that is denied: phenol not used is a matrix
// untreated, where no other chemical is named; regrowth, none.
func (r *reader) denied(it *item) {
	none := func(k Kind) {
		if r.wants(k) {
			r.add(Reading{Kind: k, Value: Value{Code: "none"}, Certainty: Certain, Rule: "denied"}, it)
		}
	}
	if it.is(chemical) && it.entry(chemical).value == "phenol" &&
		!slices.ContainsFunc(r.items, func(o *item) bool { return o.is(chemical, phenolAlc) && !o.mark.not }) {
		none(Method)
	}
	for _, e := range it.entries {
		switch {
		case !it.mark.none && !it.mark.no: // allergic to
		case e.class == vague && strings.HasPrefix(e.value, string(Regrowth)+" "):
			none(Regrowth)
		case e.class == class(Exudate) && it.mark.none:
			none(Exudate)
		case e.class == class(Diagnosis) && e.value == "wound-infection":
			none(Finding)
		case e.class == tourniquet && r.wants(Tourniquet):
			r.add(Reading{Kind: Tourniquet, Value: Value{Code: "not-used"}, Certainty: Certain, Rule: "denied"}, it)
		}
	}
}

// nothing reads a column that says nothing but no: none, nil, not used.
func (r *reader) nothing() {
	items := r.items
	for len(items) > 1 && items[0].is(naWord, filler) { // N/A - not used
		items = items[1:]
	}
	if len(items) == 1 && items[0].text == "yes" && r.only(Tourniquet, On, Off, Minutes) {
		r.add(Reading{Kind: Tourniquet, Value: Value{Code: "used"}, Certainty: Certain, Rule: "tourniquet"}, items[0])
	}
	notDone := func(it *item) bool { return it.is(class(Outcome)) && it.entry(class(Outcome)).value == "not-done" }
	alone := !slices.ContainsFunc(items, func(it *item) bool { return !it.is(notWord, notAfter, filler) && !notDone(it) })
	first := len(items) > 1 && (items[1].text == "," || items[1].text == "-")
	if len(items) == 1 && items[0].text == "?" && r.only(Tourniquet, On, Off, Minutes) {
		r.add(Reading{Kind: Tourniquet, Value: Value{Code: "used"}, Certainty: Ambiguous, Rule: "tourniquet.not-said", Others: []Value{{Code: "used"}, {Code: "not-used"}}}, items[0])
		return
	}
	if len(items) == 0 || !alone && !first || !items[0].is(notWord, notAfter) && !notDone(items[0]) {
		return
	}
	for k, of := range map[Kind][]Kind{
		Method: {Chemical, Percent, Applications, Method, Flush}, Tourniquet: {Tourniquet, On, Off, Minutes}, Dressing: {Dressing},
	} {
		if !r.only(of...) || !r.wants(k) {
			continue
		}
		v := record.Code("none")
		if k == Tourniquet {
			v = "not-used"
		}
		r.add(Reading{Kind: k, Value: Value{Code: v}, Certainty: Certain, Rule: "nothing"}, items[0])
	}
}

// vague reads a phrase of several meanings: "kind code|kind code".
func (r *reader) vague(it *item, e entry) {
	if it.text == "pt" && r.text.Original[it.from:it.to] != "PT" {
		return // the patient
	}
	var k Kind
	var vs []Value
	for _, alt := range strings.Split(e.value, "|") {
		kind, code, _ := strings.Cut(alt, " ")
		if Kind(kind) != k && k != "" && !r.wants(k) {
			vs = nil
		}
		k = Kind(kind)
		vs = append(vs, Value{Code: record.Code(code)})
	}
	if k != "" && r.wants(k) {
		r.add(Reading{Kind: k, Value: vs[0], Certainty: Ambiguous, Rule: e.rule, Others: vs}, it)
	}
}
