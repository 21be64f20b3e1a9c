package shorthand

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// tourniquets reads tourniquet times: the clock times and minutes of a clause that
// names a tourniquet, or of a column of tourniquets.
func (r *reader) tourniquets() {
	column := r.only(Tourniquet, On, Off, Minutes)
	for c := 0; len(r.items) > 0 && c <= r.items[len(r.items)-1].clause; c++ {
		scope := r.tourniquetScope(c, column)
		if len(scope) == 0 {
			continue
		}
		if i := slices.IndexFunc(scope, func(it *item) bool { return it.is(tourniquet) && !it.mark.not }); i >= 0 {
			rd := Reading{Kind: Tourniquet, Value: Value{Code: "used"}, Certainty: Certain, Rule: "tourniquet"}
			if unticked(scope) {
				rd.doubt("tourniquet.not-said")
			}
			r.add(rd, scope[i])
		}
		r.tourniquetTimes(scope, column)
	}
}

// tourniquetScope is what of a clause is about the tourniquet: from its name to the
// next drug, dressing or procedure.
func (r *reader) tourniquetScope(clause int, column bool) []*item {
	var out []*item
	for _, it := range r.items {
		if it.clause != clause {
			continue
		}
		begins := it.is(tourniquet) || column
		ends := it.is(anaesthetic, chemical, phenolAlc, procedure, class(Dressing))
		switch {
		case len(out) == 0 && begins, len(out) > 0 && !ends:
			out = append(out, it)
		case len(out) > 0:
			return out
		}
	}
	return out
}

// timesOf is where the reading of the times of a tourniquet stands.
type timesOf struct {
	scope  []*item
	column bool
	after  bool      // on and off stand after their times
	kind   Kind      // the word before the next time: on, off
	bare   []Reading // times with neither on nor off
	items  [][]*item // theirs
}

func (r *reader) tourniquetTimes(scope []*item, column bool) {
	t := &timesOf{scope: scope, column: column, after: namedAfter(scope, column)}
	for i := 0; i < len(scope); {
		n := 0
		for _, read := range []func(*timesOf, int) int{r.onOffWord, r.minutesRange, r.clockTime, r.minutesAlone, r.minutesTotal} {
			if n = read(t, i); n > 0 {
				break
			}
		}
		i += max(n, 1)
	}
	r.bareTimes(t.bare, t.items)
}

// onOffWord reads a word of on or off, and is how many items it takes.
func (r *reader) onOffWord(t *timesOf, i int) int {
	it := t.scope[i]
	switch {
	case t.after && it.is(onWord, offWord) && len(t.bare) > 0:
		last := len(t.bare) - 1
		rd, of := t.bare[last], t.items[last]
		if rd.Kind = Off; it.is(onWord) {
			rd.Kind = On
		}
		r.add(rd, append(slices.Clone(of), it)...)
		t.bare, t.items = t.bare[:last], t.items[:last]
	case t.kind != "" && it.is(unknownWord):
		r.add(Reading{Kind: t.kind, Certainty: Ambiguous, Rule: "tourniquet.not-recorded"}, it)
		t.kind = ""
	case onOff(t.scope[i:]): // on/off 13.10/13.22
		it.used = true
		return 3
	case it.is(onWord):
		it.used, t.kind = true, On
	case it.is(offWord):
		it.used, t.kind = true, Off
	default:
		return 0
	}
	return 1
}

// minutesRange reads a range of minutes, of which nobody knows which it was: 10-15 min.
func (r *reader) minutesRange(t *timesOf, i int) int {
	scope := t.scope
	_, n := rangeAt(scope[i:])
	if n == 0 || !scope[i+3].is(unitMin) {
		return 0
	}
	r.add(Reading{Kind: Minutes, Value: Value{Minutes: scope[i].text}, Certainty: Ambiguous, Rule: "tourniquet.range-of-minutes",
		Others: []Value{{Minutes: scope[i].text}, {Minutes: scope[i+2].text}}}, scope[i:i+n]...)
	return n
}

// clockTime reads a time of day, as that of the word before it.
func (r *reader) clockTime(t *timesOf, i int) int {
	at, n := clockAt(t.scope[i:], t.kind != "" || t.column || clockLike(t.scope, i))
	if n == 0 {
		return 0
	}
	of := t.scope[i : i+n]
	rd := Reading{Kind: t.kind, Value: Value{Time: at}, Certainty: Certain, Rule: "tourniquet.clock"}
	if half(at, of) {
		rd.Certainty, rd.Rule, rd.Others = Ambiguous, "tourniquet.half-day", []Value{{Time: at}, {Time: afternoon(at)}}
	}
	if t.kind == "" {
		t.bare, t.items = append(t.bare, rd), append(t.items, of)
	} else {
		r.add(rd, of...)
	}
	t.kind = ""
	return n
}

// minutesAlone reads a number of minutes.
func (r *reader) minutesAlone(t *timesOf, i int) int {
	scope := t.scope
	a, n := plainAt(scope[i:])
	if n != 2 || a.what != single || !scope[i+1].is(unitMin) {
		return 0
	}
	v, _ := decimal(scope[i].text)
	rd := Reading{Kind: Minutes, Value: Value{Minutes: v}, Certainty: Certain, Rule: "tourniquet.minutes"}
	if i > 0 && scope[i-1].is(lessWord, mostWord) || i+2 < len(scope) && scope[i+2].number && r.loose(scope[i+2]) || secondTerm(scope, i) { // 7 min 30
		rd.doubt("tourniquet.range-of-minutes")
	}
	r.add(rd, scope[i:i+n]...)
	return n
}

// minutesTotal reads a field of a column that says how long it was in all: Total: 13.
func (r *reader) minutesTotal(t *timesOf, i int) int {
	scope := t.scope
	if !t.column || !scope[i].is(totalWord) || i+2 >= len(scope) || scope[i+1].text != ":" || i+3 < len(scope) && scope[i+3].text != "|" {
		return 0
	}
	n, ok := wholeNumber(scope, i+2)
	if !ok {
		return 0
	}
	r.add(Reading{Kind: Minutes, Value: Value{Minutes: strconv.Itoa(n)}, Certainty: Certain, Rule: "tourniquet.minutes"}, scope[i:i+3]...)
	return 3
}

// unticked reports whether a form leaves both its answers as they were printed: y/n.
func unticked(it []*item) bool {
	for i := 0; i+2 < len(it); i++ {
		if yes, no := it[i].text, it[i+2].text; (yes == "y" || yes == "yes") && it[i+1].text == "/" && (no == "n" || no == "no") {
			return true
		}
	}
	return false
}

// secondTerm reports whether a number of minutes is one of two that a sign joins: 8+6 min.
func secondTerm(it []*item, i int) bool {
	return i > 1 && it[i-2].number && len(it[i-2].text) < 3 && !(i > 2 && it[i-3].text == ":") && (it[i-1].is(conj) || it[i-1].text == "/" || it[i-1].text == "," || it[i-1].text == "-")
}

// onOff reports whether on and off stand together before the times of both: on/off.
func onOff(it []*item) bool {
	return len(it) > 3 && it[0].is(onWord) && (it[1].is(conj) || it[1].text == "/" || it[1].text == "-") && it[2].is(offWord)
}

// namedAfter reports whether on and off stand after their times: 15.05 on / 15.18 off.
func namedAfter(scope []*item, column bool) bool {
	for i := range scope {
		if scope[i].is(onWord, offWord) {
			return false
		}
		if _, n := clockAt(scope[i:], column); n > 0 {
			for k := i + n; k < len(scope) && k <= i+n+1; k++ {
				if scope[k].is(onWord) {
					return true
				}
			}
			return false
		}
	}
	return false
}

// clockLike reports whether a number of a note is a time of day: right after the name of
// the tourniquet, or after another such time (tq 10.20-10.31).
func clockLike(scope []*item, i int) bool {
	text := scope[i].text
	if len(text) == 4 {
		text = text[:2] + "." + text[2:]
	}
	if len(text) != 5 || text[2] != '.' || text < "07.00" || text > "21.00" {
		return false
	}
	if i > 0 && (scope[i-1].is(tourniquet) || scope[i-1].is(side)) {
		return true
	}
	return i > 1 && (scope[i-1].text == "-" || scope[i-1].text == "to" || scope[i-1].text == "/") && clockLike(scope, i-2)
}

// half reports whether a time is one of the first hours, written without a zero
// before it and without am or pm: nobody operates at 1.50 in the night.
func half(t string, it []*item) bool {
	last := it[len(it)-1].text
	return t < "07:00" && it[0].text[0] != '0' && last != "am" && last != "pm" && last != "hrs" && last != "hr" && last != "h"
}

func afternoon(t string) string {
	h, _ := strconv.Atoi(t[:2])
	return fmt.Sprintf("%02d%s", h+12, t[2:])
}

// bareTimes reads two times without words as on and off; one alone says neither.
func (r *reader) bareTimes(bare []Reading, items [][]*item) {
	switch {
	case len(bare) == 4 && !slices.ContainsFunc(bare, func(rd Reading) bool { return rd.Certainty == Ambiguous }) &&
		slices.IsSortedFunc(bare, func(a, b Reading) int { return strings.Compare(a.Value.Time, b.Value.Time) }): // R 10.15-10.25 L 10.30-10.42
		r.bareTimes(bare[:2], items[:2])
		r.bareTimes(bare[2:], items[2:])
	case len(bare) == 2:
		bare[0].Kind, bare[1].Kind = On, Off
		for i := range bare {
			if bare[i].Certainty == Certain {
				bare[i].Rule = "tourniquet.range"
			}
			r.add(bare[i], items[i]...)
		}
	case len(bare) == 1 && len(r.text.Of(On)) == 1 && len(r.text.Of(Off)) == 0:
		bare[0].Kind, bare[0].Rule = Off, "tourniquet.range"
		r.add(bare[0], items[0]...)
	default:
		for i := range bare {
			bare[i].Kind, bare[i].Certainty, bare[i].Rule = On, Ambiguous, "tourniquet.which-time"
			r.add(bare[i], items[i]...)
		}
	}
}

// clockAt reads 10:05, 10.05, 10h05, 1005 (where a time is expected), and 5:10 pm, as hh:mm.
func clockAt(it []*item, expected bool) (string, int) {
	if !it[0].number {
		return "", 0
	}
	h, m, n := "", "", 0
	switch text := it[0].text; {
	case len(it) >= 3 && (it[1].text == ":" || it[1].text == "h" && it[1].glued) && it[2].number && len(it[2].text) == 2:
		h, m, n = text, it[2].text, 3
	case len(text) == 4 && expected && !strings.ContainsAny(text, ".,"):
		h, m, n = text[:2], text[2:], 1
	case strings.Count(text, ".") == 1 && expected:
		h, m, _ = strings.Cut(text, ".")
		n = 1
	}
	hh, err := strconv.Atoi(h)
	mm, err2 := strconv.Atoi(m)
	if n == 0 || err != nil || err2 != nil || len(m) != 2 || len(h) > 2 || hh > 23 || mm > 59 {
		return "", 0
	}
	if n < len(it) {
		switch it[n].text {
		case "pm", "am", "p", "a":
			if hh > 12 || hh == 0 {
				return "", 0
			}
			hh %= 12
			if it[n].text[0] == 'p' {
				hh += 12
			}
			n++
		case "hrs", "h", "hr":
			n++
		}
	}
	return fmt.Sprintf("%02d:%02d", hh, mm), n
}
