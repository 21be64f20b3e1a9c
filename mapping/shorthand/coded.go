package shorthand

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

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
			case it.text == "ns" && r.wants(Attendance) && !r.flushed(it):
				r.vague(it, entry{vague, "attendance did-not-attend|attendance attended", "attendance.ns"})
			case e.class == columnWord && (r.fieldName(it) || r.scored(it) || r.ofSkin(it) || r.isThere(it)):
			case e.class == columnWord && strings.HasPrefix(e.value, string(Dressing)) && !r.only(Dressing) && r.beneath(it):
			case e.value == string(Method)+" excision" && r.ofFold(it):
			case e.class == columnWord && (len(r.kinds) > 0 || r.dresses(it, e)):
				kind, code, _ := strings.Cut(e.value, " ")
				appointment := Kind(kind) == Outcome && r.wants(Attendance) // cancelled
				if r.wants(Kind(kind)) && !appointment {
					r.add(Reading{Kind: Kind(kind), Value: Value{Code: record.Code(code)}, Certainty: Certain, Rule: e.rule}, it)
				}
			case e.class == noTourni && r.wants(Tourniquet):
				r.addNone(Tourniquet, "not-used", e.rule, it)
			case k == Attendance && e.value == "attended" && r.elsewhere(it):
			case k == Dressing && (r.medicated(it) || r.beneath(it)):
			case k == Dressing && r.takenOff(it):
			case k == Dressing && r.putOnLater(it):
				r.add(Reading{Kind: k, Value: Value{Code: record.Code(e.value)}, Certainty: Ambiguous, Rule: e.rule + ".plan"}, it)
			case k == Outcome && r.stoppedOther(it):
			case k == Discharge && r.fromWound(it):
			case k == Finding && r.complaint(it):
			case k == Finding && e.value == "fever" && r.lowFever(it):
			case k == Method && e.value == "excision" && r.ofFold(it):
			case (k == Method || k == Dressing) && e.value == "none" && r.wants(k):
				r.addNone(k, "none", e.rule, it)
			case slices.Contains(coded, k) && r.wants(k):
				r.add(Reading{Kind: k, Value: Value{Code: record.Code(e.value)}, Certainty: Certain, Rule: e.rule}, it)
				if e.class == class(Discharge) && e.value == "healed" && r.wants(Wound) {
					r.add(Reading{Kind: Wound, Value: Value{Code: "healed"}, Certainty: Certain, Rule: e.rule}, it)
				}
			}
		}
	}
}

// elsewhere asks about a visit to somebody else: attended A&E; and reports whether it is one.
func (r *reader) elsewhere(it *item) bool {
	next := r.neighbour(it.index, 1)
	if next == nil || next.segment != it.segment || !r.wants(Attendance) || !slices.Contains(strings.Fields("a ed er gp hospital ooh walk minor another other private"), next.text) ||
		next.text == "a" && !strings.HasPrefix(lower(r.text.Original[next.from:]), "a&e") {
		return false
	}
	r.vague(it, entry{vague, "attendance attended|attendance did-not-attend", "attendance.elsewhere"})
	return true
}

// seen reads the "seen" that begins a column of outcomes: seen, healed.
func (r *reader) seen() {
	if len(r.kinds) == 0 || !r.wants(Attendance) || len(r.items) < 2 || r.items[0].text != "seen" || r.items[1].text != "," {
		return
	}
	r.add(Reading{Kind: Attendance, Value: Value{Code: "attended"}, Certainty: Certain, Rule: "attendance"}, r.items[0])
}

// fieldName reports whether a word is the name of a field of a form: Chem: phenol.
func (r *reader) fieldName(it *item) bool {
	return it.text == "chem" && it.index+1 < len(r.items) && r.items[it.index+1].text == ":"
}

// scored reports whether a pain is told by a score, which may be none: pain 2/10; pain: 0.
func (r *reader) scored(it *item) bool {
	if it.text != "pain" {
		return false
	}
	for k := it.index + 1; k < len(r.items) && k <= it.index+3; k++ {
		switch o := r.items[k]; {
		case o.number || calendar.MatchString(o.text):
			return o.segment == it.segment
		case o.text != ":" && o.text != "=" && o.text != "score" && o.text != "scale" && o.text != "level" && o.text != "vas" && o.text != "nrs":
			return false
		}
	}
	return false
}

// isThere reports whether a "present" is said of what was seen before it: hypergranulation present.
func (r *reader) isThere(it *item) bool {
	before := r.neighbour(it.index, -1)
	if before != nil && before.text == "tissue" {
		before = r.neighbour(before.index, -1)
	}
	return it.text == "present" && before != nil && before.segment == it.segment && (before.is(findings...) || before.is(class(Regrowth), vague))
}

// flushed reports whether an ns is the saline of a flush, and no visit that was missed: NS flush.
func (r *reader) flushed(it *item) bool {
	return slices.ContainsFunc(r.segments[it.segment], func(o *item) bool {
		return o.is(flushWord, unitML, class(Dressing)) || slices.Contains([]string{"bathe", "bathed", "cleansed", "cleaned", "washed", "wash", "soak", "soaked", "with"}, o.text)
	})
}

// ofFold reports whether what was excised is the fold of the nail, and not its matrix.
func (r *reader) ofFold(it *item) bool {
	in := func(f func(*item) bool) bool {
		return slices.ContainsFunc(r.items, func(o *item) bool { return o.clause == it.clause && f(o) })
	}
	if in(func(o *item) bool { return o.is(procedure) && o.entry(procedure).value == "nail-fold-wedge" }) {
		return true
	}
	fold := func(o *item) bool { return o.is(borderWord) && strings.HasSuffix(r.said(o), "fold") }
	if !in(fold) || in(func(o *item) bool { return strings.Contains(r.said(o), "matri") || o.is(procedure) }) {
		return false
	}
	r.vague(it, entry{vague, "procedure nail-fold-wedge|procedure nail-wedge", "procedure.wedge"})
	return true
}

// said is what the text says of an item, in small letters.
func (r *reader) said(it *item) string { return lower(r.text.Original[it.from:it.to]) }

// ofSkin reports whether a "pressure" outside a column of dressings is what hurts, and no dressing:
// pressure painful.
func (r *reader) ofSkin(it *item) bool {
	if it.text != "pressure" || r.only(Dressing) {
		return false
	}
	next := r.neighbour(it.index, 1)
	return next == nil || !next.is(dressingWord)
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
		if n != nil && (n.is(class(Dressing), dressingWord) || n.text == "redressed" || n.text == "dressed" || n.text == "crepe" || n.text == "tubular") {
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

// beneath reports whether something else than a dressing is under one, or comes from one: rash
// under plaster, dermatitis from plaster.
func (r *reader) beneath(it *item) bool {
	i := it.index
	if i > 0 && r.items[i-1].is(class(Diagnosis), class(Finding)) && slices.ContainsFunc([]string{" from", " to", " under"}, func(s string) bool {
		return strings.HasSuffix(lower(r.text.Original[r.items[i-1].from:r.items[i-1].to]), s)
	}) {
		return true
	}
	if i < 2 || r.items[i-2].segment != it.segment {
		return false
	}
	if from := r.items[i-1].text; from == "from" || from == "to" {
		return r.items[i-2].is(class(Diagnosis), class(Finding)) || slices.Contains(reacted, r.items[i-2].text)
	}
	return slices.Contains([]string{"under", "beneath", "underneath"}, r.items[i-1].text) && !slices.ContainsFunc(r.items[:i], func(o *item) bool {
		return o.segment == it.segment && (o.is(class(Dressing), dressingWord) || o.is(columnWord))
	})
}

// reacted are the words of what a dressing did to the skin.
var reacted = strings.Fields("rash reaction reactions reacted allergy allergic sensitive sensitivity dermatitis irritation irritated blister blisters itch itchy itching eczema response damage")

// putOnLater asks about a dressing of a column that is to be put on at another time: plaster to be
// applied at home.
func (r *reader) putOnLater(it *item) bool {
	return r.only(Dressing) && slices.ContainsFunc(r.segments[it.segment], func(o *item) bool {
		said := r.said(o)
		return o.index > it.index && (slices.Contains([]string{"tomorrow", "tonight", "later", "thereafter", "afterwards"}, said) || strings.HasPrefix(said, "to be ") ||
			said == "to" && o.index+1 < len(r.items) && slices.Contains([]string{"be", "apply", "use", "wear", "replace", "follow"}, r.items[o.index+1].text))
	})
}

// takenOff reports whether a dressing of a column is one that was taken off: plaster removed.
func (r *reader) takenOff(it *item) bool {
	i := it.index + 1
	return len(r.kinds) > 0 && i < len(r.items) && slices.Contains([]string{"removed", "discarded", "soaked"}, r.items[i].text) && r.lastOf(i)
}

// stoppedOther reports whether a "stopped" of a column is of another matter than the surgery:
// stopped abx, bleeding stopped.
func (r *reader) stoppedOther(it *item) bool {
	if it.text != "stopped" || len(r.kinds) == 0 {
		return false
	}
	of := func(k int) bool { // another matter
		if k < 0 || k >= len(r.items) || r.items[k].segment != it.segment {
			return false
		}
		o := r.items[k]
		return o.is(class(Exudate), class(Finding), class(Wound), columnWord) || matters[o.text] || slices.Contains([]string{"bleeding", "bleed", "oozing", "smoking", "tablets", "dressings", "soaks"}, o.text)
	}
	operated := func(o *item) bool { return o.clause == it.clause && o.is(procedure, vague) }
	bled := func(o *item) bool { // bleeding +++, now stopped
		return o.index < it.index && o.clause == it.clause && slices.Contains(strings.Fields(r.said(o)), "bleeding")
	}
	return of(it.index-1) || of(it.index+1) || slices.ContainsFunc(r.items, bled) && !slices.ContainsFunc(r.items, operated)
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
		if o, high := r.degrees(i); high && it.mark == (mark{}) {
			r.add(Reading{Kind: Finding, Value: Value{Code: "fever"}, Certainty: Certain, Rule: "finding.temperature"}, it, o)
		}
	}
}

// lowFever asks about a fever that its number does not say: fever 37.5.
func (r *reader) lowFever(it *item) bool {
	o, high := r.degrees(it.index)
	if o == nil || high || !r.wants(Finding) {
		return false
	}
	r.add(Reading{Kind: Finding, Value: Value{Code: "fever"}, Certainty: Ambiguous, Rule: "finding.temperature"}, it, o)
	return true
}

// degrees is the number of a temperature beside an item, nil where there is none, and whether it is a
// fever.
func (r *reader) degrees(i int) (at *item, high bool) {
	for k := i + 1; k < len(r.items) && k <= i+3 && r.items[k].clause == r.items[i].clause; k++ {
		o := r.items[k]
		if v, ok := decimal(o.text); o.number && ok && len(v) >= 2 && v >= "34" && v < "43" && (len(v) == 2 || v[2] == '.') {
			return o, v >= "38"
		}
	}
	return nil, false
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
		if slices.Contains([]string{"dressing", "alginate", "foam", "hydrocolloid", "hydrocoloid"}, it.text) && !it.mark.not {
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
			r.addNone(k, "none", "denied", it)
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
		case e.class == vague && e.rule == "method.matrixectomy" && it.mark.no: // w/o matrixectomy
			none(Method)
		case e.class == class(Exudate) && it.mark.none:
			none(Exudate)
		case e.class == flushWord && it.mark.none && r.matrixColumn():
			none(Flush)
		case it.text == "dressing" && it.mark.none && r.only(Dressing):
			none(Dressing)
		case e.class == class(Attendance) && e.value == "attended" && it.mark.none && r.wants(Attendance):
			r.addNone(Attendance, "did-not-attend", "denied", it)
		case e.class == class(Diagnosis) && e.value == "wound-infection":
			none(Finding)
		case e.class == tourniquet && r.wants(Tourniquet):
			r.addNone(Tourniquet, "not-used", "denied", it)
		}
	}
}

// ofRecords are the words of what was written down of a thing, and of what came of it: where these
// were none, the thing may have been used.
var ofRecords = strings.Fields("record records recorded recording entry entries entered note noted notes documentation documented details detail info information data mention mentioned time times timing pressure concentration conc strength percentage burn burns burning reaction smell label sheet form")

// addNone reads that something was not done or used; it is ambiguous where the text may say that
// nothing was written of it: no record of tq, no tq time, no phenol burns.
func (r *reader) addNone(k Kind, code record.Code, rule string, it *item) {
	rd := Reading{Kind: k, Value: Value{Code: code}, Certainty: Certain, Rule: rule}
	i := it.index
	written := func(k int) bool {
		return k >= 0 && k < len(r.items) && r.items[k].segment == it.segment && (slices.Contains(ofRecords, r.items[k].text) || r.items[k].is(unknownWord) && r.items[k].text != "?")
	}
	if written(i+1) || written(i-1) || written(i-2) && r.items[i-1].text != ":" || k == Tourniquet && i+3 < len(r.items) && written(i+3) && r.items[i+1].text == ":" {
		rd.doubt(rule + ".not-recorded")
	}
	r.add(rd, it)
}

// nothing reads a column that says nothing but no: none, nil, not used.
func (r *reader) nothing() {
	items := r.items
	for len(items) > 1 && items[0].is(naWord, filler) { // N/A - not used
		items = items[1:]
	}
	if answer, ok := yesOrNo(items); ok && r.only(Tourniquet, On, Off, Minutes) {
		rd := Reading{Kind: Tourniquet, Value: Value{Code: answer}, Certainty: Certain, Rule: "tourniquet"}
		if contraryTo(answer, items) || answer == "used" && r.items[0].is(naWord) { // N/A - yes
			rd.doubt("tourniquet.two-answers")
		}
		r.add(rd, items[0])
		return
	}
	notDone := func(it *item) bool { return it.is(class(Outcome)) && it.entry(class(Outcome)).value == "not-done" }
	alone := !slices.ContainsFunc(items, func(it *item) bool { return !it.is(notWord, notAfter, filler, usedWord) && !notDone(it) })
	first := len(items) > 1 && (items[1].text == "," || items[1].text == "-") || len(items) > 2 && items[1].is(usedWord) && (items[2].text == "," || items[2].text == "-")
	asked := len(items) == 2 && items[0].text == "?" && items[1].is(usedWord)
	if (asked || len(items) == 1 && items[0].text == "?") && r.only(Tourniquet, On, Off, Minutes) {
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
		rd := Reading{Kind: k, Value: Value{Code: v}, Certainty: Certain, Rule: "nothing"}
		if k == Tourniquet && contraryTo(v, items) { // no - yes
			rd.doubt("tourniquet.two-answers")
		}
		r.add(rd, items[0])
	}
}

// yesOrNo reads the yes or the no that begins a column, and stands alone or before a sign, a time or a
// number: Y 8 min; N; yes (10 min). Y/N is no answer.
func yesOrNo(items []*item) (answer record.Code, ok bool) {
	if len(items) == 0 {
		return "", false
	}
	if len(items) > 1 {
		next := items[1]
		slash := next.text == "/" && len(items) > 2 && items[2].number
		if !slash && !next.number && !next.is(onWord) && (next.text == "" || !strings.Contains(",-(.;:", next.text)) {
			return "", false
		}
	}
	switch items[0].text {
	case "yes", "y", "used", "✓", "✔":
		return "used", true
	case "n", "✗", "✘":
		return "not-used", true
	}
	return "", false
}

// contraryTo reports whether a yes or a no is taken back, nobody wrote down which, or a number stands
// beside a no: yes - not used; Y (N); N 8.
func contraryTo(answer record.Code, items []*item) bool {
	for i, it := range items {
		if i == 0 {
			continue
		}
		switch other := answerAt(items, i); {
		case it.is(unknownWord) && i < 3, other != "" && other != answer:
			return true
		case answer == "not-used" && it.number, answer == "used" && (it.is(notAfter) || it.saysNone()):
			return true
		}
	}
	return false
}

// ofAnswer are the words with which a yes or a no is still no more than that: none needed.
var ofAnswer = strings.Fields("applied needed required inflated")

// answerAt is the answer that an item after the first gives by itself, before a sign or at the end: the
// no of "y - no", not that of "y - no problems".
func answerAt(items []*item, i int) record.Code {
	it := items[i]
	if i+1 < len(items) {
		next := items[i+1]
		sign := next.text != "" && !isLetter(next.text) && !next.number
		if !sign && !next.is(usedWord) && !slices.Contains(ofAnswer, next.text) {
			return ""
		}
	}
	switch yes, ok := answers[it.text]; {
	case it.is(notWord, naWord), ok && !yes:
		return "not-used"
	case ok, it.is(usedWord) && !items[i-1].is(notWord):
		return "used"
	}
	return ""
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
