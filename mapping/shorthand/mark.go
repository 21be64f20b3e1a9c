package shorthand

import (
	"slices"
	"strings"
)

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

// markAll lets the words of doubt, past, plan and negation act (see the package
// comment).
func (r *reader) markAll() {
	for i, it := range r.items {
		if it.notDone() || it.is(fineAfter) && !r.ofPulses(i) && r.siteColumn() && r.ofToe(i) {
			r.toeNotDone(it)
		}
		if !r.markDoubt(i) && !r.markPast(i) && !r.markPlan(i) {
			r.markNot(i)
		}
	}
}

// ofPulses reports whether the word before an item is of the blood or the feeling of a foot, so that the
// item says nothing of a border.
func (r *reader) ofPulses(i int) bool {
	return i > 0 && slices.Contains([]string{"pulse", "pulses", "circulation", "perfusion", "sensation", "doppler", "dopplers", "refill", "bp"}, r.items[i-1].text)
}

// markDoubt lets a word of doubt act, and reports whether an item is one.
func (r *reader) markDoubt(i int) bool {
	it := r.items[i]
	e := it.entry(doubtWord)
	switch {
	case r.doubtsStrength(i):
		r.items[i+1].mark.doubt = true
	case r.doubtsAmount(i):
		r.eachOf(it.segment, func(o *item) { o.mark.doubt = o.mark.doubt || o.from > it.from })
	case it.is(doubtWord) && (r.doubtsNumber(i) || r.timeUnknown(i) || r.orDenied(i)):
	case r.doubtsBorder(i):
		r.eachOf(it.segment, func(o *item) {
			o.mark.doubt = o.mark.doubt || o.from > it.from && o.is(border, letter, vagueBorder)
		})
	case it.is(doubtWord) && e.value == "time" && strings.HasPrefix(e.rule, "later") && !r.namesToe(it.segment):
		// review next month
	case it.is(doubtWord):
		part := e.value == "time" && r.namesPart(it) // left hallux med - lat to be done
		r.eachOf(it.segment, func(o *item) { o.mark.doubt = o.mark.doubt || !part || o.stretch == it.stretch })
		if e.value == "all" && r.nothingElse(it.segment) {
			r.doubtBefore(i)
		}
	default:
		return false
	}
	return true
}

// markPast lets a word of the past act, and reports whether an item is one.
func (r *reader) markPast(i int) bool {
	it := r.items[i]
	next := func(cs ...class) bool { return i+1 < len(r.items) && r.items[i+1].is(cs...) }
	begins := i == 0 || r.items[i-1].segment != it.segment
	stretch := func(o *item) { o.mark.past = o.mark.past || o.stretch == it.stretch }
	switch {
	case it.is(pastWord) && (r.isHallux(i) || it.entry(pastWord).value == "before" && r.only(Anaesthetic)):
	case it.is(pastWord):
		r.eachOf(it.segment, stretch)
		if it.entry(pastWord).value == "sentence" {
			r.toBreak(i, func(o *item) {
				now := o.segment != it.segment && (o.is(class(Finding), class(Regrowth)) || o.is(vague) && strings.HasPrefix(o.entry(vague).value, string(Regrowth)))
				o.mark.past = o.mark.past || !now // done elsewhere, regrown
			})
		}
	case it.text == "following" && i > 0 && next(procedure) && r.items[i-1].is(class(Method), chemical) && r.only(Procedure, Method, Outcome):
		// phenolisation following TNA
	case slices.Contains([]string{"post", "following", "since", "after"}, it.text) && next(procedure):
		r.eachOf(it.segment, func(o *item) {
			if o.ofSite() || o.is(procedure) {
				stretch(o)
			}
		})
	case it.is(procedure) && i+1 < len(r.items) && r.items[i+1].reviews():
		it.mark.past = true // PNA rv
	case it.is(pastAfter) && begins && next(class(Finding), class(Diagnosis)), // resolved infection
		(it.text == "was" || it.text == "were") && next(class(Finding), class(Diagnosis)): // was infected wk 2
		r.items[i+1].mark.past = true
	case r.isYear(it) && r.otherBorderThen(it), !it.is(planWord) && r.isYear(it) && !r.ofDate(i) && r.otherToe(it):
		r.eachOf(it.segment, stretch)
	default:
		return false
	}
	return true
}

// markPlan lets a word of a plan act, and reports whether an item is one.
func (r *reader) markPlan(i int) bool {
	it := r.items[i]
	switch {
	case !it.is(planWord):
		return false
	case it.entry(planWord).value == "after" && r.timedLast(i):
		r.eachOf(it.segment, func(o *item) { o.mark.plan = o.mark.plan || o.stretch == it.stretch })
	case it.text == "for" && i+1 < len(r.items) && r.items[i+1].number:
	default:
		r.eachOf(it.segment, func(o *item) { o.mark.plan = o.mark.plan || o.from > it.from })
	}
	return true
}

// markNot lets a word act that denies what stands after it, or before it.
func (r *reader) markNot(i int) {
	it := r.items[i]
	switch {
	case it.entry(class(Diagnosis)).value == "contact-dermatitis" && strings.HasSuffix(lower(r.text.Original[it.from:it.to]), " to"):
		r.denyNext(i)
	case r.notGiven(i):
		r.denyBefore(i, func(o *item) { o.mark.not = true })
	case it.text == "allergy" && (i == 0 || r.items[i-1].segment != it.segment):
		r.denyNext(i)
	case it.is(notAfter) && r.ofNail(i):
	case it.is(notAfter) || it.is(notWord) && r.answers(i):
		r.denyBefore(i, func(o *item) {
			if !o.saysNone() { // no phenol, pt declined
				o.mark.not, o.mark.none, o.mark.doubt = true, true, false
			}
		})
	case it.is(fineAfter) && r.ofPulses(i): // pulses fine
	case it.is(fineAfter):
		r.denyBefore(i, func(o *item) {
			left := o.is(border, otherBorder)
			o.mark.not, o.mark.none = o.mark.not || left, o.mark.none || left
		})
	case it.is(convertWord):
		r.converted(i)
	case it.is(pastAfter):
		r.denyBefore(i, func(o *item) { o.mark.past = true })
	case it.is(notWord):
		if r.said(it) == "except" || r.said(it) == "apart from" || r.said(it) == "except for" || r.said(it) == "bar" { // healed except a scab
			r.denyBefore(i, func(o *item) { o.mark.doubt = true })
		}
		r.denyNext(i)
	}
}

// saysNone reports whether an item says by itself that something was not done or used.
func (it *item) saysNone() bool {
	return it.is(noTourni) || slices.ContainsFunc(it.entries, func(e entry) bool { return e.value == "none" && (Kind(e.class) == Method || Kind(e.class) == Dressing) })
}

// reviews reports whether an item is of a visit after a surgery.
func (it *item) reviews() bool {
	return slices.Contains([]string{"rv", "r/v", "review", "check", "fu", "f/u", "followup", "redress", "redressing"}, it.text)
}

// notGiven reports whether a "not" and a word of use follow a drug, a tourniquet or a dressing:
// phenol not performed.
func (r *reader) notGiven(i int) bool {
	if r.items[i].text != "not" || i == 0 || i+1 == len(r.items) || !r.items[i-1].is(chemical, phenolAlc, anaesthetic, tourniquet, class(Dressing)) {
		return false
	}
	n := r.items[i+1]
	return n.is(usedWord) || n.entry(class(Outcome)).value == "done"
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
		if o.stretch != it.stretch || o.text == ":" && o.index > i+1 {
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

// doubtsBorder reports whether a word of doubt is of the border that follows alone: lat ?med;
// lat (? med); lat and poss med.
func (r *reader) doubtsBorder(i int) bool {
	it := r.items[i]
	if i == 0 || i+1 >= len(r.items) || !it.is(doubtWord) || !r.items[i+1].is(border, vagueBorder) {
		return false
	}
	if before := r.items[i-1]; before.is(conj) || before.text == "(" || before.text == "," || before.text == "-" {
		return it.text != "or" && r.afterBorder(i)
	}
	return it.text == "?" && r.items[i+1].glued && !it.glued && r.items[i-1].segment == it.segment
}

// afterBorder reports whether a sign alone stands between an item and the border of a toe that
// its clause names whole before it.
func (r *reader) afterBorder(i int) bool {
	toe := func(o *item) bool { return o.clause == r.items[i].clause && (o.namesDigit() || o.is(sideDigit)) }
	k := i - 2
	for k >= 0 && (r.items[k].text == "(" || r.items[k].is(conj)) { // lat (+ ?med)
		k--
	}
	return k >= 0 && r.items[k].is(border) && r.items[k].clause == r.items[i].clause && slices.ContainsFunc(r.items[:i-1], toe)
}

// doubtsAmount reports whether a question mark outside a column of sites is of what follows it
// alone, a chemical or a number: PNA ?phenol; phenol ?x2.
func (r *reader) doubtsAmount(i int) bool {
	if r.items[i].text != "?" || i == 0 || i+1 >= len(r.items) || !r.items[i+1].glued || r.items[i].glued || r.siteColumn() {
		return false
	}
	return r.items[i+1].is(chemical, timesSign) && r.items[i-1].segment == r.items[i].segment && r.items[i-1].is(procedure, chemical)
}

// strengthWords are the words for how strong a chemical is.
var strengthWords = []string{"strength", "conc", "concentration", "percent", "percentage", "%"}

// doubtsStrength reports whether a question mark is of the strength of a chemical alone: phenol ?strength
// 2 x 1 min.
func (r *reader) doubtsStrength(i int) bool {
	return r.items[i].text == "?" && i > 0 && i+1 < len(r.items) && r.items[i+1].glued && slices.Contains(strengthWords, r.items[i+1].text) && r.items[i-1].is(chemical)
}

// hyphened doubts the borders that a hyphen joins: tibial-lateral may be either, a place between, or
// both where the text says so.
func (r *reader) hyphened() {
	if !r.siteColumn() && !r.only(Border) || slices.ContainsFunc(r.items, func(it *item) bool { return it.is(vagueBoth) }) {
		return
	}
	for i := 1; i+1 < len(r.items); i++ {
		before, after := r.items[i-1], r.items[i+1]
		if r.items[i].text == "-" && r.items[i].glued && after.glued && before.is(border) && after.is(border) && before.entry(border).value != after.entry(border).value {
			before.mark.doubt, after.mark.doubt = true, true
		}
	}
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
		timed := r.ofCalendar(o) || o.number || slices.Contains(spans, o.text) || slices.Contains([]string{"in", "for", "on", "day", "days"}, o.text)
		return o.segment == r.items[i].segment && !timed && !o.is(breakWord) && (isLetter(o.text) || len(o.entries) > 0 && !o.is(filler))
	})
}

// isYear reports whether an item is the number of a year.
func (r *reader) isYear(it *item) bool {
	return it.number && len(it.text) == 4 && it.text >= "1950" && it.text < "2040" && !strings.ContainsAny(it.text, ".,") && !r.only(Tourniquet, On, Off, Minutes)
}

// spans are the words of weeks and months, inYears those of years.
var (
	spans   = []string{"week", "weeks", "wk", "wks", "month", "months", "mth", "mths"}
	inYears = []string{"y", "yr", "yrs", "year", "years"}
)

// months are how months begin.
var months = []string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}

// ofDate reports whether a month stands before a year.
func (r *reader) ofDate(i int) bool {
	return i > 0 && len(r.items[i-1].text) >= 3 && slices.Contains(months, r.items[i-1].text[:3])
}

// otherBorderThen reports whether a year stands in a part of its own of a column of sites, which says no more
// than that the other border of the toe was treated then: R1 med - lat was done 2019.
func (r *reader) otherBorderThen(year *item) bool {
	other, done := false, false
	for _, o := range r.items {
		switch {
		case o.stretch != year.stretch:
		case o.is(side, bothSides, digit, digits, ordinal, sideDigit):
			return false
		case o.is(border):
			other = r.otherOf(o)
		default:
			done = done || slices.Contains(treated, o.text) || o.is(procedure)
		}
	}
	return r.siteColumn() && other && done
}

// otherToe reports whether the toe beside an item, which is a year, was done then: it
// stands in a note, or another toe without a year beside it.
func (r *reader) otherToe(it *item) bool {
	here, there := false, false
	for _, o := range r.items {
		if o.is(digit, digits, sideDigit) || o.is(ordinal) && !o.is(unitSec) && !r.nth(o) {
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
	if slices.Contains([]string{"nil", "no", "absent", "negative"}, r.items[i].text) && !r.siteColumn() && r.lastOf(i) && r.items[i-1].segment == r.items[i].segment &&
		r.items[i-1].is(class(Finding), class(Exudate), class(Diagnosis), vaso) {
		return true // pus nil, adr nil
	}
	end := i+1 == len(r.items) || r.items[i+1].clause != r.items[i].clause || r.items[i+1].text == "." || r.items[i+1].text == ","
	return end && slices.Contains([]string{"?", ":", "-", "="}, r.items[i-1].text)
}

// denyBefore lets a word act on the phrase that stands before it.
func (r *reader) denyBefore(i int, act func(*item)) {
	for k := i - 1; k >= 0 && r.items[k].clause == r.items[i].clause; k-- {
		o := r.items[k]
		if o.segment == r.items[i].segment && r.items[i].is(notAfter) && r.foreign(o) {
			return // PNA (slant back not needed)
		}
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
