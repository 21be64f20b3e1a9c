package shorthand

import "slices"

// said are the words of what a record gives, after a "no" or a "not": border not stated.
var said = setOf([]string{"given", "stated", "recorded", "specified", "noted", "written", "documented", "entered", "ticked", "selected", "indicated", "marked", "mentioned",
	"filled", "completed", "said", "named", "circled", "chosen", "provided", "listed", "logged", "shown", "down", "info", "information", "detail", "details", "specific", "dictated"})

// blanks are the answers of a field of a form that nobody filled in.
var blanks = setOf([]string{"blank", "empty", "missing", "illegible", "unreadable", "unspecified", "unstated", "unrecorded", "unnamed", "undocumented", "smudged", "unknown", "nk", "nr", "ns"})

// drawings are what shows a border that the words do not say.
var drawings = setOf([]string{"diagram", "drawing", "sketch", "picture", "photo", "chart", "card", "map", "image", "pic", "form", "notes", "letter", "sheet", "consent", "figure"})

// edges are the words for the border of a nail that are of no foot.
var edges = setOf([]string{"border", "borders", "edge", "edges", "margin", "margins", "sulcus", "sulci", "aspect", "bdr", "brdr", "groove"})

// withoutUnsaid drops the remark of a column of sites that the border is not told, where the text
// names none: left big toe, no border given; Border = blank; (border as per diagram). A "side" that is
// not told is of the foot.
func (l *lexicon) withoutUnsaid(ts []token) []token {
	if slices.ContainsFunc(ts, l.namesBorder) {
		return ts
	}
	var out []token
	for i := 0; i < len(ts); i++ {
		n := unsaidBorder(ts, i)
		if n == 0 {
			out = append(out, ts[i])
			continue
		}
		i += n - 1
	}
	return out
}

// namesBorder reports whether a token says a border, or may.
func (l *lexicon) namesBorder(t token) bool {
	return slices.ContainsFunc(l.alone(l.unslipped(t.text)), func(e entry) bool {
		return slices.Contains([]class{border, letter, vagueBorder, vagueBoth, nearWord, otherBorder}, e.class)
	})
}

// unsaidBorder is how many tokens the remark takes that begins at ts[i] and ends where a part of the
// text does; else 0.
func unsaidBorder(ts []token, i int) int {
	if i > 0 && ts[i-1].text != "toe" && ts[i-1].text != "hallux" && (isLetter(ts[i-1].text) || ts[i-1].number) {
		return 0 // other border not stated
	}
	k := i
	skip := func(words ...string) bool {
		ok := k < len(ts) && slices.Contains(words, ts[k].text)
		if ok {
			k++
		}
		return ok
	}
	no := skip("no")
	if skip("nail"); k >= len(ts) || !edges[ts[k].text] {
		return 0
	}
	k++
	for skip(":", "=", "-", "is", "was", "being", "left", "field") {
	}
	if no = skip("not", "never") || no; !tells(ts, &k, no) {
		return 0
	}
	skip("in", "on", "by")
	skip("the")
	skip("referral")
	if k < len(ts) && drawings[ts[k].text] {
		k++
	}
	if k < len(ts) && !slices.Contains([]string{",", ";", ")", ".", "|", "-"}, ts[k].text) {
		return 0
	}
	return k - i
}

// tells reports whether the words at ts[*k] say that a border is not told, or where it is drawn, and
// moves behind them.
func tells(ts []token, k *int, no bool) bool {
	at := func(words map[string]bool) bool { return *k < len(ts) && words[ts[*k].text] }
	switch {
	case no && at(said), !no && at(blanks):
		*k++
		return true
	case !no && *k+2 < len(ts) && ts[*k].text == "n" && ts[*k+1].text == "/" && slices.Contains([]string{"r", "k", "s", "a"}, ts[*k+2].text):
		*k += 3
		return true
	case no:
		return *k == len(ts) || !isLetter(ts[*k].text) && !ts[*k].number
	}
	from := *k
	for *k < len(ts) && slices.Contains([]string{"as", "per", "see", "on", "in", "drawn", "shown", "marked"}, ts[*k].text) {
		*k++
	}
	if *k == from {
		return false
	}
	if *k < len(ts) && ts[*k].text == "the" {
		*k++
	}
	if !at(drawings) {
		return false
	}
	*k++
	return true
}

// sittings are the words for one visit.
var sittings = []string{"session", "visit", "sitting", "day", "appointment", "appt", "occasion", "go"}

// sameSitting makes one toe after another two toes, where a column of sites says that both were done
// at one visit: hallux lat, L then R same session.
func sameSitting(ts []token) []token {
	at, n := 0, 0
	for i := 0; i+1 < len(ts); i++ {
		if (ts[i].text == "same" || ts[i].text == "single" || ts[i].text == "1" && ts[i].spelled) && slices.Contains(sittings, ts[i+1].text) {
			at, n = i, 2
			for at > 0 && slices.Contains([]string{"at", "in", "on", "the", "all", "both", "done"}, ts[at-1].text) {
				at, n = at-1, n+1
			}
		}
	}
	if n == 0 {
		return ts
	}
	out := slices.Concat(ts[:at], ts[at+n:])
	if then := slices.IndexFunc(out, func(t token) bool { return t.text == "then" }); then > 0 && out[0].text == "first" {
		out = out[1:] // first L hallux lat, then R
	}
	for i := range out {
		if out[i].text == "then" {
			out[i].text = "and"
		}
	}
	return out
}
