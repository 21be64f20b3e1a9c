package shorthand

import (
	"slices"
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
	known    bool // to the vocabulary

	beforeDigit bool // a number is glued to its end
	listed      bool // a sign of a list stands before it
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

// itemise finds the phrases of the vocabulary, and where clauses, segments and parts
// end.
func (l *lexicon) itemise(ts []token) []*item {
	var out []*item
	clause, segment, stretch, part := 0, 0, 0, 0
	for i := range ts {
		if isLetter(ts[i].text) {
			ts[i].text = l.unslipped(ts[i].text)
		}
	}
	for i := 0; i < len(ts); {
		entries, n := l.match(ts, i)
		it := &item{index: len(out), entries: entries, known: len(entries) > 0, text: ts[i].text, from: ts[i].from, to: ts[i+n-1].to, number: ts[i].number && n == 1,
			glued: ts[i].glued, spelled: ts[i].spelled, clause: clause, segment: segment, stretch: stretch, part: part}
		if n > 1 {
			it.text = ""
		}
		it.beforeDigit = i+n < len(ts) && ts[i+n].number && ts[i+n].glued
		it.listed = i > 0 && slices.Contains([]string{",", "/", "+", "&"}, ts[i-1].text)
		if n == 1 && ts[i].text == "ta" || len(ts[i].text) == 2 && ts[i].text[0] == 't' && isDigit(rune(ts[i].text[1])) {
			it.entries = []entry{{sideDigit, hcpcs(ts[i].text), "toe.hcpcs"}}
		}
		out = append(out, it)
		switch {
		case it.text == "." && it.glued && i+n < len(ts) && ts[i+n].glued && len(out) > 1 && out[len(out)-2].text == "no": // no.phenol
		case it.text == ";" || i+n < len(ts) && it.text == "." && (endsClause(out) && !goesOn(out, ts[i+n]) || l.startsMatter(ts, i+n)):
			clause, segment, stretch, part = clause+1, segment+1, stretch+1, part+1
		case it.text == "," || it.text == "|" || it.text == "(" || it.text == ")" || it.is(breakWord):
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
	at := len(items) - 2
	for at > 0 && items[at].text == "." && items[at+1].glued { // lat ... or med
		at--
	}
	before := items[at]
	short := len(before.text) <= 4 && before.text != ""
	return !(short && (before.is(side, ordinal, border, letter, digit, footWord, roman, unitMin, unitSec, unitML, bothSides, chemical, anaesthetic, unitApp, vaso, tourniquet) || before.text == "prev" || before.text == "hx"))
}

// goesOn reports whether a sentence goes on after a full stop: in small letters after
// a short word that the vocabulary does not know, "incl. PNA", with a sign or an "or", "lat sulc. + 2nd",
// or with an amount after a drug, "Lidoc. 2%".
func goesOn(items []*item, next token) bool {
	if len(items) < 2 {
		return false
	}
	before := items[len(items)-2]
	if next.text == "or" || next.text == "+" || next.text == "&" || before.is(anaesthetic, chemical) && next.number {
		return true
	}
	return len(before.entries) == 0 && isLetter(before.text) && len(before.text) <= 4 && next.small
}

// startsMatter reports whether another matter than a toe begins at ts[i], so that
// the full stop before it ends a clause after a short form too.
func (l *lexicon) startsMatter(ts []token, i int) bool {
	if i+1 < len(ts) && ts[i].number && slices.Contains([]string{"ml", "mls", "cc"}, ts[i+1].text) {
		return true // 30s. 3cc lido
	}
	if startsOther(ts, i) {
		return true
	}
	for i+1 < len(ts) && (ts[i].number || ts[i].text == "%") {
		i++
	}
	entries, _ := l.match(ts, i)
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
