package shorthand

import (
	_ "embed"
	"slices"
	"strings"
)

// remarks.tsv holds the everyday words of a clinic that say nothing of a toe, by themes: theme, words.
//
//go:embed remarks.tsv
var remarksTSV string

// themesOf are the themes of the words of remarks.
func themesOf(tsv string) map[string]string {
	out := map[string]string{}
	for _, line := range strings.Split(strings.TrimSuffix(tsv, "\n"), "\n")[1:] {
		theme, words, _ := strings.Cut(line, "\t")
		for _, w := range strings.Fields(words) {
			out[w] = theme
		}
	}
	return out
}

// inRemark reports whether an unknown item of a column of sites is an everyday word of a remark that
// says nothing of the toe: R hallux lat, troublesome since Easter. The remark follows a whole toe, or
// stands in brackets before it; it names no toe, no side and no border, and nothing in it denies,
// corrects, plans or is over.
func (r *reader) inRemark(it *item) bool {
	if !r.siteColumn() || !r.saysNothing(it) || !r.besideToe(it) {
		return false
	}
	return !slices.ContainsFunc(r.remarkOf(it), func(o *item) bool { return r.names(o) || o.is(asking...) })
}

// asking are the classes of the words with which a remark may say that another toe is meant, or another
// time.
var asking = []class{notWord, notAfter, doubtWord, planWord, pastWord, pastAfter, convertWord, unknownWord, vagueSite, otherBorder, anyBorder, class(Outcome)}

// lastedFrom are the words before a season or a length of time that is over: a season alone may be
// when the toe is to be done.
var lastedFrom = []string{"since", "all", "every", "over", "many"}

// saysNothing reports whether a word is neutral where it stands.
func (r *reader) saysNothing(it *item) bool {
	before, next := r.neighbour(it.index, -1), r.neighbour(it.index, 1)
	switch {
	case it.text == "worse": // in football boots, and not than the other
		return next != nil && slices.Contains([]string{"in", "with", "at", "during"}, next.text)
	case it.text == "gp": // as a sender: R GP may be a slip of R GT
		return before != nil && slices.Contains([]string{"from", "by", "via", "to"}, before.text) || next != nil && strings.HasPrefix(next.text, "refer")
	case r.lexicon.remarks[it.text] == "season":
		return before != nil && slices.Contains(lastedFrom, before.text)
	case slices.Contains(indices, it.text): // TBI alone may be a slip of tib
		return next != nil && next.number
	}
	return r.lexicon.remarks[it.text] != ""
}

// names reports whether an item is a word of a toe or of a border.
func (r *reader) names(it *item) bool {
	return r.words[it.index] != nil || it.ofSite() && !r.nth(it)
}

// nth reports whether an item says how often something was: 3rd episode.
func (r *reader) nth(it *item) bool {
	next := r.neighbour(it.index, 1)
	return it.is(ordinal) && next != nil && next.is(nthWord)
}

// remarkOf are the items of the segment of a word, from the last word of a toe before it.
func (r *reader) remarkOf(it *item) []*item {
	items := r.segments[it.segment]
	for k := len(items) - 1; k >= 0; k-- {
		if items[k].from < it.from && r.names(items[k]) {
			return items[k+1:]
		}
	}
	return items
}

// besideToe reports whether the side and the digit of a toe stand before an item, or after its brackets.
func (r *reader) besideToe(it *item) bool {
	bracketed := r.inBrackets(it)
	sided, digited := false, false
	for i, m := range r.words {
		if m == nil || i > it.index && !bracketed {
			continue
		}
		sided, digited = sided || m.side != "" || m.both, digited || len(m.digit) > 0
	}
	return sided && digited
}

// inBrackets reports whether the last bracket before an item opens.
func (r *reader) inBrackets(it *item) bool {
	for k := it.index - 1; k >= 0; k-- {
		if t := r.items[k].text; t == "(" || t == ")" {
			return t == "("
		}
	}
	return false
}
