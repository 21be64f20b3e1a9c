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

// olds are what may be old and is no surgery.
var olds = strings.Fields("injury fracture trauma break footy football rugby sports crush wound scar stubbing")

// saysNothing reports whether a word is neutral where it stands.
func (r *reader) saysNothing(it *item) bool {
	before, next := r.neighbour(it.index, -1), r.neighbour(it.index, 1)
	switch {
	case it.text == "worse": // in football boots, and not than the other
		return next != nil && slices.Contains([]string{"in", "with", "at", "during"}, next.text)
	case it.text == "gp": // as a sender: R GP may be a slip of R GT
		return before != nil && slices.Contains([]string{"from", "by", "via", "to"}, before.text) || next != nil && (strings.HasPrefix(next.text, "refer") || slices.Contains([]string{"gave", "prescribed", "treated", "started", "tried"}, next.text))
	case it.text == "got": // stood on
		return next != nil && r.lexicon.remarks[next.text] != ""
	case it.text == "had": // med done 2019
		return next != nil && next.is(border, otherBorder)
	case it.text == "old": // injury
		return next != nil && slices.Contains(olds, next.text)
	case it.text == "after" || it.text == "post": // a pedicure
		if next != nil && next.text == "a" {
			next = r.neighbour(next.index, 1)
		}
		return next != nil && !slices.Contains([]string{"", "season", "small words", "drugs", "papers and payment"}, r.lexicon.remarks[next.text]) && !slices.Contains(occasions, next.text)
	case r.lexicon.remarks[it.text] == "season":
		return before != nil && slices.Contains(lastedFrom, before.text)
	case slices.Contains(indices, it.text): // TBI alone may be a slip of tib
		return next != nil && next.number
	}
	return r.lexicon.remarks[it.text] != ""
}

// occasions are what a surgery may be put off for: after the wedding.
var occasions = strings.Fields("work school college uni term shift exam exams wedding weddings prom holiday holidays trip trips travel travelling cruise game games match matches race races season gala concert festival flight birth baby delivery fasting pilgrimage funeral")

// toldOf reports whether an item of a column of sites is of how long a toe has been ill, how much it
// hurts, or how often something was taken for it, in a remark on a whole toe: since June; pain 8/10; abx x2.
func (r *reader) toldOf(it *item) bool {
	if !r.siteColumn() || !r.besideToe(it) || r.words[it.index] != nil {
		return false
	}
	return r.lasted(it) || r.ofPain(it) || r.taken(it)
}

// lastings are the words of a length of time, and aboutTime those that stand beside one that has passed.
var (
	lastings  = slices.Concat(spans, inYears, strings.Fields("d day days w decade decades"))
	aboutTime = strings.Fields("last about approx early late mid the past several many few couple of a now history")
	upToNow   = []string{"since", "for", "over"}
)

// ofTimePast reports whether an item is a word of a time or of its length, and of no toe.
func (r *reader) ofTimePast(o *item) bool {
	if r.words[o.index] != nil {
		return false
	}
	month := isLetter(o.text) && len(o.text) >= 3 && slices.Contains(months, o.text[:3]) && r.ofCalendar(o)
	return o.number || month || slices.Contains(lastings, o.text) || slices.Contains(aboutTime, o.text) || calendar.MatchString(o.text) || r.lexicon.remarks[o.text] == "season"
}

// lasted reports whether an item is of a run of words that say how long, or since when, and no more: for
// 3 yrs; 6 months history; since last June.
func (r *reader) lasted(it *item) bool {
	items := r.segments[it.segment]
	from := slices.Index(items, it)
	for from > 0 && r.ofTimePast(items[from]) {
		from--
	}
	begins := ""
	if slices.Contains(upToNow, items[from].text) {
		begins = items[from].text
	}
	if begins != "" || !r.ofTimePast(items[from]) {
		from++
	}
	long, to := false, from
	for ; to < len(items) && r.ofTimePast(items[to]); to++ {
		long = long || slices.Contains(lastings, items[to].text) || calendar.MatchString(items[to].text) && strings.Contains(items[to].text, "/")
	}
	if to == from || it.index > items[to-1].index {
		return false
	}
	return begins == "since" || long && (begins != "" || items[to-1].text == "history" || r.apartFrom(items[from], items[to-1]))
}

// apartFrom reports whether nothing but signs stands beside some items between their signs: R1 lat, 6/52.
func (r *reader) apartFrom(first, last *item) bool {
	return !slices.ContainsFunc(r.items, func(o *item) bool {
		beside := o.stretch == first.stretch && (o.index < first.index || o.index > last.index)
		return beside && (isLetter(o.text) || o.number || o.text == "" || o.text == "?")
	})
}

// ofPain reports whether an item is of a score of pain, of ten: 8/10; VAS 7.
func (r *reader) ofPain(it *item) bool {
	at := func(step int) string {
		if k := it.index + step; k >= 0 && k < len(r.items) {
			return r.items[k].text
		}
		return ""
	}
	before := r.neighbour(it.index, -1)
	tenth := strings.HasSuffix(it.text, "/10") || it.number && at(1) == "/" && at(2) == "10" || it.text == "10" && at(-1) == "/" || it.text == "/" && at(1) == "10"
	said := slices.ContainsFunc(r.segments[it.segment], func(o *item) bool {
		return slices.Contains([]string{"pain", "painful", "vas", "nrs", "score", "sore"}, o.text)
	})
	named := before != nil && slices.Contains([]string{"vas", "nrs", "score"}, before.text)
	return tenth && said || it.number && named || it.text == "vas" || it.text == "nrs"
}

// taken reports whether an item counts courses of a drug, or visits: abx x2; 3 courses of antibiotics.
func (r *reader) taken(it *item) bool {
	counted := func(o *item) bool {
		return o != nil && (r.lexicon.remarks[o.text] == "drugs" || slices.Contains([]string{"courses", "course", "rounds", "visits", "lots"}, o.text))
	}
	before, next := r.neighbour(it.index, -1), r.neighbour(it.index, 1)
	switch {
	case it.is(timesSign):
		return next != nil && next.number && (counted(before) || next.index+1 < len(r.items) && counted(r.items[next.index+1]))
	case it.number:
		return counted(next) || before != nil && before.is(timesSign) && r.taken(before)
	}
	return counted(it)
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
