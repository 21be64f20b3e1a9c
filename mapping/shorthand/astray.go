package shorthand

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// astray doubts the toes and borders beside which a text says that it may be another that was operated on.
func (r *reader) astray(groups []*group) {
	for _, g := range groups {
		if g.wrong != "" {
			continue
		}
		switch {
		case r.siteColumn():
			g.wrong = r.astrayInSites(g, groups)
		case r.only(Border) && (r.bothOrOne(g) || r.borderOfRemark(g) || r.changed() || r.foundElsewhere(g)):
			g.wrong = "border.of-a-remark"
		case len(r.kinds) == 0:
			g.wrong = r.astrayInNote(g, groups)
		}
	}
}

// astrayInSites is why a toe of a column of sites is doubted; "" where it is not.
func (r *reader) astrayInSites(g *group, groups []*group) string {
	switch {
	case alone(groups) && g.complete() && r.bothOrOne(g):
		return "border.both-or-one"
	case g.complete() && r.borderOfRemark(g), r.otherInSentence(g, groups):
		return "border.of-a-remark"
	case slices.ContainsFunc(g.borders, func(m mention) bool { return r.ofOther(m.items[len(m.items)-1]) }):
		return "border.of-a-remark"
	case g.codeText == "t1" && r.typeOfDiabetes(g, groups), g.codeText == "t2" && r.typeOfDiabetes(g, groups):
		return "toe.code-and-words"
	case r.toeOfRemark(g, groups), r.partlyDone(groups), r.ageAndSex(groups):
		return "toe.of-a-remark"
	}
	return ""
}

// foundElsewhere reports whether a phrase of what was found names another border than those of a column of
// borders: lat, infected med.
func (r *reader) foundElsewhere(g *group) bool {
	return slices.ContainsFunc(r.items, func(it *item) bool {
		v := r.borderIn(it)
		return v != "" && it.is(class(Finding), class(Diagnosis), vague) && !slices.ContainsFunc(g.borders, func(m mention) bool { return m.border == v || m.border == "both" })
	})
}

// ageAndSex reports whether a digit and a letter that are written together at the end of a text may be the age and
// the sex of a child: R hallux lat, 4M.
func (r *reader) ageAndSex(groups []*group) bool {
	n := len(r.items)
	if n < 3 || len(groups) < 2 || !groups[0].complete() || len(groups[0].borders) == 0 {
		return false
	}
	age, sex := r.items[n-2], r.items[n-1]
	return age.number && sex.glued && (sex.text == "m" || sex.text == "f") && r.words[age.index] != nil && !r.items[n-3].is(side, sideDigit, toeWord, conj)
}

// astrayInNote is why a toe of a note is doubted; "" where it is not.
func (r *reader) astrayInNote(g *group, groups []*group) string {
	refused := func(it *item) bool {
		return it.clause == g.clause && it.is(border) && it.mark.none && !it.is(fineAfter)
	}
	late := func(it *item) bool { return it.from > g.first().from && r.callsOff(it) }
	switch {
	case g.hasToe() && r.corrected(g):
		return "toe.corrected"
	case g.complete() && slices.ContainsFunc(r.items, late): // PNA R hallux lat cancelled; BP too high
		return "toe.later"
	case g.complete() && len(g.borders) == 0 && slices.ContainsFunc(r.items, refused):
		return "toe.denied" // PNA R hallux lat, refused
	case g.complete() && alone(groups) && r.bothOrOne(g):
		return "border.both-or-one"
	case slices.ContainsFunc(g.borders, func(m mention) bool { return r.ofOther(m.items[len(m.items)-1]) }):
		return "border.of-a-remark"
	case g.complete() && slices.ContainsFunc(g.borders[min(1, len(g.borders)):], func(m mention) bool {
		return m.border != g.borders[0].border && !m.joined && r.reviewed(m.items)
	}):
		return "border.of-a-remark" // PNA R hallux lat, med comfortable
	case g.complete() && len(g.borders) == 0 && r.reviewed(g.items) && slices.ContainsFunc(groups, func(o *group) bool {
		return o.complete() && len(o.borders) > 0 && r.acts(o.clause)
	}):
		return "toe.aside" // PNA L hallux lat. R hallux sore.
	}
	return ""
}

// callsOff reports whether a word says that a visit was cancelled, or why nothing was done: BP too high.
func (r *reader) callsOff(it *item) bool {
	why := it.text == "too" && it.index > 0 && r.after(it, 1).says("high", "unwell", "infected")
	return why || it.entry(class(Attendance)).value == "cancelled"
}

// looks are the words of a toe or a border that was looked at, or cared for, and no more.
var looks = strings.Fields("trimmed packed filed debrided stable comfortable happy good okay better reviewed assessed checked dressed redressed padding pain ache injury callus corn monitored watched")

// reviewed reports whether a word of a finding, or of care, stands beside some words of a toe.
func (r *reader) reviewed(items []*item) bool {
	first := slices.MinFunc(items, func(a, b *item) int { return a.index - b.index })
	last := slices.MaxFunc(items, func(a, b *item) int { return a.index - b.index })
	k := last.index + 1
	for k < len(r.items) && r.items[k].is(borderWord, toeWord, filler) && r.items[k].text != "." {
		k++
	}
	tells := func(o *item) bool {
		return o.stretch == last.stretch && !o.is(procedure, chemical) && (o.is(ofReview...) || slices.Contains(looks, o.text))
	}
	b := first.index - 1
	for b > 0 && (r.items[b].is(filler) && r.items[b].text != "." || slices.Contains([]string{"in", "of", "on", "at"}, r.items[b].text)) {
		b--
	}
	before := b >= 0 && r.items[b].stretch == first.stretch && tells(r.items[b])
	return k < len(r.items) && tells(r.items[k]) || before
}

// changed reports whether a column of borders takes back what it said, or says that nothing was done: lat - no,
// med; lat -> med; lat cancelled.
func (r *reader) changed() bool {
	return slices.ContainsFunc(r.items, func(it *item) bool {
		i := it.index
		between := i > 0 && i+1 < len(r.items) && r.items[i-1].is(border, letter) && r.items[i+1].is(border, letter)
		no := it.text == "no" && i+2 < len(r.items) && r.items[i+1].text == "," && r.items[i+2].is(border, letter)
		put := it.entry(class(Attendance)).value == "cancelled" || slices.Contains([]string{"cancelled", "postponed"}, it.text)
		return between && it.is(convertWord) || no || put
	})
}

// alone reports whether a text names one toe, and no more.
func alone(groups []*group) bool {
	toes := 0
	for _, g := range groups {
		if g.hasToe() {
			toes++
		}
	}
	return toes == 1 && !groups[0].several()
}

// bothOrOne reports whether both borders of a toe are named, and elsewhere one of them alone, which may be
// the one that was operated on: both sides, only lat done; both borders, med spared.
func (r *reader) bothOrOne(g *group) bool {
	if len(g.borders) == 0 {
		return false
	}
	both := slices.ContainsFunc(g.borders, func(m mention) bool { return m.border == "both" }) || g.borders[0].border != g.borders[len(g.borders)-1].border
	one := map[string]bool{}
	for _, it := range r.items {
		if it.clause != g.clause || !it.is(border, letter) || r.comparison(it) || r.earlier(it) {
			continue
		}
		v := it.entries[0].value
		again := slices.ContainsFunc(g.borders, func(m mention) bool {
			return m.items[0].stretch != it.stretch && (m.border == "both" || string(m.border) == v)
		})
		if again && (v == "medial" || v == "lateral") && (it.mark.not || r.words[it.index] != nil) {
			one[v] = true
		}
	}
	return both && len(one) == 1
}

// plainly are the classes of the words that say no more than which toe and border is meant, and what was
// done there.
var plainly = []class{side, bothSides, digit, digits, ordinal, sideDigit, border, letter, vagueBorder, vagueBoth, toeWord, footWord, borderWord, filler, conj, breakWord, procedure, chemical, phenolAlc, vague, class(Method), totalWord}

// tellsMore reports whether a part between signs has a word that is of a remark.
func (r *reader) tellsMore(stretch int) bool {
	return slices.ContainsFunc(r.items, func(it *item) bool {
		return it.stretch == stretch && (isLetter(it.text) || it.text == "") && r.words[it.index] == nil && !it.is(plainly...)
	})
}

// borderOfRemark reports whether another border of a toe stands in a remark: R hallux lat, med comfortable.
func (r *reader) borderOfRemark(g *group) bool {
	if len(g.borders) < 2 {
		return false
	}
	first := g.borders[0]
	return slices.ContainsFunc(g.borders[1:], func(m mention) bool {
		it := m.items[0]
		with := it.stretch == first.items[0].stretch && it.index > 0 && r.withRemark(it.index)
		return m.border != first.border && !m.unsure && it.mark == (mark{}) && (with || !m.joined && !r.isDone(it.stretch) && it.stretch != first.items[0].stretch && r.tellsMore(it.stretch))
	})
}

// withRemark reports whether a border is of what a toe has besides, or does well: with med corn; and med
// comfortable.
func (r *reader) withRemark(i int) bool {
	k := i - 1
	for k > 0 && !r.items[k].is(conj) && r.items[k].text != "with" && r.words[k] == nil {
		k--
	}
	told := func(o *item) bool {
		return o.stretch == r.items[i].stretch && o.index > k && r.words[o.index] == nil && !o.is(plainly...) && (isLetter(o.text) || o.text == "")
	}
	well := i+1 < len(r.items) && slices.Contains([]string{"comfortable", "good", "stable", "okay", "better", "healthy", "pain"}, r.items[i+1].text)
	return well || r.items[k].text == "with" && slices.ContainsFunc(r.items, told)
}

// people are the themes of the words that a "both" or a "full" may be of.
var people = []string{"family and people", "papers and payment", "examination", "footwear and sport", "work and school", "life", "who sends", "drugs"}

// ofOther reports whether the word of a border may be of another matter than a toe: both parents; full
// payment; med student; on med; or stands in a bracket of its own after another border: lat (tibial).
func (r *reader) ofOther(it *item) bool {
	i := it.index
	at := func(k int) *item {
		if k < 0 || k >= len(r.items) {
			return &item{stretch: -1}
		}
		return r.items[k]
	}
	before, next := at(i-1), at(i+1)
	if next.text == ":" || next.text == "-" {
		next = at(i + 2)
	}
	theme := r.lexicon.remarks[next.text]
	whole := it.is(vagueBoth, totalWord) || it.is(border) && it.entry(border).value == "whole" || slices.Contains([]string{"full", "complete", "entire", "total"}, it.text)
	switch {
	case whole:
		return at(i+1) == next && (slices.Contains(people, theme) || slices.Contains([]string{"ankle", "ankles", "knee", "knees", "leg", "legs", "fee", "cost", "term", "time", "day", "family", "parents", "grandparents", "payment", "consent", "foot"}, next.text))
	case it.text == "lat" || it.text == "lateral":
		return slices.Contains([]string{"xray", "xrays", "xr", "radiograph", "view", "views"}, next.text) || next.text == "x" && at(next.index+2).text == "ray"
	case it.text == "med":
		alone := before.text == "on" && at(i-2).stretch != it.stretch && next.stretch != it.stretch
		return alone || slices.Contains([]string{"drugs", "family and people"}, theme) || slices.Contains([]string{"student", "students", "cert", "certificate", "insurance", "school", "card", "alert"}, next.text)
	case before.text == "(" && at(i+1).text == ")" && it.is(border, vagueBorder):
		of := it.entries[0].value
		return slices.ContainsFunc([]*item{at(i - 2), at(i + 2)}, func(o *item) bool {
			single := slices.Contains([]string{"medial", "lateral"}, o.entry(border).value)
			return single && o.entry(border).value != of && of != "both" && of != "whole"
		})
	}
	return false
}

// typeOfDiabetes reports whether the code of a left toe may be the type of a diabetes: R hallux lat, T2.
func (r *reader) typeOfDiabetes(g *group, groups []*group) bool {
	return len(g.borders) == 0 && slices.ContainsFunc(groups, func(o *group) bool {
		return o != g && o.complete() && len(o.borders) > 0 && o.rule != "toe.hcpcs"
	})
}

// otherInSentence reports whether another border than that of the one toe of a text stands in a sentence of
// its own, which tells more: R hallux lat. Med comfortable.
func (r *reader) otherInSentence(g *group, groups []*group) bool {
	if g.hasToe() || len(g.borders) != 1 || g.borders[0].unsure || !alone(groups) || !groups[0].complete() || len(groups[0].borders) == 0 {
		return false
	}
	it := g.borders[0].items[0]
	return groups[0].borders[0].border != g.borders[0].border && it.mark == (mark{}) && !r.isDone(it.stretch) && r.tellsMore(it.stretch)
}

// isDone reports whether a part between signs says that something was done, and no more: both done; inner too.
func (r *reader) isDone(stretch int) bool {
	return !slices.ContainsFunc(r.items, func(it *item) bool {
		done := it.entry(class(Outcome)).value == "done" || slices.Contains([]string{"too", "also", "treated"}, it.text)
		return it.stretch == stretch && isLetter(it.text) && r.words[it.index] == nil && !it.is(plainly...) && !done
	})
}

// toeOfRemark reports whether a toe stands in a remark, beside another toe: one without a border beside one
// that has one (L hallux sore, R hallux lat), or one that was cared for otherwise (L1 lat comfortable, R1 lat).
func (r *reader) toeOfRemark(g *group, groups []*group) bool {
	if !g.complete() {
		return false
	}
	last := g.last()
	stretches := []int{last.stretch}
	if n := last.index + 2; n < len(r.items) && (r.items[n-1].text == "(" || r.items[n-1].text == "-") && !slices.ContainsFunc(r.items, func(o *item) bool { return o.stretch == r.items[n].stretch && r.words[o.index] != nil }) {
		stretches = append(stretches, r.items[n].stretch)
	}
	told := func(f func(*item) bool) bool {
		return slices.ContainsFunc(r.items, func(it *item) bool { return slices.Contains(stretches, it.stretch) && f(it) })
	}
	other := slices.ContainsFunc(groups, func(o *group) bool { return o != g && o.complete() && len(o.borders) > 0 })
	if len(g.borders) == 0 {
		return other && slices.ContainsFunc(stretches, r.tellsMore)
	}
	return other && told(func(it *item) bool {
		return (slices.Contains(cared, it.text) || slices.Contains([]string{"post op", "post-op", "postop"}, r.said(it))) && r.words[it.index] == nil
	})
}

// partlyDone reports whether it is said of one of two toes, and not of the other, that it was done, or was
// today: R hallux lat today, L hallux lat.
func (r *reader) partlyDone(groups []*group) bool {
	if len(groups) != 2 || !groups[0].complete() || !groups[1].complete() || groups[0].several() || groups[1].several() {
		return false
	}
	said := func(g *group) bool {
		last := g.last()
		n := last.index + 1
		for n < len(r.items) && r.items[n].is(borderWord, filler) && r.items[n].text != "." || n < len(r.items) && r.items[n].text == "only" {
			n++
		}
		return n < len(r.items) && r.items[n].segment == last.segment && (slices.Contains([]string{"today", "treated"}, r.items[n].text) || r.items[n].entry(class(Outcome)).value == "done")
	}
	return groups[1].wrong == "" && groups[1].first().mark == (mark{}) && said(groups[0]) && !said(groups[1])
}

// cared are the words of a toe that was cared for otherwise than by a surgery today.
var cared = strings.Fields("packed comfortable stable reviewed assessed happy antibiotics abx trimmed better improving")

// corrected reports whether a note takes back what it said of a toe: it ends a sentence with the other side
// (should be left), says no and another border (lat - no, med), or that something is wrong.
func (r *reader) corrected(g *group) bool {
	return slices.ContainsFunc(r.items, func(it *item) bool {
		return r.takesBack(it) || r.saidOtherwise(it, g) || r.oneOfBoth(it, g) || r.otherSideLast(it, g)
	})
}

// after is the item some places after another; nil where there is none.
func (r *reader) after(it *item, places int) *item {
	if k := it.index + places; k < len(r.items) {
		return r.items[k]
	}
	return nil
}

// takesBack reports whether a word takes back what was said, and not that shoes are wrong.
func (r *reader) takesBack(it *item) bool {
	next := r.after(it, 1)
	ofShoes := next != nil && (strings.HasPrefix(next.text, "shoe") || next.text == "footwear" || next.text == "size")
	return slices.Contains(takenBack, it.text) && !ofShoes
}

// saidOtherwise reports whether a note says no and another border, or what it should have said: lat - no, med; should
// have been 2nd.
func (r *reader) saidOtherwise(it *item, g *group) bool {
	next, second := r.after(it, 1), r.after(it, 2)
	if it.text == "no" && it.clause == g.clause && next.says(",") && second != nil && second.is(side, border, letter) {
		return true
	}
	should := it.index > 0 && slices.Contains(reads, r.items[it.index-1].text) && it.from > g.first().from
	return should && it.is(digit, ordinal, border) && !g.names(it) && (next == nil || !next.is(nthWord))
}

// oneOfBoth reports whether one side of two toes is said to be the one that was done: only R done.
func (r *reader) oneOfBoth(it *item, g *group) bool {
	next := r.after(it, 1)
	return it.is(side) && g.both && r.words[it.index] == nil && next != nil && (next.entry(class(Outcome)).value == "done" || next.text == "only")
}

// otherSideLast reports whether a sentence ends with the other side than that of a toe before it: should be left; it
// was the left one.
func (r *reader) otherSideLast(it *item, g *group) bool {
	i := it.index
	if !it.is(side) || r.words[i] != nil || i == 0 || it.from < g.first().from || len(g.sides) != 1 || g.both {
		return false
	}
	next := r.after(it, 1)
	last := r.lastOf(i) || next.says("1") && next.spelled && r.lastOf(i+1)
	denied := it.mark.not && r.items[i-1].text != "no"
	return last && !r.leaves(i) && !r.amounts(it.clause) && it.entry(side).value != string(g.sides[0]) && !denied
}

// reads are the words before what a text should have said: was med; should have been 2nd.
var reads = strings.Fields("was been be read meant actually really that")

// names reports whether an item says a digit or a border that a toe has.
func (g *group) names(it *item) bool {
	v := it.entries[0].value
	return slices.Contains(g.digits, record.Code(v)) || len(g.borders) > 0 && string(g.borders[0].border) == v
}

// takenBack are the words by which a note takes back what it said.
var takenBack = strings.Fields("wrong error oops correction sorry corrected mistake mistyped")

// leavers are the words of who left, or what was.
var leavers = strings.Fields("pt patient he she they then mum dad and was were be is nail plate it on")

// leaves reports whether a left is a verb where it stands: pt left; nail was left.
func (r *reader) leaves(i int) bool {
	should := i > 1 && r.items[i-1].text == "be" && r.items[i-2].text == "should" || i > 1 && r.items[i-1].text == "was" && slices.Contains([]string{".", ";", "it"}, r.items[i-2].text)
	return r.items[i].text == "left" && slices.Contains(leavers, r.items[i-1].text) && !should
}

// amounts reports whether a clause is of a drug or a tourniquet, whose side may be another's.
func (r *reader) amounts(clause int) bool {
	return slices.ContainsFunc(r.items, func(it *item) bool {
		return it.clause == clause && it.is(anaesthetic, injectWord, tourniquet, unitML, unitMin, unitSec)
	})
}

// tells reports whether an item of a column of sites is a word of the vocabulary of remarks that may yet say
// that another toe is meant, that this one was not operated on, or that another time is meant.
func (r *reader) tells(it *item) bool {
	before, next := r.neighbour(it.index, -1), r.neighbour(it.index, 1)
	ofOperation := slices.Contains(operations, it.text) && it.text != "nail" || it.is(procedure)
	switch {
	case r.tellsOfAnother(it, before, next), r.tellsOfNone(it, before):
		return true
	case before.denies() && ofOperation && !r.inStretchOf(it, r.past): // no treatment
		return true
	case strings.HasPrefix(it.text, "consent") && (before.denies() || next.denies()):
		return true
	}
	return r.lexicon.remarks[it.text] == "family and people" && before.says("for", "under")
}

// inStretchOf reports whether a word of the part of a text around an item is as told.
func (r *reader) inStretchOf(it *item, as func(*item) bool) bool {
	return slices.ContainsFunc(r.items, func(o *item) bool { return o.stretch == it.stretch && as(o) })
}

// says reports whether an item is there, and one of some words.
func (it *item) says(words ...string) bool { return it != nil && slices.Contains(words, it.text) }

// came are the words after somebody who came with a patient, or spoke of one.
var came = strings.Fields("came drove driving drives brought present attending attended here in rang phoned said says helps helping dresses")

// tellsOfAnother reports whether a word after a toe may be of another one: its neighbour; other toes affected;
// antibiotics first; only one done; for son.
func (r *reader) tellsOfAnother(it, before, next *item) bool {
	if !r.digitBefore(it) {
		return false
	}
	apart := r.items[it.index-1].stretch != it.stretch
	switch it.text {
	case "neighbour", "neighbours", "neighbor", "partner", "twin", "fellow":
		return !next.says(came...) && !before.says("with", "w", "by", "from", "via", "c")
	case "adjacent", "neighbouring", "lesser", "several", "many", "more", "other", "every", "some", "few", "most":
		return next.says("toe", "toes", "nail", "nails", "digit", "digits") && (before == nil || !before.is(nearWord))
	case "first":
		return r.items[it.index-1].text != "(" && (next == nil || !next.is(toeWord, nthWord, digit))
	case "1":
		return it.spelled && (before.says("only", "just") || next != nil && next.entry(class(Outcome)).value == "done")
	case "son", "daughter", "brother", "sister", "twins":
		return r.lastOf(it.index) && (apart || before.says("for", "of", "her", "his", "their", "under"))
	}
	return false
}

// tellsOfNone reports whether a word may say that nothing was done, or that somebody is to look again: sent home;
// not keen; BP too high; review only; check.
func (r *reader) tellsOfNone(it, before *item) bool {
	switch it.text {
	case "default":
		return true
	case "home":
		return before.says("sent", "went")
	case "stopped", "stop":
		return before.says("so")
	case "out":
		return before.says("pulled", "backed")
	case "only":
		return before.says("assessment", "review", "consultation", "opinion", "screening", "check", "back", "trimmed", "triage", "advice")
	case "check":
		return r.lastOf(it.index) && (it.index == 0 || r.items[it.index-1].stretch != it.stretch)
	case "keen", "sure", "happy", "ready", "willing":
		return before.denies()
	case "nervous", "anxious", "scared", "frightened", "unwell", "young", "high", "low", "infected", "swollen", "painful", "sore":
		return it.index > 0 && r.items[it.index-1].text == "too"
	}
	return false
}

// digitBefore reports whether a toe is named before an item.
func (r *reader) digitBefore(it *item) bool {
	return slices.ContainsFunc(r.items[:it.index], func(o *item) bool { return r.words[o.index] != nil && len(r.words[o.index].digit) > 0 })
}

// denies reports whether an item is a word that denies another.
func (it *item) denies() bool { return it != nil && it.is(notWord, notAfter) && it.text != "denies" }
