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

func (r *reader) tourniquetTimes(scope []*item, column bool) {
	var bare []Reading // times with neither on nor off
	var bareItems [][]*item
	kind := Kind("")
	after := namedAfter(scope, column)
	for i := 0; i < len(scope); {
		it := scope[i]
		switch {
		case after && it.is(onWord, offWord) && len(bare) > 0:
			rd, of := bare[len(bare)-1], bareItems[len(bare)-1]
			if rd.Kind = Off; it.is(onWord) {
				rd.Kind = On
			}
			r.add(rd, append(slices.Clone(of), it)...)
			bare, bareItems, i = bare[:len(bare)-1], bareItems[:len(bare)-1], i+1
			continue
		case kind != "" && it.is(unknownWord):
			r.add(Reading{Kind: kind, Certainty: Ambiguous, Rule: "tourniquet.not-recorded"}, it)
			kind, i = "", i+1
			continue
		case onOff(scope[i:]): // on/off 13.10/13.22
			it.used, i = true, i+3
			continue
		case it.is(onWord):
			it.used, kind, i = true, On, i+1
			continue
		case it.is(offWord):
			it.used, kind, i = true, Off, i+1
			continue
		}
		if _, n := rangeAt(scope[i:]); n > 0 && scope[i+3].is(unitMin) {
			r.add(Reading{Kind: Minutes, Value: Value{Minutes: scope[i].text}, Certainty: Ambiguous, Rule: "tourniquet.range-of-minutes",
				Others: []Value{{Minutes: scope[i].text}, {Minutes: scope[i+2].text}}}, scope[i:i+n]...)
			i += n
			continue
		}
		if t, n := clockAt(scope[i:], kind != "" || column || clockLike(scope, i)); n > 0 {
			rd := Reading{Kind: kind, Value: Value{Time: t}, Certainty: Certain, Rule: "tourniquet.clock"}
			if half(t, scope[i:i+n]) {
				rd.Certainty, rd.Rule, rd.Others = Ambiguous, "tourniquet.half-day", []Value{{Time: t}, {Time: afternoon(t)}}
			}
			if kind == "" {
				bare, bareItems = append(bare, rd), append(bareItems, scope[i:i+n])
			} else {
				r.add(rd, scope[i:i+n]...)
			}
			kind, i = "", i+n
			continue
		}
		if a, n := plainAt(scope[i:]); n == 2 && a.what == single && scope[i+1].is(unitMin) {
			v, _ := decimal(it.text)
			rd := Reading{Kind: Minutes, Value: Value{Minutes: v}, Certainty: Certain, Rule: "tourniquet.minutes"}
			if i > 0 && scope[i-1].is(lessWord, mostWord) || i+2 < len(scope) && scope[i+2].number && r.loose(scope[i+2]) || secondTerm(scope, i) { // 7 min 30
				rd.Certainty, rd.Rule, rd.Others = Ambiguous, "tourniquet.range-of-minutes", []Value{rd.Value}
			}
			r.add(rd, scope[i:i+n]...)
			i += n
			continue
		}
		if column && it.is(totalWord) && i+2 < len(scope) && scope[i+1].text == ":" && scope[i+2].number && (i+3 == len(scope) || scope[i+3].text == "|") {
			if n, ok := wholeNumber(scope, i+2); ok { // Total: 13
				r.add(Reading{Kind: Minutes, Value: Value{Minutes: strconv.Itoa(n)}, Certainty: Certain, Rule: "tourniquet.minutes"}, scope[i:i+3]...)
				i += 3
				continue
			}
		}
		i++
	}
	r.bareTimes(bare, bareItems)
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
