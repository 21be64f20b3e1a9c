package shorthand

import (
	"math/big"
	"slices"
	"strconv"
	"strings"
)

// amount is a quantity with what its unit says it is.
type amount struct {
	what    amountKind
	text    string   // a decimal
	each    []string // seconds of each application
	items   []*item
	joined  bool // of a count and a length that stand apart
	counted bool // of a count and then a length: x1 1 min
}

type amountKind int

const (
	percentage amountKind = iota
	volume                // mL
	ratio                 // N of 1:N
	times                 // applications, of unknown length
	durations             // seconds of each application
	single                // one length of time, in seconds
	unclear               // numbers that fit nothing certain
	doubtful              // a range, of what its unit says: text is from, each to
)

// cartridges are the sizes that a bare number after "2 x" is taken for, in mL
// (common practice, no source).
var cartridges = []string{"1.7", "1.8", "2.2"}

// amounts reads the quantities of a run of items.
func amounts(items []*item) []amount {
	var out []amount
	for i := 0; i < len(items); {
		if i > 0 && slices.Contains(batches, items[i-1].text) {
			for i++; i < len(items) && (items[i].text == "/" || items[i].text == "-" || items[i-1].text != "," && items[i].number && items[i].glued); {
				i++
			}
			continue
		}
		a, n := amountAt(items[i:])
		if n == 0 {
			i++
			continue
		}
		a.items = items[i : i+n]
		out = append(out, a)
		i += n
	}
	return merge(out)
}

// batches are the words of the number of a batch and of its last day: exp 03/19.
var batches = []string{"exp", "expiry", "expires", "batch", "lot", "bn"}

// amountAt reads the quantity that begins at the first item, and how many items it
// takes; none: 0.
func amountAt(it []*item) (amount, int) {
	for _, read := range []func([]*item) (amount, int){ratioAt, rangeAt, perMLAt, termsAt, partOfCartridgeAt, countTimesAt, sumAt, volumesAt, plainAt, usualAt, repeatedAt, uncountedAt, timesAt, cartridgeAt} {
		if a, n := read(it); n > 0 {
			return a, n
		}
	}
	return amount{}, 0
}

// ratioAt reads 1:200,000, 1:200000 and 1 in 200k.
func ratioAt(it []*item) (amount, int) {
	if len(it) < 3 || it[0].text != "1" || it[1].text != ":" && it[1].text != "in" && it[1].text != "/" || !it[2].number {
		return amount{}, 0
	}
	n := strings.NewReplacer(",", "", ".", "").Replace(it[2].text)
	taken := 3
	if len(it) > 3 && (it[3].text == "k" && it[3].glued || it[3].text == "000" && len(n) <= 3) {
		n, taken = n+"000", 4 // 200k; 200 000
	}
	if v, err := strconv.Atoi(n); err != nil || v < 1000 {
		return amount{}, 0
	}
	return amount{what: ratio, text: n}, taken
}

// countTimesAt reads 3 x 1 min, 2 x 1.8 mL, 2x1.8 and 3 applications of 60 s.
func countTimesAt(it []*item) (amount, int) {
	count, ok := wholeNumber(it, 0)
	if !ok || len(it) < 3 {
		return amount{}, 0
	}
	i := 1
	for i < len(it) && (it[i].is(timesSign, unitApp, unitCart) || it[i].text == "of" || it[i].text == "-" || it[i].text == "@" || it[i].text == "by" || it[i].text == "for" || it[i].text == "at") {
		i++
	}
	spelled := it[0].spelled || it[1].spelled // three 1 min
	if i == 1 && !(spelled && len(it) > 2 && it[1].number && it[2].is(unitMin, unitSec, unitML)) || i >= len(it) || !it[i].number {
		return amount{}, 0
	}
	v, ok := decimal(it[i].text)
	switch {
	case !ok:
		return amount{}, 0
	case i+1 < len(it) && it[i+1].is(unitML) && it[i-1].text == "of" && i == 2 && !slices.Contains(cartridges, v):
		return amount{what: unclear}, i + 2 // 6 of 10 mL
	case i+1 < len(it) && it[i+1].is(unitML):
		return amount{what: volume, text: product(count, v)}, i + 2
	case i+1 < len(it) && it[i+1].is(unitSec, unitMin):
		return amount{what: durations, each: repeat(seconds(v, it[i+1]), count)}, i + 2
	case i+1 < len(it) && it[i+1].is(percent):
		return amount{}, 0
	case slices.Contains(cartridges, v):
		return amount{what: volume, text: product(count, v)}, i + 1
	case slices.Contains(usual, v) && count <= 5 && it[1].is(timesSign, unitApp): // 3 x 60
		return amount{what: durations, each: repeat(v, count)}, i + 1
	}
	return amount{what: unclear, each: repeat(v, count)}, i + 1
}

// partOfCartridgeAt reads 1.5 x 2.2 mL: a number of cartridges that is no whole one.
func partOfCartridgeAt(it []*item) (amount, int) {
	if len(it) < 3 || !it[0].number || !it[1].is(timesSign) || !it[2].number {
		return amount{}, 0
	}
	count, ok := decimal(it[0].text)
	size, sized := decimal(it[2].text)
	if !ok || !sized || !strings.Contains(count, ".") || !slices.Contains(cartridges, size) || slices.Contains(cartridges, count) {
		return amount{}, 0
	}
	x, _ := new(big.Rat).SetString(count)
	y, _ := new(big.Rat).SetString(size)
	taken := 3
	if len(it) > 3 && it[3].is(unitML) {
		taken = 4
	}
	return amount{what: volume, text: trimmed(x.Mul(x, y))}, taken
}

// termsAt reads 2 x 60 s + 30 s, 1 min x 2 then 30 s: applications of several lengths.
func termsAt(it []*item) (amount, int) {
	var each []string
	n := 0
	for i, terms := 0, 0; ; {
		a, taken := countTimesAt(it[i:])
		if taken == 0 || a.what != durations {
			a, taken = plainAt(it[i:])
		}
		switch {
		case taken == 0 || a.what != durations && a.what != single:
			return amount{}, 0
		case a.what == single:
			each = append(each, a.text)
		default:
			each = append(each, a.each...)
		}
		i, terms = i+taken, terms+1
		n = i
		if i+1 < len(it) && (it[i].is(conj) || it[i].text == "," || it[i].text == "then" || it[i].is(moreWord)) && it[i+1].number && timed(it[i+1:]) {
			i++
			continue
		}
		if terms < 2 || len(each) == terms {
			return amount{}, 0 // of single lengths: sumAt
		}
		return amount{what: durations, each: each}, n
	}
}

// timed reports whether a term of time begins.
func timed(it []*item) bool {
	if a, n := countTimesAt(it); n > 0 && a.what == durations {
		return true
	}
	a, n := plainAt(it)
	return n > 0 && (a.what == single || a.what == durations)
}

// rangeAt reads 80-90 %, 10 to 15 min: one of them, and nobody knows which.
func rangeAt(it []*item) (amount, int) {
	if n := rangeTimesAt(it); n > 0 {
		return amount{what: doubtful, text: "x"}, n
	}
	if n := timesRangeAt(it); n > 0 {
		return amount{what: doubtful, text: "x"}, n
	}
	if len(it) < 4 || !it[0].number || !(it[1].text == "-" && it[1].glued && it[2].glued) && it[1].text != "to" || !it[2].number || !it[3].is(percent, unitML, unitMin, unitSec) {
		return amount{}, 0
	}
	if _, n := clockAt(it, false); n > 0 {
		return amount{}, 0
	}
	return amount{what: doubtful, text: it[3].text}, 4
}

// rangeTimesAt is how many items 2-3 x 1 min and 3 x 1-2 min take.
func rangeTimesAt(it []*item) int {
	n, ranges := 0, 0
	for ; n < len(it) && it[n].number; n++ {
		if n+2 < len(it) && (it[n+1].text == "-" && it[n+1].glued || it[n+1].text == "to") && it[n+2].number {
			ranges, n = ranges+1, n+2
		}
		if n+1 == len(it) || !it[n+1].is(timesSign) {
			n++
			break
		}
		n++
	}
	if ranges == 0 || n < 5 || !it[n-1].number || n < len(it) && !it[n].is(unitMin, unitSec) && it[n].is(percent, unitML, unitMG) || !slices.ContainsFunc(it[:n], func(o *item) bool { return o.is(timesSign) }) {
		return 0
	}
	if n < len(it) && it[n].is(unitMin, unitSec) {
		n++
	}
	return n
}

// timesRangeAt is how many items 1 min x 2-3 and x 2-3 take.
func timesRangeAt(it []*item) int {
	n := 0
	if len(it) > 1 && it[0].number && it[1].is(unitMin, unitSec) {
		n = 2
	}
	if len(it) < n+4 || !it[n].is(timesSign) || !it[n+1].number || !it[n+3].number || len(it) > n+4 && it[n+4].is(percent, unitML, unitMG) {
		return 0
	}
	if !(it[n+2].text == "-" && it[n+2].glued) && it[n+2].text != "to" && it[n+2].text != "or" {
		return 0
	}
	if n += 4; n < len(it) && it[n].is(unitApp, unitMin, unitSec) {
		n++
	}
	if n+1 < len(it) && it[n].number && it[n+1].is(unitMin, unitSec) { // x 2-3 1 min
		n += 2
	}
	return n
}

// volumesAt reads 1.8 + 1.8 + 0.9 mL as what was given in all.
func volumesAt(it []*item) (amount, int) {
	sum := new(big.Rat)
	for i, n := 0, 0; i < len(it) && it[i].number; n++ {
		v, ok := decimal(it[i].text)
		if !ok {
			return amount{}, 0
		}
		r, _ := new(big.Rat).SetString(v)
		sum.Add(sum, r)
		i++
		unit := i < len(it) && it[i].is(unitML)
		if unit {
			i++
		}
		switch {
		case i+1 < len(it) && it[i].text == "+" && it[i+1].number:
			i++
		case unit && n > 0:
			return amount{what: volume, text: trimmed(sum)}, i
		default:
			return amount{}, 0
		}
	}
	return amount{}, 0
}

// usual are the lengths of applications that are read as seconds without a unit, in a
// list (common practice, no source).
var usual = []string{"30", "45", "60", "90", "120", "180"}

// perMLAt reads 7.5 mg/mL as its percentage, 0.75.
func perMLAt(it []*item) (amount, int) {
	if len(it) < 4 || !it[0].number || !it[1].is(unitMG) || it[2].text != "/" || !it[3].is(unitML) {
		return amount{}, 0
	}
	v, ok := decimal(it[0].text)
	if !ok {
		return amount{}, 0
	}
	r, _ := new(big.Rat).SetString(v)
	return amount{what: percentage, text: trimmed(r.Mul(r, big.NewRat(1, 10)))}, 4
}

// terms are the numbers of a sum, each with its unit, nil where it has none.
type terms struct {
	vs    []string
	units []*item
	slash bool // a slash is among their signs
	dash  bool
	bare  bool // no sign stands between some that differ: 60 s 60 s 30 s
}

// sumAt reads 60+60+60 s, 1 min + 1 min + 30 s, and the same with commas or
// slashes; the last unit counts for those without one.
func sumAt(it []*item) (amount, int) {
	t, i := sumTerms(it)
	last := len(t.units) - 1
	switch {
	case i == 0, (t.dash || t.bare) && (len(t.vs) < 3 || t.vs[0] != t.vs[1]):
		return amount{}, 0
	case t.slash && len(t.vs) == 2 && t.units[0] == nil && t.vs[0] != t.vs[1] && !slices.Contains(usual, t.vs[0]):
		return amount{what: unclear}, i // 3/1 min
	case len(t.vs) < 2 || t.units[last] == nil && slices.ContainsFunc(t.vs, func(v string) bool { return !slices.Contains(usual, v) }):
		return amount{}, 0
	}
	var each []string
	for k, v := range t.vs {
		u := t.units[k]
		if u == nil {
			u = t.units[last]
		}
		if u != nil { // not 60/60
			v = seconds(v, u)
		}
		each = append(each, v)
	}
	return amount{what: durations, each: each}, i
}

// sumTerms are the terms of a sum that begins at the first item, and how many items they take.
func sumTerms(it []*item) (t terms, i int) {
	for i < len(it) && it[i].number {
		list := numbersOf(it[i].text)
		if list == nil {
			return terms{}, 0
		}
		t.vs, i = append(t.vs, list...), i+1
		t.units = append(t.units, make([]*item, len(list))...)
		if i < len(it) && it[i].is(unitSec, unitMin) {
			t.units[len(t.units)-1], i = it[i], i+1
		}
		if i+1 < len(it) && (it[i].is(conj) || it[i].text == "," || it[i].text == "/" || it[i].text == "then" || it[i].text == "-" && it[i].glued) && it[i+1].number {
			t.slash = t.slash || it[i].text == "/"
			t.dash = t.dash || it[i].text == "-"
			i++
			continue
		}
		if i+2 < len(it) && it[i].text == "," && it[i+1].text == "then" && it[i+2].number {
			i += 2
			continue
		}
		if i > 1 && i+1 < len(it) && t.units[len(t.units)-1] != nil && it[i].number && it[i+1].text == it[i-1].text {
			t.bare = t.bare || it[i].text != it[i-2].text
			continue // 1 min 1 min
		}
		break
	}
	return t, i
}

// numbersOf are the decimals of a number, or of a list that commas join: 1,1,1.
func numbersOf(text string) []string {
	if v, ok := decimal(text); ok {
		return []string{v}
	}
	var out []string
	for _, part := range strings.Split(text, ",") {
		v, ok := decimal(part)
		if !ok {
			return nil
		}
		out = append(out, v)
	}
	return out
}

// listAt reads small numbers that nothing says what they are: 1/1/1, 3/1, 1:1:1.
func listAt(it []*item) (amount, int) {
	n := 0
	if len(it) > 0 && it[0].number && len(numbersOf(it[0].text)) > 2 {
		return amount{what: unclear}, 1 // 1,1,1
	}
	for n < len(it) && it[n].number && len(it[n].text) == 1 {
		if n++; n < len(it) && (it[n].text == "/" || it[n].text == ":" || it[n].text == "+" || it[n].text == "-") {
			n++
			continue
		}
		break
	}
	if n < 3 || !it[n-1].number || n < len(it) && it[n].is(percent, unitMin, unitSec, unitML, unitApp) {
		return amount{}, 0
	}
	return amount{what: unclear}, n
}

// plainAt reads a number with its unit: 2 %, 3 mL, 1 min x 3, 1.8 mL x 2, 4
// applications.
func plainAt(it []*item) (amount, int) {
	if len(it) < 2 || !it[0].number {
		return amount{}, 0
	}
	v, ok := decimal(it[0].text)
	u := it[1]
	if !ok {
		return amount{}, 0
	}
	count, taken := 1, 2
	if len(it) > 3 && it[2].is(timesSign) {
		if c, whole := wholeNumber(it, 3); whole && (len(it) == 4 || !it[4].is(percent, unitML, unitMG)) {
			count, taken = c, 4
		}
	}
	switch {
	case u.is(percent):
		return amount{what: percentage, text: v}, 2
	case u.is(unitML):
		return amount{what: volume, text: product(count, v)}, taken
	case u.is(unitSec, unitMin) && taken == 4:
		return amount{what: durations, each: repeat(seconds(v, u), count)}, 4
	case u.is(unitSec, unitMin):
		return amount{what: single, text: seconds(v, u)}, 2
	case u.is(unitApp):
		if c, whole := wholeNumber(it, 0); whole {
			return amount{what: times, each: repeat("", c)}, 2
		}
	case u.is(timesSign) && len(it) > 2 && it[2].is(chemical): // 2 x phenol
		if c, whole := wholeNumber(it, 0); whole {
			return amount{what: times, each: repeat("", c)}, 2
		}
	case u.is(timesSign) && len(it) == 2: // 3 x
		if c, whole := wholeNumber(it, 0); whole && c <= mostApplications {
			return amount{what: times, each: repeat("", c)}, 2
		}
	case u.is(timesSign) && len(it) > 2 && it[2].is(unitApp):
		if c, whole := wholeNumber(it, 0); whole {
			return amount{what: times, each: repeat("", c)}, 3
		}
	}
	return amount{}, 0
}

// usualAt reads 60 x 3, a usual length without its unit.
func usualAt(it []*item) (amount, int) {
	if len(it) < 3 || !it[0].number || !slices.Contains(usual, it[0].text) || !it[1].is(timesSign) || len(it) > 3 && it[3].is(unitMin, unitSec, unitML, percent) {
		return amount{}, 0
	}
	if c, whole := wholeNumber(it, 2); whole && c >= 2 && c <= 5 {
		return amount{what: durations, each: repeat(it[0].text, c)}, 3
	}
	return amount{}, 0
}

// repeated are the words of another application.
var repeated = []string{"rpt", "rptd", "repeat", "repeated", "repeats"}

// repeatedAt reads "repeated once" and "rpt x1" as two applications; "repeated twice" may be
// two or three.
func repeatedAt(it []*item) (amount, int) {
	if !slices.Contains(repeated, it[0].text) {
		return amount{}, 0
	}
	a, n := timesAt(it[1:])
	if a.what = times; n == 0 {
		return amount{}, 0
	}
	if len(a.each) > 1 {
		return amount{what: unclear}, n + 1
	}
	return amount{what: times, each: repeat("", 2)}, n + 1
}

// uncounted are the words of several applications that nobody counted.
var uncounted = []string{"few", "several", "multiple", "some", "many", "various"}

// uncountedAt reads a few applications, of which nobody knows how many.
func uncountedAt(it []*item) (amount, int) {
	if len(it) < 2 || !slices.Contains(uncounted, it[0].text) || !it[1].is(unitApp) {
		return amount{}, 0
	}
	return amount{what: unclear}, 2
}

// timesAt reads x3, x 4 applications.
func timesAt(it []*item) (amount, int) {
	if len(it) == 0 || len(it) > 1 && it[0].text == "once" && it[1].is(pastAfter, class(Wound), class(Exudate)) {
		return amount{}, 0 // phenol once settled
	}
	for _, words := range [][]string{{"once", "twice", "thrice"}, {"semel", "bis", "ter"}} {
		if c := slices.Index(words, it[0].text); c >= 0 {
			return amount{what: times, each: repeat("", c+1)}, 1
		}
	}
	if len(it) < 2 || !it[0].is(timesSign) {
		return amount{}, 0
	}
	c, ok := wholeNumber(it, 1)
	if !ok || len(it) > 2 && it[2].is(unitML, unitSec, unitMin, percent) {
		return amount{}, 0
	}
	taken := 2
	if len(it) > 2 && it[2].is(unitApp) {
		taken = 3
	}
	if d, n := countedTimeAt(it, c, taken); n > 0 {
		return d, n
	}
	return amount{what: times, each: repeat("", c)}, taken
}

// countedTimeAt reads the one length that stands after a count: x1 1 min, x2 30 s.
func countedTimeAt(it []*item, count, i int) (amount, int) {
	if i+1 >= len(it) || !it[i].number || !it[i+1].is(unitMin, unitSec) {
		return amount{}, 0
	}
	if i+2 < len(it) && (slices.Contains(pauses, it[i+2].text) || it[i+2].is(timesSign, conj) || it[i+2].text == "," && !(i+3 < len(it) && it[i+3].is(timesSign)) || it[i+2].text == "/" || it[i+2].number) {
		return amount{}, 0
	}
	v, ok := decimal(it[i].text)
	if !ok {
		return amount{}, 0
	}
	return amount{what: durations, each: repeat(seconds(v, it[i+1]), count), counted: true}, i + 2
}

// addCounted makes one amount of several that each have their count and length: x1 1 min; x1
// 30 s.
func addCounted(as []amount) []amount {
	first := slices.IndexFunc(as, func(a amount) bool { return a.counted })
	if first < 0 {
		return as
	}
	out := slices.Clone(as[:first+1])
	for _, a := range as[first+1:] {
		if a.counted {
			out[first].each = slices.Concat(out[first].each, a.each)
			out[first].items = slices.Concat(out[first].items, a.items)
			continue
		}
		out = append(out, a)
	}
	return out
}

// cartridgeAt reads a number without a unit that is the size of a cartridge: mepi 3% 2.2,
// 2.2 x 2.
func cartridgeAt(it []*item) (amount, int) {
	if !it[0].number || len(it) > 1 && (it[1].is(percent, unitML, unitMG, unitMin, unitSec) || it[1].text == "-" || it[1].text == ":") {
		return amount{}, 0
	}
	v, ok := decimal(it[0].text)
	if !ok || !slices.Contains(cartridges, v) {
		return amount{}, 0
	}
	if len(it) > 2 && it[1].is(timesSign) {
		if c, whole := wholeNumber(it, 2); whole {
			return amount{what: volume, text: product(c, v)}, 3
		}
	}
	return amount{what: volume, text: v}, 1
}

// merge makes "3 applications" and "1 min" of one run three of a minute.
func merge(as []amount) []amount {
	count := slices.IndexFunc(as, func(a amount) bool { return a.what == times })
	length := slices.IndexFunc(as, func(a amount) bool { return a.what == single })
	if count < 0 || length < 0 {
		return as
	}
	whole := amount{what: durations, joined: true, each: repeat(as[length].text, len(as[count].each)), items: append(slices.Clone(as[count].items), as[length].items...)}
	var out []amount
	for i, a := range as {
		if i != count && i != length {
			out = append(out, a)
		}
	}
	return append(out, whole)
}

// maxApplications bounds a count, so that a slip of the pen makes no list without end.
const maxApplications = 20

func wholeNumber(it []*item, i int) (int, bool) {
	if i >= len(it) || !it[i].number {
		return 0, false
	}
	n, err := strconv.Atoi(it[i].text)
	return n, err == nil && n >= 1 && n <= maxApplications
}

// decimal is a number with a decimal point or comma, as a decimal with a point.
func decimal(text string) (string, bool) {
	if strings.Count(text, ",")+strings.Count(text, ".") > 1 || len(text) > 9 {
		return "", false
	}
	text = strings.Replace(text, ",", ".", 1)
	if strings.HasPrefix(text, ".") {
		text = "0" + text
	}
	_, ok := new(big.Rat).SetString(text)
	return text, ok && !strings.HasPrefix(text, "00")
}

// seconds is a length of time in seconds.
func seconds(v string, unit *item) string {
	if unit.is(unitMin) {
		return product(60, v)
	}
	return v
}

// product is n times a decimal, exact, without zeros at its end.
func product(n int, v string) string {
	if n == 1 {
		return v
	}
	r, _ := new(big.Rat).SetString(v)
	r.Mul(r, big.NewRat(int64(n), 1))
	return trimmed(r)
}

func trimmed(r *big.Rat) string {
	return strings.TrimSuffix(strings.TrimRight(r.FloatString(6), "0"), ".")
}

func repeat(s string, n int) []string { return slices.Repeat([]string{s}, n) }
