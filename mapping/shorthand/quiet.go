package shorthand

import (
	"slices"
	"strings"
)

// inQuiet reports whether an item of a column of sites is of a remark, between signs of its own and on a
// whole toe, each word of which is known to say nothing of which toe it is: R hallux lat, ?infected;
// (op by student); - no allergies; weight 62 kg.
func (r *reader) inQuiet(it *item) bool {
	whole := r.siteColumn() && r.besideToe(it) || r.only(Border) && slices.ContainsFunc(r.items[:it.index], func(o *item) bool { return o.is(border) })
	if !whole {
		return false
	}
	topic := false
	for _, o := range r.items {
		if o.stretch != it.stretch {
			continue
		}
		if r.names(o) || !r.quiet(o) {
			return false
		}
		topic = topic || r.isTopic(o)
	}
	return topic
}

// isTopic reports whether a word says what a remark is on.
func (r *reader) isTopic(o *item) bool {
	theme := r.lexicon.remarks[o.text]
	return !slices.Contains([]string{"", "season", "small words"}, theme) || r.allOf(o, matters) || r.observed(o) || slices.Contains(operations, o.text) || o.is(anaesthetic, injectWord) || slices.Contains(beforeMeasure, o.text) || slices.Contains(afterMeasure, o.text) ||
		r.lexicon.idle[o.text] && len(o.text) > 3 && !slices.Contains(ofForms, o.text)
}

// ofForms are idle words that may say what a form put in by itself: default value.
var ofForms = strings.Fields("default select selected choice entered descr description comment comments field fields value values details detail record records recorded entries entry chart charted labels label labelled type types boxes tick code copied")

// findings are the classes of the words of what was seen or felt.
var findings = []class{class(Finding), class(Diagnosis), class(Wound), class(Exudate)}

// observed reports whether an item is of what was seen or felt.
func (r *reader) observed(o *item) bool {
	return o.is(findings...) || ofDisease(o.text) || r.lexicon.remarks[o.text] == "complaint" || r.lexicon.remarks[o.text] == "illness" || slices.Contains(returned, o.text)
}

// beforeMeasure are the words before a measure of a patient, or of a shoe, afterMeasure the units of one.
var (
	beforeMeasure = strings.Fields("age aged wt weight height bmi size bp sats temp hba1c inr abpi abi tbi egfr hr")
	afterMeasure  = slices.Concat(inYears, strings.Fields("kg kgs g lb lbs st stone cm mm mmhg mmol bpm yo"))
)

// toWait are the words, of those that say nothing elsewhere, that may say when a toe is to be done, or that it
// was not: Monday; referral arranged; trim only.
var toWait = slices.Concat(awaited, weekdays, strings.Fields(`
fortnight fortnights expected returns repeats attempts consultation trim trimmed debrided fixed
`))

// suspecting are the words, and the sign, before what may have been found: ?infected.
var suspecting = strings.Fields("? poss possible possibly suspected suspect probable prob query")

// inStretch is the item right before or after another, between the same signs; nil where there is none.
func (r *reader) inStretch(o *item, step int) *item {
	if k := o.index + step; k >= 0 && k < len(r.items) && r.items[k].stretch == o.stretch {
		return r.items[k]
	}
	return nil
}

// quiet reports whether an item says nothing of which toe is meant.
func (r *reader) quiet(o *item) bool {
	next, before := r.inStretch(o, 1), r.inStretch(o, -1)
	switch {
	case slices.Contains(toWait, o.text):
		return false
	case r.lasted(o) || r.ofPain(o) || r.taken(o):
		return r.words[o.index] == nil
	case o.text == "?", o.is(doubtWord):
		sign := o.text == "?" && next == nil && before != nil && r.observed(before) // infected?
		return slices.Contains(suspecting, o.text) && (next != nil && r.observed(next) || sign)
	case o.is(notAfter) && before != nil && before.text == "failed", o.text == "failed" && next != nil && next.is(notAfter): // conservative care
		return true
	case o.is(notWord):
		return slices.Contains(plainNo, o.text) && next != nil && (r.isTopic(next) && !next.is(procedure) || r.past(next))
	case o.is(numberWord) && !slices.Contains(beforeMeasure, o.text):
		return next == nil || !next.number
	case o.text == "old" && before != nil && slices.Contains(afterMeasure, before.text):
		return true
	case r.past(o):
		return r.ofEarlier(o) || r.ofIllness(o)
	case slices.Contains(beforeMeasure, o.text):
		return next != nil && next.number
	case o.number:
		return r.words[o.index] == nil && (next != nil && slices.Contains(afterMeasure, next.text) || before != nil && (slices.Contains(beforeMeasure, before.text) || before.is(timesSign) && r.quiet(before)))
	case slices.Contains(afterMeasure, o.text) && before != nil && before.number:
		return true
	case o.is(timesSign):
		return before != nil && isLetter(before.text) && next != nil && next.number
	case o.is(class(Outcome)):
		return o.entry(class(Outcome)).value == "done" || r.ofEarlier(o)
	case !isLetter(o.text) && o.text != "":
		return true
	case o.is(procedure):
		return r.ofEarlier(o)
	case o.is(asking...):
		return false
	}
	return r.observed(o) || r.lexicon.remarks[o.text] != "" && r.saysNothing(o) || r.lexicon.idle[o.text] || r.lexicon.harmless[o.text] || r.allOf(o, ofMatter) || r.isTopic(o) || o.is(filler, conj, anaesthetic, injectWord) || o.text == "present"
}

// past reports whether an item is a word of what was before.
func (r *reader) past(o *item) bool {
	return o.is(pastWord) && slices.Contains([]string{"prev", "previous", "previously", "prior", "hx", "h/o", "history of", "past"}, r.said(o))
}

// ofIllness reports whether a word of what was before is of another illness: hx of MRSA.
func (r *reader) ofIllness(o *item) bool {
	next := r.neighbour(o.index, 1)
	if next != nil && next.text == "of" {
		next = r.neighbour(next.index, 1)
	}
	return next != nil && next.stretch == o.stretch && slices.Contains([]string{"illness", "drugs"}, r.lexicon.remarks[next.text])
}

// ofEarlier reports whether a remark is on an earlier treatment, in a text that names one toe: prev treated
// by GP; no previous surgery.
func (r *reader) ofEarlier(of *item) bool {
	past, treatment := false, false
	for _, o := range r.items {
		if o.stretch == of.stretch {
			past = past || r.past(o)
			treatment = treatment || slices.Contains(operations, o.text) || slices.Contains(treated, o.text) || o.is(procedure)
		}
	}
	one := 0
	for _, m := range r.words {
		if m != nil && len(m.digit) > 0 {
			one++
		}
	}
	return past && treatment && one == 1
}
