package shorthand

import (
	"slices"
	"strings"
)

// ofPick are the classes of the words of a list to pick a toe from, by what they say: two of
// one are two toes, or two borders.
var ofPick = map[class]string{side: "side", digit: "digit", ordinal: "digit", border: "border", footWord: "", toeWord: "", borderWord: "", filler: ""}

// pick is what a phrase at ts[i] says in a list to pick from, and how many tokens it takes;
// it is not ok where it says anything else.
func (l *lexicon) pick(ts []token, i int) (of string, n int, ok bool) {
	entries, n := l.match(ts, i)
	for _, e := range entries {
		if what, in := ofPick[e.class]; in && (!ok || of == "") {
			of, ok = what, true
		}
	}
	return of, n, ok
}

// unlisted drops the signs between the fields of a list to pick from, where each field is a
// side, a digit or a border alone, and none is named twice: LEFT;HALLUX;MEDIAL, Right foot >
// 1st digit > lateral.
func (l *lexicon) unlisted(ts []token) []token {
	var out []token
	seen := map[string]bool{}
	for i := 0; i < len(ts); {
		of, n, ok := l.pick(ts, i)
		short := len(ts[i].text) < 2 && of != "side"
		if !ok || of != "" && (seen[of] || short) {
			return ts
		}
		seen[of] = of != "" || seen[of]
		out = append(out, ts[i:i+n]...)
		for i += n; i+1 < len(ts) && slices.Contains([]string{";", "|", ">", "/", "-", "="}, ts[i].text); {
			i++
		}
	}
	return out
}

// unquoted drops the quotation marks and the stars of a column of sites.
func unquoted(ts []token) []token {
	return slices.DeleteFunc(slices.Clone(ts), func(t token) bool { return t.text == `"` || t.text == "*" })
}

// unnumbered drops the numbers of a list, which are no toes: 1) R hallux lat 2) L hallux med; site
// 1: R hallux. The list begins with its first, at the start of the text or before a second; its
// entries between colons, slashes or dashes name their toes in words.
func (l *lexicon) unnumbered(ts []token) []token {
	first, sign := -1, ""
	for i := range ts {
		if n, which, of := entryOf(ts, i); n > 0 && which == 0 && first < 0 && (i == 0 || l.goesOnWith(ts, i+n, of)) {
			first, sign = i, of
		}
	}
	if first < 0 || (strings.Contains(":/-", sign) && !l.goesOnWith(ts, first, sign)) {
		return ts
	}
	out := slices.Clone(ts[:first])
	for i, next := first, 0; i < len(ts); {
		n, which, of := entryOf(ts, i)
		if n == 0 || which != next || of != sign {
			out, i = append(out, ts[i]), i+1
			continue
		}
		if next++; len(out) > 0 && out[len(out)-1].text != ";" {
			end := ts[i]
			end.text, end.number = ";", false
			out = append(out, end)
		}
		i += n
	}
	return out
}

// goesOnWith reports whether a second entry of a list, with the same sign, follows; its entries
// between colons, slashes or dashes name a toe in words.
func (l *lexicon) goesOnWith(ts []token, from int, sign string) bool {
	for i := from; i < len(ts); i++ {
		if n, which, of := entryOf(ts, i); n > 0 && which == 1 && of == sign {
			return !strings.Contains(":/-", sign) || l.namesToe(ts[:i]) && l.namesToe(ts[i+n:])
		}
	}
	return false
}

// namesToe reports whether tokens name a toe in words.
func (l *lexicon) namesToe(ts []token) bool {
	return slices.ContainsFunc(ts, func(t token) bool {
		return slices.ContainsFunc(l.alone(t.text), func(e entry) bool { return e.class == digit || e.class == ordinal })
	})
}

// entriesOf are the numbers of the entries of lists.
var entriesOf = [][]string{{"1", "2", "3", "4", "5"}, {"a", "b", "c", "d", "e"}, {"i", "ii", "iii", "iv", "v"}, {"1st", "2nd", "3rd", "4th", "5th"}}

// entryOf is how many tokens the number of an entry of a list takes at ts[i], which it is, from 0
// on, and its sign; 0 tokens where none stands there.
func entryOf(ts []token, i int) (n, which int, sign string) {
	start := i
	if i+2 < len(ts) && slices.Contains([]string{"site", "#", "(", "no"}, ts[i].text) {
		if i++; ts[i].text == "." {
			i++
		}
	}
	if i+2 >= len(ts) || i > start && ts[start].text == "(" && ts[i+1].text != ")" || i > 0 && ts[i-1].number {
		return 0, 0, ""
	}
	for _, of := range entriesOf {
		if which = slices.Index(of, ts[i].text); which < 0 {
			continue
		}
		sign = ts[i+1].text
		switch {
		case sign == ")" && (i == start || ts[start].text == "(") && !(i > 0 && i == start && ts[i-1].text == "("), sign == "." && !ts[i+2].glued, slices.Contains([]string{":", "/", "-"}, sign) && !ts[i+2].number:
			return i + 2 - start, which, sign
		case i > start && (ts[start].text == "#" || ts[start].text == "no"):
			return i + 1 - start, which, "#"
		}
	}
	return 0, 0, ""
}

// box is a box to tick, with the tokens that it takes.
type box struct {
	at, to int
	ticked bool
}

// boxes are the boxes of a text: [x], [ ] and signs of them.
func boxes(ts []token) (out []box) {
	for i, t := range ts {
		at := func(k int, texts ...string) bool { return i+k < len(ts) && slices.Contains(texts, ts[i+k].text) }
		switch {
		case t.text == "☐":
			out = append(out, box{i, i + 1, false})
		case t.text == "☑" || t.text == "☒":
			out = append(out, box{i, i + 1, true})
		case t.text == "(" && at(1, ")"):
			out = append(out, box{i, i + 2, false})
		case t.text == "(" && at(1, "x", "✓", "✔") && at(2, ")"):
			out = append(out, box{i, i + 3, true})
		}
	}
	return out
}

// ticked leaves of a list of boxes, each before its label or each after it, the labels that
// are ticked: [x] Left [ ] Right [x] Hallux. What is not ticked must be a side, a digit or a
// border and no more, or the list is left as it is.
func (l *lexicon) ticked(ts []token) []token {
	bs := boxes(ts)
	if len(bs) < 2 || !slices.ContainsFunc(bs, func(b box) bool { return b.ticked }) {
		return ts
	}
	leads, ends := bs[0].at == 0, bs[len(bs)-1].to == len(ts)
	headed := !leads && !ends && l.isLabel(ts[:bs[0].at]) && slices.Contains([]string{":", "-"}, ts[bs[0].at-1].text) // L hallux: [x] med [ ] lat
	if leads = leads || headed; leads == ends {
		return ts
	}
	var out []token
	if headed {
		out = slices.Clone(ts[:bs[0].at])
	}
	for i, b := range bs {
		from, to := b.to, len(ts) // of the label
		switch {
		case leads && i+1 < len(bs):
			to = bs[i+1].at
		case ends && i == 0:
			from, to = 0, b.at
		case ends:
			from, to = bs[i-1].to, b.at
		}
		label := ts[from:to]
		if !l.isLabel(label) {
			return ts
		}
		if !b.ticked {
			rest, ok := l.besideBox(label, ts, bs, i, leads)
			if !ok {
				return ts
			}
			label = rest
		}
		out = append(out, label...)
	}
	return out
}

// besideBox are the words beside a box at the end of a list, or before its start, that are of no box:
// the hallux of "[ ] R [x] L hallux" and of "L hallux: lat [ ] med [x]". A box whose label says other
// things than its neighbour's leaves the list as it is.
func (l *lexicon) besideBox(label, ts []token, bs []box, i int, leads bool) (rest []token, ok bool) {
	own, n := l.saysOf(label)
	if n < 2 || len(bs) < 2 {
		return nil, true
	}
	edge := leads && i == len(bs)-1 || !leads && i == 0
	of := ts[bs[0].to:bs[1].at] // the label of one of the two first
	if leads && i > 0 {
		of = ts[bs[i-1].to:bs[i].at]
	}
	beside, _ := l.saysOf(of)
	if slices.Equal(own, beside) {
		return nil, true
	}
	if !edge || len(beside) != 1 || !slices.Contains(own, beside[0]) {
		return nil, false
	}
	for k := 0; k < len(label); {
		what, n, _ := l.pick(label, k)
		if what != beside[0] {
			rest = append(rest, label[k:k+n]...)
		}
		k += n
	}
	return rest, true
}

// saysOf is what the words of a label say, each once, and how many of them say something.
func (l *lexicon) saysOf(label []token) (of []string, n int) {
	for k := 0; k < len(label); {
		what, took, _ := l.pick(label, k)
		if what != "" {
			if n++; !slices.Contains(of, what) {
				of = append(of, what)
			}
		}
		k += took
	}
	slices.Sort(of)
	return of, n
}

// isLabel reports whether tokens name no more than sides, digits and borders.
func (l *lexicon) isLabel(ts []token) bool {
	for i := 0; i < len(ts); {
		if slices.Contains([]string{":", ",", ";", "|", "-"}, ts[i].text) {
			i++
			continue
		}
		_, n, ok := l.pick(ts, i)
		if !ok && ts[i].text != "both" && ts[i].text != "neither" {
			return false
		}
		i += n
	}
	return len(ts) > 0
}

// arrowed makes commas of the signs of a list to pick from whose fields say more than a word each, where
// no side, digit or border is named twice: Hallux, left > Nail edge: lateral. R hallux > L hallux is no
// such list.
func (l *lexicon) arrowed(ts []token) []token {
	seen := map[string]bool{}
	for i := 0; i < len(ts); {
		of, n, _ := l.pick(ts, i)
		if of != "" && seen[of] {
			return ts
		}
		seen[of] = true
		i += n
	}
	for i := range ts {
		if ts[i].text == ">" {
			ts[i].text = ","
		}
	}
	return ts
}

// bracketUnits are the units that a label names in brackets before its number.
var bracketUnits = []string{"ml", "mls", "cc", "%", "s", "sec", "secs", "seconds", "min", "mins", "minutes"}

// unitsOfLabels puts a unit that a label names in brackets after its number: Vol (ml): 3.5.
func unitsOfLabels(ts []token) []token {
	var out []token
	for i := 0; i < len(ts); i++ {
		k := i + 3
		if k >= len(ts) || ts[i].text != "(" || !slices.Contains(bracketUnits, ts[i+1].text) || ts[i+2].text != ")" {
			out = append(out, ts[i])
			continue
		}
		if (ts[k].text == ":" || ts[k].text == "=") && k+1 < len(ts) {
			k++
		}
		if !ts[k].number {
			out = append(out, ts[i])
			continue
		}
		out = append(out, ts[k])
		if k+1 == len(ts) || !slices.Contains(bracketUnits, ts[k+1].text) {
			unit := ts[i+1]
			unit.glued = false
			out = append(out, unit)
		}
		i = k
	}
	return out
}

// answers are what stands after each border of a form, by what it says of it.
var answers = map[string]bool{"yes": true, "y": true, "✓": true, "✔": true, "☑": true, "no": false, "n": false, "☐": false, "✗": false, "✘": false}

// answered leaves of borders, or of sides, each of which has an answer those that have a yes, and lets
// the others be: medial: yes, lateral: no; L ✓ R ✗. One without an answer leaves the text as it is.
func (l *lexicon) answered(ts []token, what string) []token {
	var out []token
	yes, said := 0, 0
	for i := 0; i < len(ts); {
		of, n, _ := l.pick(ts, i)
		if of != what {
			out, i = append(out, ts[i]), i+1
			continue
		}
		k := i + n
		if k < len(ts) && slices.Contains([]string{":", "=", "-", "/"}, ts[k].text) {
			k++
		}
		if k >= len(ts) || len(ts[i].text) < 3 && isLetter(ts[k].text) {
			return ts
		}
		answer, ok := answers[ts[k].text]
		if !ok {
			return ts
		}
		if said++; answer {
			if yes++; yes > 1 && what == "side" {
				and := ts[k]
				and.text = "&"
				out = append(out, and)
			}
			out = append(out, ts[i:i+n]...)
		}
		i = k + 1
	}
	if said < 2 || yes == 0 {
		return ts
	}
	return out
}

// confirmed drops the ticks of a text that names no side, no digit and no border twice, so that they
// choose none: R hallux lat ✓; R ✓ hallux ✓.
func (l *lexicon) confirmed(ts []token) []token {
	var out []token
	seen := map[string]bool{}
	for i := 0; i < len(ts); {
		of, n, _ := l.pick(ts, i)
		switch {
		case of == "" && ts[i].number:
			of = "digit"
		case of == "" && l.saysBorder(ts, i):
			of = "border"
		}
		answer, ok := answers[ts[i].text]
		tick := ok && answer && !isLetter(ts[i].text)
		switch last := len(out) - 1; {
		case of != "" && seen[of] || ok && !answer || tick && len(out) == 0 || ts[i].text == "(":
			return ts
		case tick && out[last].text == "/":
			out = out[:last]
		case !tick:
			out = append(out, ts[i:i+n]...)
		}
		seen[of] = true
		i += n
	}
	return out
}

// saysBorder reports whether a phrase at ts[i] is of a border, though it is none of the words that name one
// alone: m, both, the other side, total.
func (l *lexicon) saysBorder(ts []token, i int) bool {
	entries, _ := l.match(ts, i)
	return slices.ContainsFunc(entries, func(e entry) bool {
		return slices.Contains([]class{letter, vagueBorder, vagueBoth, otherBorder, totalWord}, e.class)
	})
}

// ticks makes of a tick after what was done or found no more than a yes, and of a cross right after it a
// no, outside the columns of toes: phenol ✓, TQ ✗.
func (r *reader) ticks() {
	if r.siteColumn() || r.only(Border) {
		return
	}
	for i, it := range r.items {
		yes, ok := answers[it.text]
		if !ok || isLetter(it.text) || it.text == "☐" || it.text == "☑" || i == 0 {
			it.known = it.known || ok && i == 0 && r.only(Tourniquet, On, Off, Minutes) // ✓ 10 min
			continue
		}
		before := r.items[i-1]
		if before.text == "/" && i > 1 {
			before = r.items[i-2]
		}
		switch {
		case yes && before.ofSite() && r.sidesNamed() > 1: // one of them is ticked
		case r.wants(Site) && r.borderBefore(i) >= 0 && r.bordersOpenAt(i): // of which borders is not plain
		case yes:
			it.entries, it.known = []entry{{filler, "", "ticked"}}, true
		case len(before.entries) > 0:
			it.entries, it.known = []entry{{notAfter, "", "crossed"}}, true
		}
	}
}

// sidesNamed is how many sides a text names, by words or by codes of toes.
func (r *reader) sidesNamed() (n int) {
	for _, it := range r.items {
		if it.is(side, sideDigit, bothSides) {
			n++
		}
	}
	return n
}

// borderAt reports whether an item of a note is a word of a border: an m is none in 10 m.
func (r *reader) borderAt(i int) bool {
	it := r.items[i]
	minutes := i > 0 && r.items[i-1].number && (i == 1 || !r.items[i-2].is(side))
	return it.is(border, vagueBorder, otherBorder) || it.is(letter) && !minutes || it.is(vagueBoth) && !r.injected(it.segment)
}

// borderBefore is where the border stands that a tick or a cross at an item is beside; -1: none is.
func (r *reader) borderBefore(i int) int {
	if i--; i > 0 && slices.Contains([]string{":", "=", "-", "/", "("}, r.items[i].text) {
		i--
	}
	for i > 0 && r.items[i].is(borderWord) && !r.borderAt(i) {
		i--
	}
	if i < 0 || !r.borderAt(i) {
		return -1
	}
	return i
}

// bordersOpenAt reports whether a tick or a cross beside a border of a note leaves open which borders were
// treated: the tick of one of several, where another has neither, and the cross after each that there
// is, or after one of several toes. PNA R1 lat ✓ med; PNA R1 lat ✗.
func (r *reader) bordersOpenAt(i int) bool {
	var named []int
	ticked, crossed := 0, 0
	for k, it := range r.items {
		if r.borderAt(k) {
			named = append(named, k)
		}
		if yes, ok := answers[it.text]; ok && !isLetter(it.text) && r.borderBefore(k) >= 0 {
			if yes {
				ticked++
			} else {
				crossed++
			}
		}
	}
	if answers[r.items[i].text] {
		return ticked+crossed < len(named)
	}
	toes := r.sidesNamed() > 1 || slices.ContainsFunc(r.items[named[0]:named[len(named)-1]], func(it *item) bool { return it.namesDigit() })
	return crossed == len(named) || toes
}
