package shorthand

import (
	"slices"
	"strings"
)

// labelUnits are the names of fields of a form that say what the number after them counts.
var labelUnits = map[string]string{"secs": "secs", "sec": "secs", "seconds": "secs", "secs each": "secs", "seconds each": "secs", "sec each": "secs",
	"mins": "mins", "min": "mins", "minutes": "mins", "mins each": "mins", "minutes each": "mins", "min each": "mins",
	"applications": "applications", "apps": "applications", "aps": "applications", "applications n": "applications", "apps n": "applications",
	"no of applications": "applications", "no of apps": "applications", "number of applications": "applications", "number of apps": "applications",
	"no applications": "applications", "no apps": "applications", "num applications": "applications", "num apps": "applications", "nr of applications": "applications",
	"applications no": "applications", "apps no": "applications", "application number": "applications", "# applications": "applications", "# apps": "applications", "# of applications": "applications",
	"vol": "ml", "volume": "ml", "vol given": "ml", "volume given": "ml", "vol used": "ml", "volume used": "ml", "total vol": "ml", "total volume": "ml",
	"conc": "%", "concentration": "%", "strength": "%", "%": "%", "percent": "%", "percentage": "%", "conc %": "%", "strength %": "%", "% strength": "%", "% conc": "%"}

// ofMatrixLabels are names of fields that count applications in a column of the matrix.
var ofMatrixLabels = setOf([]string{"number", "no", "count", "qty", "n", "times", "repeats", "swabs", "nr", "num"})

// timeLabels are the names of fields of a length of time that has its unit after it.
var timeLabels = setOf([]string{"time", "duration", "length", "exposure", "contact time", "exposure time", "application time", "each", "time each", "duration each", "each application", "each app",
	"time per application", "time per app", "duration per application", "length each", "length of each", "per application", "per app", "app time", "time on", "contact"})

// label is the name of a field at ts[i], in words, and how many tokens it takes with its sign.
func label(ts []token, i int, known func(string) bool) (name string, n int) {
	var words []string
	for k := i; k < len(ts) && k < i+8; k++ {
		switch t := ts[k]; {
		case t.text == ":" || t.text == "=":
			if name = strings.Join(words, " "); known(name) {
				return name, k + 1 - i
			}
			return "", 0
		case t.text == "." || t.text == "(" || t.text == ")":
		case isLetter(t.text) || t.text == "%" || t.text == "#":
			words = append(words, t.text)
		default:
			return "", 0
		}
	}
	return "", 0
}

// ownUnits are what follows a number that has a unit of its own, or is a term of more.
var ownUnits = append(slices.Clone(bracketUnits), "m", "hr", "hrs", "mg", "x", ":", "+", "of", "applications", "apps", "carts", "cart", "minute", "second")

// afterLabels puts the name of a field after its number, where it is the number's unit: Applications:
// 3, No. of apps: 2, Secs: 30, Vol: 3; and drops the name before a length of time that has its own:
// Time each: 1 min.
func afterLabels(ts []token, matrix bool) []token {
	unit := func(name string) string {
		if matrix && ofMatrixLabels[name] {
			return "applications"
		}
		return labelUnits[name]
	}
	var out []token
	for i := 0; i < len(ts); {
		name, n := label(ts, i, func(s string) bool { return unit(s) != "" || matrix && timeLabels[s] })
		at := i + n
		if n == 0 || at >= len(ts) || !ts[at].number || len(out) > 0 && out[len(out)-1].number {
			out, i = append(out, ts[i]), i+1
			continue
		}
		next := at+2 < len(ts) && (ts[at+2].text == ":" || ts[at+2].text == "=") // another label
		own := at+1 < len(ts) && slices.Contains(ownUnits, ts[at+1].text) && !next || at+2 < len(ts) && (ts[at+1].text == "-" || ts[at+1].text == "/") && ts[at+2].number
		switch u := unit(name); {
		case u != "" && !own:
			number, of := ts[at], ts[i]
			number.from, of.text, of.to, of.glued, of.number = ts[i].from, u, number.to, true, false
			out = append(out, number, of)
		case u == "" && own && slices.Contains(hyphenUnits[:10], ts[at+1].text):
			out = append(out, ts[at:at+2]...)
			if at++; (strings.Contains(name, "each") || strings.Contains(name, "per")) && (at+1 == len(ts) || ts[at+1].text != "x") {
				each := ts[at]
				each.text, each.glued = "each", false
				out = append(out, each)
			}
		default:
			out = append(out, ts[i:at+1]...)
		}
		i = at + 1
	}
	return out
}
