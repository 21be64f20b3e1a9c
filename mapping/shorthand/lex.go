package shorthand

import (
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
		case unicode.IsLetter(r):
			to = max(to, wordEnd(text, i))
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
	return joinCodes(out, text)
}

// counts are the numbers that are written out.
var counts = map[string]string{"one": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6"}

// spellings are short forms that stand for one word wherever they stand.
var spellings = map[string]string{
	"drsg": "dressing", "dressg": "dressing", "drsng": "dressing", "dsg": "dressing", "drsgs": "dressings",
	"appt": "appointment", "appts": "appointments", "treatmt": "treatment", "tx": "treatment",
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

// joinCodes makes one token of T and the digit glued to it, as HCPCS writes toes.
func joinCodes(ts []token, text string) []token {
	var out []token
	for i := 0; i < len(ts); i++ {
		t := ts[i]
		if t.text == "t" && (!t.glued || i > 0 && (ts[i-1].text == "-" || ts[i-1].text == "/" || ts[i-1].text == "," || ts[i-1].text == "(")) && i+1 < len(ts) && ts[i+1].glued && ts[i+1].number && len(ts[i+1].text) == 1 &&
			ts[i+1].text != "0" && (i+2 == len(ts) || !ts[i+2].glued || !ts[i+2].number && !isLetter(ts[i+2].text)) {
			t = token{text: lower(text[t.from:ts[i+1].to]), from: t.from, to: ts[i+1].to, glued: t.glued}
			i++
		}
		out = append(out, t)
	}
	return out
}

func isLetter(s string) bool {
	r, _ := utf8.DecodeRuneInString(s)
	return unicode.IsLetter(r)
}
