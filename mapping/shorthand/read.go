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
	clause   int
	segment  int
	part     int // what amounts belong together
	mark     mark
	used     bool
}

// mark says that something beside a phrase keeps it from being certain.
type mark struct {
	not   bool // negated: not read
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
	r.items = itemise(lex(text))
	for _, it := range r.items {
		if it.segment == len(r.segments) {
			r.segments = append(r.segments, nil)
		}
		r.segments[it.segment] = append(r.segments[it.segment], it)
	}
	r.markAll()
	if r.wants(Site) || r.wants(Border) {
		r.sites()
	}
	r.codes()
	r.drugs()
	if r.wants(Tourniquet) {
		r.tourniquets()
	}
	r.settle()
	return r.text
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
	clause, segment, part := 0, 0, 0
	for i := 0; i < len(ts); {
		entries, n := match(ts, i)
		it := &item{index: len(out), entries: entries, text: ts[i].text, from: ts[i].from, to: ts[i+n-1].to, number: ts[i].number && n == 1,
			glued: ts[i].glued, clause: clause, segment: segment, part: part}
		if n > 1 {
			it.text = ""
		}
		if n == 1 && ts[i].text == "ta" || len(ts[i].text) == 2 && ts[i].text[0] == 't' && isDigit(rune(ts[i].text[1])) {
			it.entries = []entry{{sideDigit, hcpcs(ts[i].text), "toe.hcpcs"}}
		}
		out = append(out, it)
		switch {
		case it.text == ";" || i+n < len(ts) && it.text == "." && endsClause(out):
			clause, segment, part = clause+1, segment+1, part+1
		case it.text == "," || it.text == "(" || it.text == ")" || it.is(breakWord):
			segment, part = segment+1, part+1
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
	short := len(before.text) <= 4
	return !(short && before.is(side, ordinal, border, letter, digit, unitMin, unitSec, unitML, bothSides, chemical, anaesthetic, unitApp, vaso, tourniquet, pastWord))
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
		switch {
		case it.is(doubtWord):
			r.eachOf(it.segment, func(o *item) { o.mark.doubt = true })
		case it.is(pastWord):
			r.eachOf(it.segment, func(o *item) { o.mark.past = true })
		case it.is(planWord):
			if it.text == "for" && i+1 < len(r.items) && r.items[i+1].number {
				continue
			}
			r.eachOf(it.segment, func(o *item) { o.mark.plan = o.mark.plan || o.from > it.from })
		case it.is(notWord):
			for _, o := range r.items[i+1:] {
				if o.segment != it.segment {
					break
				}
				o.mark.not = true
				if len(o.entries) > 0 && !o.is(filler, conj) {
					break
				}
			}
		}
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
	r.text.Readings = contradictions(out)
	for _, it := range r.items {
		if it.unread() {
			r.text.Unread = append(r.text.Unread, Span{it.from, it.to})
		}
	}
}

// unread reports whether an item says something that no reading took.
func (it *item) unread() bool {
	small := it.is(filler, conj, borderWord, toeWord, footWord, notWord, pastWord, planWord, doubtWord, breakWord, injectWord, timesSign, totalWord)
	return !it.used && !small && (len(it.entries) > 0 || it.number || isLetter(it.text))
}

// one answers a single question each: two answers contradict each other.
var one = []Kind{Attendance, Wound, Exudate, Regrowth, Discharge, Outcome, Tourniquet, On, Off, Minutes}

func contradictions(rs []Reading) []Reading {
	for _, k := range one {
		var vs []Value
		for _, rd := range rs {
			if rd.Kind == k && rd.Certainty != Ambiguous {
				vs = append(vs, rd.Value)
			}
		}
		if len(vs) < 2 {
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

// coded are the kinds whose class in the vocabulary bears their name.
var coded = []Kind{Procedure, Method, Flush, Dressing, Attendance, Wound, Exudate, Finding, Diagnosis, Regrowth, Discharge, Outcome}

// codes reads the kinds that are a value of a closed list.
func (r *reader) codes() {
	for _, it := range r.items {
		if it.mark.not {
			continue
		}
		for _, e := range it.entries {
			k := Kind(e.class)
			switch {
			case e.class == vague:
				r.vague(it, e)
			case e.class == noTourni && r.wants(Tourniquet):
				r.add(Reading{Kind: Tourniquet, Value: Value{Code: "not-used"}, Certainty: Certain, Rule: e.rule}, it)
			case slices.Contains(coded, k) && r.wants(k):
				r.add(Reading{Kind: k, Value: Value{Code: record.Code(e.value)}, Certainty: Certain, Rule: e.rule}, it)
				if e.class == class(Discharge) && e.value == "healed" && r.wants(Wound) {
					r.add(Reading{Kind: Wound, Value: Value{Code: "healed"}, Certainty: Certain, Rule: e.rule}, it)
				}
			}
		}
	}
}

// vague reads a phrase of several meanings: "kind code|kind code".
func (r *reader) vague(it *item, e entry) {
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
