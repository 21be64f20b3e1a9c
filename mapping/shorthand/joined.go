package shorthand

import (
	"slices"
	"strings"

	"nailbridge/mapping/slip"
)

// spaced gives the words of a column of sites or of borders the spaces that they lack: those with
// full stops between them (right.great.toe., I.G.T.N.), and those that are run together (Rtbigtoe).
func (l *lexicon) spaced(ts []token) []token {
	return l.parted(l.undotted(l.initialed(ts)))
}

// initialed joins initials with full stops between them to the word that they are short for:
// I.G.T.N.; G.T.left.
func (l *lexicon) initialed(ts []token) []token {
	var out []token
	for i := 0; i < len(ts); {
		n, word := initials(ts, i)
		if _, phrase := l.match(ts, i); n == 0 || phrase > 1 || !l.isInitials(word) {
			out, i = append(out, ts[i]), i+1
			continue
		}
		t := ts[i]
		t.text, t.to = word, ts[i+n-1].to
		out, i = append(out, t), i+n
	}
	return out
}

// initials are the letters of the initials that begin at ts[i], and how many tokens they take with
// their full stops.
func initials(ts []token, i int) (n int, word string) {
	for k := i; k+1 < len(ts) && len(ts[k].text) == 1 && isLetter(ts[k].text) && ts[k+1].text == "." && ts[k+1].glued && (k == i || ts[k].glued); k += 2 {
		n, word = n+2, word+ts[k].text
	}
	if at := i + n; n > 0 && at < len(ts) && ts[at].glued && len(ts[at].text) == 1 && isLetter(ts[at].text) {
		n, word = n+1, word+ts[at].text // I.G.T.N
	}
	if len(word) < 2 {
		return 0, ""
	}
	return n, word
}

// isInitials reports whether initials are a word of a toe or of its disease.
func (l *lexicon) isInitials(word string) bool {
	return l.harmless[word] || slices.ContainsFunc(l.alone(word), func(e entry) bool {
		return slices.Contains([]class{sideDigit, digit, digits, ordinal, toeWord, vagueSite}, e.class)
	})
}

// undotted drops the full stops that stand for the spaces between the words of a toe:
// right.great.toe.
func (l *lexicon) undotted(ts []token) []token {
	var out []token
	for i, t := range ts {
		space := t.text == "." && t.glued && i > 0 && i+1 < len(ts) && ts[i+1].glued && l.besideStop(ts[i-1].text) && l.besideStop(ts[i+1].text)
		if !space {
			if n := len(out); n > 0 && i > 0 && ts[i-1].to != out[n-1].to {
				t.glued = false
			}
			out = append(out, t)
		}
	}
	return out
}

// besideStop reports whether a full stop beside a word of a toe may stand for a space.
func (l *lexicon) besideStop(word string) bool {
	return l.wordOfToe(word) || slices.Contains([]string{"l", "r", "nail", "nails", "both", "whole", "+", "&"}, word)
}

// denying drops the full stop that stands for the space after a word that denies: no.phenol.
func denying(ts []token) []token {
	var out []token
	for i, t := range ts {
		stop := t.text == "." && t.glued && i > 0 && i+1 < len(ts) && ts[i+1].glued && isLetter(ts[i+1].text)
		if !stop || !slices.Contains([]string{"no", "not", "nil", "non", "without"}, ts[i-1].text) {
			out = append(out, t)
		}
	}
	return out
}

// wordOfToe reports whether a word of at least two letters says a side, a digit or a border.
func (l *lexicon) wordOfToe(word string) bool {
	return len(word) > 1 && slices.ContainsFunc(l.alone(word), func(e entry) bool { return slices.Contains(runTogether, e.class) })
}

// runTogether are the classes of the words that may be run together.
var runTogether = []class{side, bothSides, digit, digits, ordinal, toeWord, footWord, border, borderWord}

// parted cuts an unknown word into the words of a toe that are run together in it, where all ways to
// do so say the same: Rtbigtoe, borderRt, wholenail.
func (l *lexicon) parted(ts []token) []token {
	var out []token
	for _, t := range ts {
		ways := l.cuts(t)
		other := func(ws []string) bool { return !slices.Equal(l.meaning(ws), l.meaning(ways[0])) }
		if len(ways) == 0 || slices.ContainsFunc(ways, other) {
			out = append(out, t)
			continue
		}
		for _, w := range ways[0] {
			part := t
			part.text, part.to, part.glued = w, t.from+len(w), t.glued
			out, t.from, t.glued = append(out, part), part.to, false
		}
	}
	return out
}

// cuts are the ways to cut an unknown word into words of a toe.
func (l *lexicon) cuts(t token) [][]string {
	known := len(l.phrases[t.text]) > 0 || l.slips.known[t.text] || l.harmless[t.text] || l.idle[t.text] || l.unslipped(t.text) != t.text
	slipOf := func(w string) bool { return slip.One(t.text, w) }
	if slices.ContainsFunc([]string{"great", "right", "first", "third"}, slipOf) { // rgeat
		return nil
	}
	if len(t.text) < 5 || t.to-t.from != len(t.text) || known || strings.Trim(t.text, "abcdefghijklmnopqrstuvwxyz") != "" {
		return nil
	}
	return slices.DeleteFunc(l.cutsOf(t.text), func(ws []string) bool { return len(ws) < 2 || len(ws) > 4 })
}

func (l *lexicon) cutsOf(word string) (out [][]string) {
	if word == "" {
		return [][]string{nil}
	}
	if word[0] == 'l' || word[0] == 'r' { // Lgreattoe
		for _, rest := range l.cutsOf(word[1:]) {
			if len(rest) > 0 && len(rest[0]) > 2 && slices.ContainsFunc(l.alone(rest[0]), func(e entry) bool { return e.class == digit || e.class == ordinal }) {
				out = append(out, append([]string{word[:1]}, rest...))
			}
		}
	}
	for n := 2; n <= len(word); n++ {
		if w := word[:n]; l.wordOfToe(w) && w != "ft" && w != "tn" || w == "nail" || w == "nails" || w == "plate" {
			for _, rest := range l.cutsOf(word[n:]) {
				out = append(out, append([]string{w}, rest...))
			}
		}
	}
	return out
}

// meaning are the sides, the digits and the borders that some words say.
func (l *lexicon) meaning(words []string) (out []string) {
	for _, w := range words {
		for _, e := range l.alone(w) {
			if e.value != "" && slices.Contains(runTogether, e.class) {
				out = append(out, e.value)
			}
		}
	}
	return out
}
