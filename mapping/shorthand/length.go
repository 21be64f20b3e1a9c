package shorthand

import (
	"math/big"
	"slices"
	"strconv"
)

// lengths makes one number of what is written as several: 1'30", 1 min 30 s and, in a
// column of matrix treatments, 1:30 are 90 s; 1 1/2 min and 1½ min are 1.5 min.
func lengths(ts []token, matrix bool) []token {
	ts = afterLabels(ts, matrix)
	var out []token
	for i := 0; i < len(ts); {
		made, n := minutesSeconds(ts[i:])
		if n == 0 && matrix && !ofClock(ts, i) {
			made, n = colonLength(ts[i:])
		}
		if n == 0 && i+1 < len(ts) && ts[i].text == "half" && slices.Contains(hyphenUnits[:6], ts[i+1].text) && (i == 0 || !slices.Contains([]string{"and", "&", "+", "a", "-"}, ts[i-1].text)) {
			half := ts[i] // half min
			half.text, half.number, half.spelled = "0.5", true, false
			made, n = []token{half}, 1
		}
		if n == 0 && !(i > 0 && ts[i-1].text == "x" && (i < 2 || !ts[i-2].number)) { // x1 1/2
			made, n = halves(ts[i:])
		}
		if n == 0 {
			made, n = ts[i:i+1], 1
		}
		out = append(out, made...)
		i += n
	}
	return out
}

// whole is the number of a token of few digits alone; -1 of others.
func (t token) whole() int {
	if n, err := strconv.Atoi(t.text); t.number && !t.spelled && err == nil && len(t.text) <= 2 {
		return n
	}
	return -1
}

// inSeconds are a number of seconds and its unit, read from some tokens.
func inSeconds(n int, of []token) []token {
	t := of[0]
	t.text, t.to = strconv.Itoa(n), of[len(of)-1].to
	unit := t
	unit.text, unit.number, unit.glued = "s", false, true
	return []token{t, unit}
}

// minutesSeconds reads 1'30", 1 min 30 s.
func minutesSeconds(ts []token) ([]token, int) {
	if len(ts) < 3 || ts[0].whole() < 1 || ts[2].whole() < 1 || ts[2].whole() > 59 {
		return nil, 0
	}
	sign := ts[1].text == "'" && ts[1].glued
	if !sign && !slices.Contains([]string{"min", "mins", "minute", "minutes"}, ts[1].text) && !(ts[1].text == "m" && ts[1].glued) {
		return nil, 0
	}
	n := 3
	switch {
	case n < len(ts) && slices.Contains([]string{"s", "sec", "secs", "second", "seconds", `"`}, ts[n].text):
		n++
	case sign && n+1 < len(ts) && ts[n].text == "'" && ts[n+1].text == "'":
		n += 2
	case sign && ts[2].glued && len(ts[2].text) == 2: // 1'30
	default:
		return nil, 0
	}
	if n < len(ts) && slices.Contains(pauses, ts[n].text) {
		return nil, 0
	}
	out := inSeconds(60*ts[0].whole()+ts[2].whole(), ts[:n])
	if ts[2].whole()%3 == 0 { // a decimal of minutes, as a tourniquet has them
		out[0].text = trimmed(big.NewRat(int64(60*ts[0].whole()+ts[2].whole()), 60))
		out[1].text = "min"
	}
	return out, n
}

// pauses are the words of a length of time that is between two others: 1 min, 30 s apart.
var pauses = []string{"apart", "between", "gap", "gaps", "interval", "intervals", "pause", "pauses", "rest", "break", "breaks"}

// colonLength reads 0:45 and 1:30 as minutes and seconds.
func colonLength(ts []token) ([]token, int) {
	if len(ts) < 3 || ts[1].text != ":" || !ts[1].glued || !ts[2].glued || len(ts[0].text) != 1 || len(ts[2].text) != 2 {
		return nil, 0
	}
	m, s := ts[0].whole(), ts[2].whole()
	if m < 0 || m > 5 || s < 0 || s > 59 || m+s == 0 || m > 0 && s%15 != 0 || len(ts) > 3 && ts[3].text == ":" {
		return nil, 0
	}
	n := 3
	if n < len(ts) && slices.Contains(hyphenUnits, ts[n].text) {
		n++
	}
	return inSeconds(60*m+s, ts[:n]), n
}

// ofClock reports whether a time of day stands at ts[i]: at 1:30, 1:15-1:30.
func ofClock(ts []token, i int) bool {
	before := i > 0 && slices.Contains([]string{"-", "at", "on", "off", "@", ":"}, ts[i-1].text)
	return before || i+3 < len(ts) && slices.Contains([]string{"-", "am", "pm"}, ts[i+3].text)
}

// halves reads 1 1/2 min, 1½ min, ½ min and 1/2 min.
func halves(ts []token) ([]token, int) {
	n, half := 0, ts[0]
	if half.whole() > 0 {
		n = 1
		if len(ts) > 2 && ts[1].text == "-" && ts[1].glued {
			n = 2
		}
	}
	switch {
	case n < len(ts) && ts[n].text == "½":
		n++
	case len(ts) > 3 && ts[0].text == "1" && ts[1].text == "/" && ts[2].text == "2" && ts[2].glued:
		n, half.text = 3, "0"
	case n > 0 && n+2 < len(ts) && ts[n].text == "1" && ts[n+1].text == "/" && ts[n+2].text == "2" && ts[n+2].glued:
		n += 3
	default:
		return nil, 0
	}
	if n == len(ts) || !slices.Contains(hyphenUnits, ts[n].text) {
		return nil, 0
	}
	if half.text != "0" {
		half.text = strconv.Itoa(max(0, ts[0].whole()))
	}
	half.text, half.number, half.to = half.text+".5", true, ts[n-1].to
	return []token{half}, n
}
