package shorthand

import (
	"slices"
	"strings"
)

// matters are what a column of sites tells beside the toe that is of no toe: consent,
// allergies, other diseases and drugs, who came and how, what was filed.
var matters = setOf(strings.Fields(`
consent consents consented consenting checklist timeout who paperwork form forms marked mark confirmed
allergic allergy allergies nkda nka intolerant intolerance
pregnant pregnancy gravid breastfeeding diabetic diabetics diabetes dm asthma asthmatic epileptic epilepsy hypertensive hypertension raynaud raynauds
warfarin aspirin apixaban rivaroxaban clopidogrel steroids immunosuppressed anticoagulated anticoagulant anticoagulants meds medication medications medicated
antibiotics antibiotic abx flucloxacillin bp bm hba hba1c inr pulses doppler dopplers abpi smoker smokes
interpreter translator chaperone wheelchair driving drives driver driven drove taxi transport ambulance lift escort accompanied
anxious nervous anxiety phobic phobia faints fainter mobility mobile
leaflet leaflets info information advice advised instructions photo photos photographed diagram xray swab swabbed
mum mom dad mother father parent parents guardian wife husband partner carer daughter son
latex plasters plaster iodine adhesive tape nuts penicillin
insured insurance invoiced paid covid
`))

// ofMatter are the words that a statement on such a matter has besides.
var ofMatter = setOf(strings.Fields(`
a an and the is was has have had having been be being no nil not none to of on in by with w for from at as per pt patient she he her his him it this
signed given obtained taken gained written verbal verbally witnessed informed sheet today present attending attended came brought home back clinic arranged booked needed
required used user known type t2 t1 t2dm t1dm niddm iddm insulin diet controlled stable normal type class pen ink raised high low weeks wks wk months yrs years done completed complete full
filed uploaded see drawn shown circled indicated sketched sketch arrow arrowed picture pic letter referral diagram sheet pre preop post op stopped continues continued daily mg od fine ok okay good palpable held withheld taking takes tabs own parking both card
`))

// aboutOther reports whether some items say no more than something of another matter, and name
// no toe and no border: Consent signed.
func (r *reader) aboutOther(items []*item) bool {
	topic := false
	for _, it := range items {
		word := isLetter(it.text) || it.text == "" || it.number || len(it.entries) > 0
		switch {
		case it.notDone() || r.words[it.index] != nil || it.ofSite() || it.is(vagueSite, otherBorder, anyBorder):
			return false
		case it.number && len(it.text) == 1 && !r.afterType(it):
			return false
		case it.number || !word || it.is(filler, conj) && !it.is(breakWord):
		case r.allOf(it, matters):
			topic = true
		case !r.allOf(it, ofMatter) && !r.lexicon.harmless[it.text] && !r.lexicon.idle[it.text] && !calendar.MatchString(it.text):
			return false
		}
	}
	return topic
}

// afterType reports whether a number is that of a type of a disease: diabetes type 2.
func (r *reader) afterType(it *item) bool {
	return it.index > 0 && slices.Contains(staged, r.items[it.index-1].text)
}

// allOf reports whether an item's words are all of two lists, and one of them of the first:
// allergic to.
func (r *reader) allOf(it *item, list map[string]bool) bool {
	some := false
	for _, t := range lex(r.text.Original[it.from:it.to]) {
		if some = some || list[t.text]; isLetter(t.text) && !list[t.text] && !ofMatter[t.text] {
			return false
		}
	}
	return some
}

// startsOther reports whether a sentence on another matter begins at ts[i]: R hallux lat. Consent
// signed; L1 med. Not diabetic.
func startsOther(ts []token, i int) bool {
	if ts[i].small || !isLetter(ts[i].text) {
		return false
	}
	if slices.Contains([]string{"no", "not", "pt", "patient", "known", "verbal", "written"}, ts[i].text) && i+1 < len(ts) {
		i++
	}
	return matters[ts[i].text]
}

// ofOtherMatter reports whether what stands between the signs around an item, or its whole
// sentence, is of another matter than the toe, which another sentence or part names.
func (r *reader) ofOtherMatter(it *item) bool {
	same := func(of func(*item) int) (out []*item) {
		for _, o := range r.items {
			if of(o) == of(it) {
				out = append(out, o)
			}
		}
		return out
	}
	return r.aboutOther(same(func(o *item) int { return o.stretch })) || r.aboutOther(same(func(o *item) int { return o.clause }))
}

// operations are the words of a surgery that say not which.
var operations = []string{"surgery", "op", "operation", "procedure", "treatment", "avulsion", "resection", "nail"}

// returned are the words of what came back after an earlier surgery.
var returned = strings.Fields("recurrence recurrent recurred recurring regrowth regrown regrew spicule spike redo revision")

// earlier reports whether an item is of a remark, between signs of its own, of an earlier surgery of the
// toe before it, or of the other side, and says no more of it than when it was: R hallux lat - previous
// PNA 2019; (other side done 2019). It is no other toe.
func (r *reader) earlier(it *item) bool {
	if !r.siteColumn() {
		return false
	}
	if r.otherBefore(it) {
		return true
	}
	operated, first := false, (*item)(nil)
	for _, o := range r.items {
		if o.stretch > it.stretch && o.ofSite() {
			return false // previous PNA, lat; previous PNA. Lat
		}
		if o.stretch != it.stretch || !isLetter(o.text) && !o.number && len(o.entries) == 0 {
			continue
		}
		if first == nil {
			first = o
		}
		again := first == o && (o.is(class(Regrowth)) || slices.Contains(returned, o.text))
		surgery := o.is(procedure, chemical, vague) && !again || slices.Contains(operations, o.text)
		small := again || r.saysWhen(o, first == o)
		if operated = operated || surgery; !surgery && !small || o.is(doubtWord, planWord, notWord, notAfter) {
			return false
		}
	}
	if !operated {
		return false
	}
	begun := first.entry(pastWord).value == "time" || first.is(class(Regrowth)) || slices.Contains(returned, first.text)
	return begun && slices.ContainsFunc(r.items[:first.index], func(o *item) bool { return o.namesDigit() || o.is(sideDigit) || o.number })
}

// saysWhen reports whether an item of a remark on an earlier surgery, the first one or another, says no more
// than that it was, or when.
func (r *reader) saysWhen(o *item, first bool) bool {
	within := slices.Contains(treated, o.text) || slices.Contains([]string{"after", "from", "following", "post", "since"}, o.text)
	return within && !first || o.is(pastWord, filler) || r.said(o) == "same side" || r.isYear(o) || r.lexicon.harmless[o.text] || r.lexicon.idle[o.text]
}

// otherBefore reports whether an item is of a remark, between signs of its own and after a toe with its
// border, that the other side was treated in a year or a time that is over.
func (r *reader) otherBefore(it *item) bool {
	var words []*item
	for _, o := range r.items {
		if o.stretch > it.stretch && o.ofSite() {
			return false
		}
		if o.stretch == it.stretch && (isLetter(o.text) || o.number || o.text == "") {
			words = append(words, o)
		}
	}
	had := len(words) > 0 && words[0].text == "had"
	if had {
		words = words[1:]
	}
	if len(words) < 3 || !words[0].is(otherBorder) && !(had && r.otherOf(words[0])) && !slices.Contains([]string{"other foot", "opposite foot", "other toe"}, r.said(words[0])) {
		return false
	}
	over := false
	for n, o := range words[1:] {
		switch {
		case n == 0 && o.is(borderWord) && len(words) > 3:
		case n <= 1 && (slices.Contains(treated, o.text) || o.is(procedure)):
		case n > 0 && (r.isYear(o) || o.is(pastWord)):
			over = true
		case n > 0 && (o.text == "in" || o.number && n+2 < len(words) || slices.Contains([]string{"yr", "yrs", "year", "years", "months", "mths", "weeks", "wks"}, o.text)):
		default:
			return false
		}
	}
	before := r.items[:words[0].index]
	return over && slices.ContainsFunc(before, func(o *item) bool { return o.namesDigit() || o.number }) && slices.ContainsFunc(before, func(o *item) bool { return o.is(border, letter, vagueBoth) })
}

// otherOf reports whether a word is of another border than the one of the toe before it.
func (r *reader) otherOf(it *item) bool {
	v := it.entry(border).value
	return (v == "medial" || v == "lateral") && !slices.ContainsFunc(r.items[:it.index], func(o *item) bool {
		return o.is(vagueBoth) || o.is(border, letter) && o.entries[0].value != "medial" && o.entries[0].value != "lateral" || o.is(border) && o.entry(border).value == v
	})
}

// compares are the words by which one border of a toe is said to be worse than the other.
var compares = strings.Fields("worse worst sorer sorest deeper more mainly mostly main mild milder moderate severe minor")

// comparison reports whether an item is of a remark, between signs of its own, that compares the
// borders of a toe which names both before it: both borders (lat worse). It is no other toe.
func (r *reader) comparison(it *item) bool {
	both, says := false, false
	for _, o := range r.items {
		switch {
		case o.segment == it.segment:
			says = says || slices.Contains(compares, o.text)
			if !slices.Contains(compares, o.text) && !o.is(border, letter, side, borderWord, filler) && (isLetter(o.text) || o.number || o.text == "") {
				return false
			}
		case o.from < it.from:
			both = both || o.is(vagueBoth) || o.is(border) && o.entry(border).value == "both"
		}
	}
	return says && (both && !r.bothToes(it) || r.worst(it))
}

// worst reports whether the remark says no more than how bad the border before it is, in a bracket of its
// own: lat (worst), med (mild).
func (r *reader) worst(it *item) bool {
	if it.index < 2 || r.items[it.index-1].text != "(" || it.index+1 == len(r.items) || r.items[it.index+1].text != ")" {
		return false
	}
	k := it.index - 2
	for k > 0 && r.items[k].is(borderWord) {
		k--
	}
	m, ok := r.mention(k)
	return ok && m.isBorder()
}

// bothToes reports whether a text before an item names more than one toe.
func (r *reader) bothToes(it *item) bool {
	return slices.ContainsFunc(r.items[:it.index], func(o *item) bool { return o.is(bothSides, digits, conj) })
}

// compared makes a sign between two borders a list of them where the text says that both are
// meant: med>lat, both done.
func (r *reader) compared() {
	both := slices.ContainsFunc(r.items, func(it *item) bool { return it.is(vagueBoth) })
	for i := 1; both && i+1 < len(r.items); i++ {
		if it := r.items[i]; (it.text == ">" || it.text == "<") && r.items[i-1].is(border) && r.items[i+1].is(border) {
			it.entries, it.known = []entry{{conj, "", "conj"}}, true
		}
	}
}
