package shorthand

import (
	"slices"
	"strings"
)

// bracketed lets a doubt, a past and a plan that stand in brackets after a toe act on it:
// L1 lat (prev), R1 lat; R hallux lat (letter says L).
func (r *reader) bracketed() {
	for i, it := range r.items {
		if it.text != "(" {
			continue
		}
		in := r.insideOf(i)
		before := r.toeBefore(i)
		if len(before) == 0 {
			before = r.toeAfter(i, len(in))
		}
		if len(in) == 0 || len(before) == 0 {
			continue
		}
		m := r.markOf(in, before)
		m.on(before)
		if slices.ContainsFunc(in, (*item).ofSite) && (m.doubt || r.remarked(in)) {
			mark{doubt: true}.on(in) // letter says L1
		}
	}
	r.pastAlone()
	r.listedAs()
}

// listings are the words of how a toe stands in another record.
var listings = strings.Fields("listed booked recorded entered typed coded charted written labelled labeled consented scheduled noted logged down registered referred documented put marked filed input billed")

// sayings are the verbs of what another record says.
var sayings = []string{"says", "say", "said", "states", "stated", "reads", "shows"}

// listedAs doubts the toes of a column of sites that another record has as another: R hallux lat, listed
// as L; R hallux - booked L; R hallux lat - letter says medial.
func (r *reader) listedAs() {
	for i, it := range r.items {
		words := strings.Fields(lower(r.text.Original[it.from:it.to]))
		says := slices.Contains(sayings, words[len(words)-1])
		if !r.siteColumn() || !says && !slices.Contains(listings, words[0]) || i+1 == len(r.items) {
			continue
		}
		var after []*item
		for _, o := range r.items[i+1:] {
			if o.segment == it.segment {
				after = append(after, o)
			}
		}
		as := words[len(words)-1] == "as" || slices.Contains([]string{"as", ":", "="}, r.items[i+1].text)
		named := len(after) > 0 && after[0].is(side, sideDigit) && r.lastOf(after[0].index)
		if (says || as || named) && r.saysOther(after, r.items[:i]) {
			mark{doubt: true}.on(slices.DeleteFunc(slices.Clone(r.items), func(o *item) bool { return !o.ofSite() && !o.number }))
		}
	}
}

// on adds a mark to those of the words of a toe, and, of another time, of a procedure.
func (m mark) on(items []*item) {
	for _, o := range items {
		if o.is(procedure) && m.doubt {
			continue
		}
		o.mark.doubt, o.mark.past, o.mark.plan = o.mark.doubt || m.doubt, o.mark.past || m.past, o.mark.plan || m.plan
	}
}

// pastAlone lets a past that stands alone between dashes or commas act on the toe before
// it: R hallux lat - prev, L hallux lat today.
func (r *reader) pastAlone() {
	for i, it := range r.items {
		if !it.is(pastWord) || i == 0 || it.text == "hx" {
			continue
		}
		other := slices.ContainsFunc(r.segments[it.segment], func(o *item) bool {
			return o.stretch == it.stretch && (o.number || isLetter(o.text) || len(o.entries) > 0) && !o.ofTime()
		})
		if sign := r.items[i-1].text; !other && (sign == "-" || sign == ",") && r.anotherToe(r.toeBefore(i)) {
			mark{past: true}.on(r.toeBefore(i))
		}
	}
}

// ofTime reports whether an item says no more than that something was before.
func (it *item) ofTime() bool {
	return it.is(pastWord, filler, conj) || slices.Contains(treated, it.text) || it.number || calendar.MatchString(it.text)
}

// insideOf are the items of a bracket that opens at an item.
func (r *reader) insideOf(i int) []*item {
	for k := i + 1; k < len(r.items); k++ {
		if r.items[k].text == ")" {
			return r.items[i+1 : k]
		}
	}
	return nil
}

// ofSite reports whether an item is a word of a toe.
func (it *item) ofSite() bool {
	return it.is(side, bothSides, digit, digits, ordinal, sideDigit, border, letter, vagueBorder, vagueBoth)
}

// namesDigit reports whether an item says which toe, or may.
func (it *item) namesDigit() bool {
	return it.is(digit, digits, ordinal, sideDigit) || it.number && len(it.text) == 1
}

// toeBefore are the words of the toe that stands before an item, in its clause: those after
// the last "and" that name a toe.
func (r *reader) toeBefore(i int) []*item {
	var out []*item
	for k := i - 1; k >= 0 && r.items[k].clause == r.items[i].clause; k-- {
		o := r.items[k]
		if len(out) > 0 && o.part != r.items[k+1].part && slices.ContainsFunc(out, (*item).namesDigit) {
			break
		}
		if o.text == ")" && !(k > 1 && r.items[k-1].is(side) && r.items[k-2].text == "(") { // hallux (Rt) med (letter says L)
			break
		}
		if o.ofSite() || o.number || o.is(procedure) {
			out = append(out, o)
		}
	}
	if !slices.ContainsFunc(out, (*item).namesDigit) {
		return nil
	}
	return out
}

// toeAfter are the words of the toe that stands after a bracket of n items which opens a
// segment: (prev) L1 lat.
func (r *reader) toeAfter(i, n int) []*item {
	if i > 0 && r.items[i-1].segment == r.items[i].segment {
		return nil
	}
	var out []*item
	for k := i + n + 2; k < len(r.items) && r.items[k].stretch == r.items[min(i+n+2, len(r.items)-1)].stretch; k++ {
		if o := r.items[k]; o.ofSite() || o.number {
			out = append(out, o)
		}
	}
	return out
}

// remarked reports whether a bracket of a column of sites says something of a toe that it
// names: R hallux lat (L hallux NAD).
func (r *reader) remarked(in []*item) bool {
	return r.siteColumn() && slices.ContainsFunc(in, (*item).namesDigit) && slices.ContainsFunc(in, func(o *item) bool {
		small := o.ofSite() || o.is(borderWord, toeWord, footWord, filler, conj, roman, nearWord, class(Diagnosis))
		return isLetter(o.text) && !small || o.is(fineAfter)
	})
}

// sources are the words of what else says which toe it is.
var sources = []string{"says", "said", "say", "letter", "referral", "ref", "form", "notes", "gp", "chart", "label", "diagram", "list", "sheet", "booking", "request"}

// fromSource reports whether the last word of an item is of what else says which toe it is.
func (r *reader) fromSource(it *item) bool {
	words := strings.Fields(lower(r.text.Original[it.from:it.to]))
	return slices.Contains(sources, words[len(words)-1]) || slices.Contains(forms, words[len(words)-1])
}

// treated are the words of a treatment that say no more than that there was one.
var treated = []string{"done", "already", "old", "op", "treated", "treatment", "surgery", "operated", "had", "it", "was", "were", "w", "site"}

// markOf is what the words of a bracket make of the toe before it.
func (r *reader) markOf(in, before []*item) (m mark) {
	has := func(f func(*item) bool) bool { return slices.ContainsFunc(in, f) }
	matter := func(o *item) bool { // what a doubt or a past may be of instead
		return o.is(anaesthetic, chemical, tourniquet, vague) || o.is(procedure) && len(r.kinds) == 0 ||
			slices.ContainsFunc(o.entries, func(e entry) bool { return e.class != class(Outcome) && slices.Contains(coded[1:], Kind(e.class)) })
	}
	strange := func(o *item) bool {
		return len(o.entries) == 0 && isLetter(o.text) && !slices.Contains(treated, o.text) && !r.siteColumn()
	}
	alone := !has(matter) && !has((*item).ofSite) && !has(strange)
	if len(r.kinds) == 0 { // hx of DM
		alone = !has(func(o *item) bool { return (isLetter(o.text) || len(o.entries) > 0) && !o.ofTime() })
	}
	over := alone && r.anotherToe(before) && !has(func(o *item) bool { return isLetter(o.text) && !slices.Contains(treated, o.text) }) &&
		has(func(o *item) bool { return slices.Contains([]string{"done", "old", "operated"}, o.text) })
	m.past = over
	dated := r.anotherToe(before) && !has(matter) && !has(strange) && !has(func(o *item) bool { return o.is(side, digit, digits, sideDigit, border) })
	m.past = m.past || r.siteColumn() && r.anotherToe(before) && len(in) == 1 && in[0].entry(class(Wound)).value == "healed"
	m.doubt = r.otherSide(in, before)
	for _, o := range in {
		switch {
		case o.is(doubtWord) && r.doubtsBorder(o.index):
		case r.earlier(o): // the other side was done 2019, this one not
		case o.is(vagueSite, otherBorder) && r.siteColumn():
			m.doubt = true // other foot
		case r.fromSource(o) || o.text == "should" || o.is(doubtWord) && slices.Contains([]string{"states", "reportedly"}, o.text):
			m.doubt = m.doubt || r.saysOther(in, before)
		case o.is(doubtWord) && o.entry(doubtWord).value == "time":
			m.plan = m.plan || alone
		case o.is(doubtWord) && !has(matter) && !o.is(lessWord):
			m.doubt = m.doubt || !has(strange) || has((*item).ofSite)
		case o.is(pastWord) && o.text != "hx" || o.text == "hx" && !r.isHallux(o.index):
			m.past = m.past || alone
		case r.isYear(o) || calendar.MatchString(o.text):
			m.past = m.past || dated
		case o.is(planWord) && o.entry(planWord).value == "after" && !slices.Contains(forms, o.text):
			m.plan = m.plan || alone && r.siteColumn()
		}
	}
	return m
}

// otherSide reports whether a bracket says another side than the toe before it, and nothing
// of another time, of a border of its own, or that it is not.
func (r *reader) otherSide(in, before []*item) bool {
	here, there := "", ""
	for _, o := range in {
		if o.is(planWord) && o.index+1 < len(r.items) && r.items[o.index+1].text == "as" {
			continue // listed as L
		}
		if o.is(pastWord, planWord, doubtWord, notWord, fineAfter, border, letter, conj, notAfter) || o.notDone() || o.number && len(o.text) > 1 || o.text == "also" || o.text == "done" {
			return false
		}
		if o.is(side) {
			here = o.entry(side).value
		} else if o.is(sideDigit) {
			here, _, _ = strings.Cut(o.entry(sideDigit).value, " ")
		}
	}
	for _, o := range before {
		if o.is(side) {
			there = o.entry(side).value
		} else if o.is(sideDigit) {
			there, _, _ = strings.Cut(o.entry(sideDigit).value, " ")
		}
	}
	return here != "" && there != "" && here != there
}

// anotherToe reports whether the text has another toe than that of some items.
func (r *reader) anotherToe(than []*item) bool {
	return slices.ContainsFunc(r.items, func(o *item) bool {
		return o.is(digit, digits, ordinal, sideDigit, side) && !r.nth(o) && !slices.Contains(than, o)
	})
}

// saysOther reports whether some items name a side, a toe or a border that others do not.
func (r *reader) saysOther(in, than []*item) bool {
	for _, o := range in {
		if !o.ofSite() {
			continue
		}
		value := o.entries[0].value
		if !slices.ContainsFunc(than, func(t *item) bool { return t.ofSite() && t.entries[0].value == value }) {
			return true
		}
	}
	return false
}
