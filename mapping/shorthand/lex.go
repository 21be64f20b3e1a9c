package shorthand

import (
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// token is a word, a number or one sign of a text, in small letters.
type token struct {
	text     string
	from, to int  // bytes of the text
	number   bool // begins with a digit
	glued    bool // nothing stands between it and the token before
	spelled  bool // written in letters
	small    bool // begins with a small letter
}

// lex cuts a text into tokens. Offsets are those of the text as it was sent.
func lex(text string) []token {
	var out []token
	end := -1
	for i := 0; i < len(text); {
		r, size := utf8.DecodeRuneInString(text[i:])
		r = plain(r)
		if unicode.IsSpace(r) {
			i += size
			continue
		}
		to := i + size
		number := isDigit(r) || r == '.' && i+1 < len(text) && isDigit(rune(text[i+1])) && end != i
		switch {
		case number:
			to = numberEnd(text, i)
			if o := ordinalEnd(text, to); o > 0 {
				to, number = o, false
			}
			if o := calendarEnd(text[i:]); o > 0 && (end != i || out[len(out)-1].text == "(") {
				to, number = i+o, false
			}
		case unicode.IsLetter(r) && diseaseCode.MatchString(text[i:]) && end != i:
			to = i + len(diseaseCode.FindString(text[i:]))
		case unicode.IsLetter(r):
			to = max(to, wordEnd(text, i))
			if n := len(out); endsInTimes(text, i, to) && (countedWords[lower(text[i:to-1])] || n > 0 && out[n-1].number && end == i) {
				to-- // 2.2mlx2, phenolx3
			}
		}
		word := lower(text[i:to])
		if s, ok := spellings[word]; ok {
			word = s
		}
		if n := counts[word]; n != "" {
			word, number = n, true
		}
		out = append(out, token{text: word, from: i, to: to, number: number, spelled: isLetter(text[i:to]), glued: end == i, small: unicode.IsLower(r)})
		end, i = to, to
	}
	return joinCodes(unhyphened(roughly(compounded(cubic(out)))), text)
}

// cubic joins the letters of c.c. after a number.
func cubic(ts []token) []token {
	var out []token
	for i := 0; i < len(ts); i++ {
		t := ts[i]
		if i > 0 && ts[i-1].number && t.text == "c" && gluedAt(ts, i+1, ".") && gluedAt(ts, i+2, "c") {
			if i += 2; gluedAt(ts, i+1, ".") {
				i++
			}
			t.text, t.to = "cc", ts[i].to
		}
		out = append(out, t)
	}
	return out
}

// gluedAt reports whether a token is of these letters, or this sign, and glued to the one before it.
func gluedAt(ts []token, k int, text string) bool {
	return k < len(ts) && ts[k].text == text && ts[k].glued
}

// roughly puts the ending of a number that is none exactly before it, as a word: 10ish.
func roughly(ts []token) []token {
	for i := 1; i < len(ts); i++ {
		if ts[i].text == "ish" && ts[i-1].number && ts[i].glued {
			ts[i-1], ts[i] = ts[i], ts[i-1]
			ts[i-1].text, ts[i-1].glued = "about", false
		}
	}
	return ts
}

// compounded joins the two words of a number that is written out: forty-five.
func compounded(ts []token) []token {
	var out []token
	for i := 0; i < len(ts); i++ {
		t, k := ts[i], i+1
		if k < len(ts) && ts[k].text == "-" {
			k++
		}
		if t.number && t.spelled && len(t.text) == 2 && t.text[1] == '0' && t.text != "10" && k < len(ts) && ts[k].number && ts[k].spelled && len(ts[k].text) == 1 {
			t.text, t.to, i = t.text[:1]+ts[k].text, ts[k].to, k
		}
		out = append(out, t)
	}
	return out
}

// unhyphened drops the hyphens between numbers and their units: three 1-min.
func unhyphened(ts []token) []token {
	var out []token
	for i, t := range ts {
		if n := len(out); n > 0 && i > 1 && ts[i-1].text == "-" && out[n-1].text == "-" && ts[i-2].text == "bi" && strings.HasPrefix(t.text, "lat") && t.glued {
			out = out[:n-1] // bi-lateral
			out[n-2].text, out[n-2].to = "bi"+t.text, t.to
			continue
		}
		between := t.text == "-" && i > 0 && ts[i-1].number && t.glued && i+1 < len(ts) && ts[i+1].glued
		if between && slices.Contains(hyphenUnits, ts[i+1].text) {
			out[len(out)-1].spelled = true // a count may stand before it: 3 30-second applications
			continue
		}
		out = append(out, t)
	}
	return out
}

// hyphenUnits are the units that a hyphen joins to their number.
var hyphenUnits = []string{"min", "mins", "minute", "minutes", "sec", "secs", "second", "seconds", "ml", "mls", "cc", "mg"}

// counts are the numbers that are written out.
var counts = map[string]string{"one": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6", "seven": "7", "eight": "8", "nine": "9", "ten": "10", "twelve": "12", "fifteen": "15",
	"eleven": "11", "twenty": "20", "thirty": "30", "forty": "40", "fifty": "50", "sixty": "60", "eighty": "80", "ninety": "90"}

// spellings are short forms that stand for one word wherever they stand.
var spellings = map[string]string{
	"drsg": "dressing", "dressg": "dressing", "drsng": "dressing", "dsg": "dressing", "drsgs": "dressings", "drssng": "dressing", "drssg": "dressing",
	"appt": "appointment", "appts": "appointments", "apptmt": "appointment", "treatmt": "treatment", "tx": "treatment", "thru": "through",
	"inf": "infection", "infn": "infection", "infx": "infection", "infxn": "infection", "infctn": "infection", "infec": "infection", "infect": "infection",
	"avuls": "avulsion", "avulsn": "avulsion", "avul": "avulsion", "avlsn": "avulsion", "avln": "avulsion", "avulsed": "avulsed",
	"totl": "total", "surg": "surgery", "proced": "procedure", "matrx": "matrix", "bandg": "bandage", "bdge": "bandage", "gze": "gauze", "gz": "gauze",
}

// plain turns the look-alikes of signs into the sign: no-break spaces, the sign
// of multiplication, typographic quotes and dashes.
func plain(r rune) rune {
	switch r {
	case '\u00a0', '\u202f', '\u2009':
		return ' '
	case '®': // what programs make of (R)
		return 'r'
	case '×', '✕':
		return 'x'
	case '’', '‘', '′':
		return '\''
	case '”', '“', '″':
		return '"'
	case '[', '{':
		return '('
	case ']', '}':
		return ')'
	case '–', '—', '−':
		return '-'
	}
	return r
}

func lower(s string) string { return strings.ToLower(strings.Map(plain, s)) }

func isDigit(r rune) bool { return r >= '0' && r <= '9' }

// numberEnd is where a number ends: digits, with points and commas inside.
func numberEnd(text string, i int) int {
	for i < len(text) {
		c := rune(text[i])
		inside := (c == '.' || c == ',') && i+1 < len(text) && isDigit(rune(text[i+1]))
		if !isDigit(c) && !inside {
			break
		}
		i++
	}
	return i
}

// countedWords are words that an x and a count are glued to.
var countedWords = map[string]bool{"phenol": true, "phen": true, "ph": true, "naoh": true, "tca": true, "dna": true, "fta": true, "pna": true, "tna": true,
	"cart": true, "carts": true, "apps": true, "min": true, "mins": true, "sec": true, "secs": true}

// endsInTimes reports whether a word of several letters ends in an x before a digit.
func endsInTimes(text string, from, to int) bool {
	return to-from > 1 && to < len(text) && (text[to-1] == 'x' || text[to-1] == 'X') && isDigit(rune(text[to]))
}

// ordinalEnd is where 1st, 2nd, 3rd, 4th or 5th ends, whose number ends at i;
// else 0.
func ordinalEnd(text string, i int) int {
	if i+2 > len(text) || i < 1 || i > 1 && isDigit(rune(text[i-2])) {
		return 0
	}
	switch strings.ToLower(text[i-1 : i+2]) {
	case "1st", "2nd", "3rd", "4th", "5th":
	default:
		return 0
	}
	if r, _ := utf8.DecodeRuneInString(text[i+2:]); unicode.IsLetter(r) && r != utf8.RuneError {
		return 0
	}
	return i + 2
}

// calendar are weeks, days and months in the trade's fractions (2/52, 3/7, 6/12), and
// dates.
var calendar = regexp.MustCompile(`^(\d{1,2}/(7|12|52)|(0?[1-9]|1[0-2])/(2\d|20\d\d)|` + strings.Join([]string{date("/"), date(`\.`), date("-")}, "|") + `)\b`)

// diseaseCode is a code of ICD-10 with its point: L60.0, which is no left toe.
var diseaseCode = regexp.MustCompile(`^[A-Za-z]\d\d\.\d{1,2}\b`)

// date is a day, a month and a year, as a regular expression.
func date(sep string) string {
	return `(0?[1-9]|[12]\d|3[01])` + sep + `(0?[1-9]|1[0-2])` + sep + `(\d\d|(19|20)\d\d)`
}

// calendarEnd is how long the length of time or the date is that a text begins with;
// else 0.
func calendarEnd(text string) int { return len(calendar.FindString(text)) }

// wordEnd is where a word ends: letters.
func wordEnd(text string, i int) int {
	for i < len(text) {
		r, size := utf8.DecodeRuneInString(text[i:])
		if !unicode.IsLetter(plain(r)) || plain(r) == 'x' && r != 'x' {
			break
		}
		i += size
	}
	return i
}

// joinCodes makes one token of T and the digit glued to it, as HCPCS writes toes, and of HbA1c.
func joinCodes(ts []token, text string) []token {
	var out []token
	for i := 0; i < len(ts); i++ {
		t := ts[i]
		if t.text == "t" && (!t.glued || i > 0 && (ts[i-1].text == "-" || ts[i-1].text == "/" || ts[i-1].text == "," || ts[i-1].text == "(")) && i+1 < len(ts) && ts[i+1].glued && ts[i+1].number && len(ts[i+1].text) == 1 &&
			ts[i+1].text != "0" && (i+2 == len(ts) || !ts[i+2].glued || !ts[i+2].number && !isLetter(ts[i+2].text)) {
			t = token{text: lower(text[t.from:ts[i+1].to]), from: t.from, to: ts[i+1].to, glued: t.glued}
			i++
		}
		if (t.text == "hba" || t.text == "a" && !t.glued) && gluedAt(ts, i+1, "1") && gluedAt(ts, i+2, "c") {
			t.text, t.to = "hba1c", ts[i+2].to // A1c too
			i += 2
		}
		out = append(out, t)
	}
	return out
}

func isLetter(s string) bool {
	r, _ := utf8.DecodeRuneInString(s)
	return unicode.IsLetter(r)
}

// fields are the names of the fields of a site that a form prints.
var fields = map[string]string{"foot": "side", "side": "side", "laterality": "side", "toe": "digit", "digit": "digit", "nail": "digit", "toenail": "digit",
	"border": "border", "edge": "border", "margin": "border", "sulcus": "border", "aspect": "border"}

// unlabelled drops the names of the fields of a form, and the semicolons before them,
// where a text names at least two: foot: L; digit: 1; border: lat.
func unlabelled(ts []token) []token {
	seen := map[string]bool{}
	dashes := dashedFields(ts)
	named := func(i int) bool {
		return i+1 < len(ts) && fields[ts[i].text] != "" && (ts[i+1].text == ":" || ts[i+1].text == "=" || dashes && ts[i+1].text == "-")
	}
	for i, t := range ts {
		if named(i) {
			seen[fields[t.text]] = true
		}
	}
	if len(seen) < 2 {
		return ts
	}
	var out []token
	for i, t := range ts {
		sign := i > 0 && named(i-1)
		between := (t.text == ";" || t.text == "," || t.text == "|") && named(i+1)
		if !named(i) && !sign && !between {
			out = append(out, t)
		}
	}
	return out
}

// dashedFields reports whether a text is a form that has a dash after the name of each of its
// three fields: Foot - R; Toe - 1; Border - lat.
func dashedFields(ts []token) bool {
	seen := map[string]bool{}
	for i, t := range ts[:max(0, len(ts)-1)] {
		if ts[i+1].text == "-" && (i == 0 || !isLetter(ts[i-1].text) && !ts[i-1].number) {
			seen[fields[t.text]] = true
		}
	}
	return seen["side"] && seen["digit"] && seen["border"]
}

// withoutShares drops the share of a plate, whose numbers are no toes: 1/3 of plate; R hallux
// lat 1/4.
func (l *lexicon) withoutShares(ts []token) []token {
	var out []token
	for i := 0; i < len(ts); i++ {
		if n := l.share(ts, i); n > 0 {
			i += n - 1
			continue
		}
		out = append(out, ts[i])
	}
	return out
}

// share is how many tokens the share of a plate takes that begins at ts[i]; else 0.
func (l *lexicon) share(ts []token, i int) int {
	ofToe := i == 0 || slices.Contains([]string{"l", "r", "left", "right", "lt", "rt", "foot", "toe", "toes", "digit", "digits", "and", "&", "+"}, ts[i-1].text) // L 1/2 nail
	if ofToe {
		return 0
	}
	of := i + 1
	if ts[i].text != "third" && ts[i].text != "quarter" && ts[i].text != "half" {
		if of = i + 3; of > len(ts) || ts[i].text != "1" || ts[i+1].text != "/" || !ts[i+2].number || !ts[i+2].glued {
			return 0
		}
	}
	end := of
	for end+1 < len(ts) && slices.Contains([]string{"of", "the", "nail"}, ts[end].text) {
		end++
	}
	switch {
	case end < len(ts) && slices.Contains([]string{"plate", "nail", "width"}, ts[end].text) && ts[i].number:
		return end + 1 - i
	case end > of && (ts[end-1].text == "nail" || end < len(ts) && ts[end].text == "plate") && ts[of].text == "of" && l.isBorder(ts[i-1]):
		return end - i // lateral third of the nail
	case l.borderOfToe(ts, i) && ts[of-1].text != "2" && (of == len(ts) || slices.Contains([]string{",", ";", ")", ".", "nail", "plate", "of"}, ts[of].text)):
		return of - i
	}
	return 0
}

// isBorder reports whether a word is a border, and no letter of one.
func (l *lexicon) isBorder(t token) bool {
	return len(t.text) > 1 && slices.ContainsFunc(l.alone(t.text), func(e entry) bool { return e.class == border })
}

// borderOfToe reports whether the border of a toe that a word names stands before ts[i].
func (l *lexicon) borderOfToe(ts []token, i int) bool {
	of, _, _ := l.pick(ts, i-1)
	return of == "border" && len(ts[i-1].text) > 1 && slices.ContainsFunc(ts[:i-1], func(t token) bool {
		return slices.ContainsFunc(l.alone(t.text), func(e entry) bool { return e.class == digit || e.class == ordinal || e.class == sideDigit })
	})
}

// unglued parts the border of one toe and the side of the next that are written together:
// L1LL2M.
func unglued(ts []token) []token {
	var out []token
	for i, t := range ts {
		digits := i > 0 && i+1 < len(ts) && ts[i-1].number && ts[i-1].glued && t.glued && ts[i+1].number && ts[i+1].glued
		if !digits || len(t.text) != 2 || !strings.Contains("lm", t.text[:1]) || !strings.Contains("lr", t.text[1:]) {
			out = append(out, t)
			continue
		}
		first, second := t, t
		first.text, first.to = t.text[:1], t.from+1
		second.text, second.from = t.text[1:], t.from+1
		out = append(out, first, second)
	}
	return out
}
