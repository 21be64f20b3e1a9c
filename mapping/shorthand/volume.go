package shorthand

import (
	"math/big"
	"slices"
	"strings"
)

// measure is a volume of a dose with what its neighbours say of it.
type volumeOf struct {
	amount
	role role
}

type role int

const (
	plainVolume role = iota
	inAll            // 4 mL in total
	usedOf           // 4 mL used
	container        // a 5 mL ampoule, 10 mL drawn up
	ofEach           // 2 mL each toe, each side
	most             // at most 13 mL
)

// given is the volume of a dose that was given, of those that are named, and the rule
// that makes it ambiguous where none can be told: "anaesthetic.two-amounts".
func (r *reader) given(d dose, as []amount) (ml, wrong string, from []*item) {
	vs := r.volumes(d, as)
	if twice, other := summedUp(vs); other {
		return vs[0].text, "anaesthetic.two-amounts", vs[0].items
	} else if twice {
		vs = vs[len(vs)-1:]
		vs[0].role = inAll
	}
	for _, of := range []role{inAll, usedOf} {
		if told := ofRole(vs, of); len(told) == 1 {
			vs = told
		}
	}
	if rest := slices.DeleteFunc(slices.Clone(vs), func(v volumeOf) bool { return v.role == container }); len(rest) > 0 {
		vs = rest
	} else if len(vs) > 0 && slices.ContainsFunc(d.items, func(it *item) bool { return it.is(drawnWord) }) {
		return vs[0].text, "anaesthetic.drawn-up", vs[0].items
	}
	vs = saidTwice(vs)
	switch {
	case len(vs) == 0:
		return "", "", nil
	case len(vs) == 1:
		ml, wrong = r.times(d, vs[0])
		return ml, wrong, vs[0].items
	}
	sum := new(big.Rat)
	for i, v := range vs {
		from = append(from, v.items...)
		if v.role == ofEach || i > 0 && !r.added(vs[i-1], v) {
			return vs[0].text, "anaesthetic.two-amounts", from
		}
		x, _ := new(big.Rat).SetString(v.text)
		sum.Add(sum, x)
	}
	return trimmed(sum), "", from
}

// summedUp reports whether the last of several volumes is what the others are in all, or is said
// to be and is not: 3 mL + 1 mL, 4 mL in all.
func summedUp(vs []volumeOf) (same, other bool) {
	if len(vs) < 3 || slices.ContainsFunc(vs[:len(vs)-1], func(v volumeOf) bool { return v.role != plainVolume && v.role != usedOf }) {
		return false, false
	}
	sum, last := new(big.Rat), vs[len(vs)-1]
	for _, v := range vs[:len(vs)-1] {
		x, _ := new(big.Rat).SetString(v.text)
		sum.Add(sum, x)
	}
	same = sameNumber(trimmed(sum), last.text)
	return same, last.role == inAll && !same
}

func ofRole(vs []volumeOf, of role) []volumeOf {
	return slices.DeleteFunc(slices.Clone(vs), func(v volumeOf) bool { return v.role != of })
}

// volumes are the volumes of a dose, but the most that may be given.
func (r *reader) volumes(d dose, as []amount) []volumeOf {
	var out []volumeOf
	for _, a := range as {
		if a.what != volume {
			continue
		}
		if v := (volumeOf{a, r.roleOf(d, a)}); v.role != most {
			out = append(out, v)
		}
	}
	if len(out) == 0 {
		return nil
	}
	for i := 1; i < len(out); i++ { // 6 mL of 10 mL
		if at := out[i].items[0].index - 1; r.items[at].text == "of" && out[i-1].items[len(out[i-1].items)-1].index == at-1 {
			out[i-1].role, out[i].role = usedOf, container
		}
	}
	for i := 1; i < len(out); i++ { // inj 2 mL, further 1 mL
		if out[i].role == plainVolume && out[i-1].role == usedOf && r.added(out[i-1], out[i]) {
			out[i].role = usedOf
		}
	}
	for i, it := range d.items { // drew up 10 cc, used 4
		if it.is(usedWord) && i+1 < len(d.items) && d.items[i+1].number && (i+2 == len(d.items) || !d.items[i+2].is(unitML, unitMG, percent, unitCart)) {
			if v, ok := decimal(d.items[i+1].text); ok {
				out = append(out, volumeOf{amount{what: volume, text: v, items: d.items[i+1 : i+2]}, usedOf})
			}
		}
	}
	return out
}

func (r *reader) roleOf(d dose, a amount) role {
	first, last := slices.Index(d.items, a.items[0]), slices.Index(d.items, a.items[len(a.items)-1])
	for k := first - 1; k >= 0 && k >= first-3 && !d.items[k].number && !d.items[k].is(anaesthetic) && d.items[k].text != ","; k-- {
		switch it := d.items[k]; {
		case it.is(mostWord):
			return most
		case it.is(totalWord), it.text == "=" && k == first-1:
			return inAll
		case it.is(usedWord):
			return usedOf
		case it.is(drawnWord):
			return container
		}
	}
	for k := last + 1; k < len(d.items) && k <= last+2 && !d.items[k].number && d.items[k].text != ","; k++ {
		switch it := d.items[k]; {
		case it.is(mostWord) && k == last+1:
			return most
		case it.is(totalWord):
			return inAll
		case it.is(usedWord):
			return usedOf
		case it.is(containerWord, drawnWord):
			return container
		case it.text == "each" || it.text == "per" || it.is(vagueBoth) && it.text == "":
			return ofEach
		}
	}
	for k := last + 1; k < len(d.items) && (d.items[k].is(anaesthetic, percent, vaso) || d.items[k].number); k++ {
		if k+1 < len(d.items) && d.items[k+1].text == "each" {
			return ofEach // 2 mL 2% lig each toe
		}
	}
	return plainVolume
}

// saidTwice drops a volume that only says again what a count gives: 3.4 mL (2 x 1.7).
func saidTwice(vs []volumeOf) []volumeOf {
	counted := func(v volumeOf) bool { return len(v.items) > 2 }
	if len(vs) == 2 && counted(vs[0]) != counted(vs[1]) && sameNumber(vs[0].text, vs[1].text) {
		return vs[:1]
	}
	return vs
}

func sameNumber(a, b string) bool {
	x, okX := new(big.Rat).SetString(a)
	y, okY := new(big.Rat).SetString(b)
	return okX && okY && x.Cmp(y) == 0
}

// times gives the volume of all cartridges, or of all toes, where one volume is named.
func (r *reader) times(d dose, v volumeOf) (string, string) {
	const each = "anaesthetic.each"
	if v.role == ofEach {
		if n := r.places(v); n > 1 {
			return product(n, v.text), ""
		}
		for _, a := range amounts(d.items) {
			if n := len(a.each); a.what == times && n > 1 { // each hallux (x2)
				return product(n, v.text), ""
			}
		}
		return v.text, each
	}
	if v.role == inAll {
		return v.text, ""
	}
	carts := func(it *item) bool { return it.is(unitCart) }
	if half := func(it *item) bool { return it.text == "half" }; slices.ContainsFunc(d.items, half) && slices.ContainsFunc(d.items, carts) {
		return v.text, each // one and a half cartridges
	}
	for _, a := range amounts(d.items) {
		if n := len(a.each); a.what == times && n > 1 && slices.Contains(cartridges, v.text) {
			return product(n, v.text), "" // x2 (2.2 mL)
		} else if a.what == times && n > 1 && v.role == container {
			return v.text, each
		}
	}
	for i, it := range d.items {
		if !it.number || i+1 == len(d.items) || !d.items[i+1].is(unitCart) || slices.Contains(v.items, it) {
			continue
		}
		n, ok := decimal(it.text)
		count, isNumber := new(big.Rat).SetString(n)
		if !ok || !isNumber || count.Sign() <= 0 {
			return v.text, each
		}
		x, _ := new(big.Rat).SetString(v.text)
		one := trimmed(new(big.Rat).Quo(x, count))
		switch {
		case n == "1":
			return v.text, ""
		case slices.Contains(cartridges, v.text): // the size of one
			return trimmed(x.Mul(x, count)), ""
		case slices.Contains(cartridges, one): // of all
			return v.text, ""
		}
		return v.text, each
	}
	return v.text, ""
}

// places is how many sides, or toes, an "each" is of; 0 where the text does not say.
func (r *reader) places(v volumeOf) int {
	last := v.items[len(v.items)-1].index
	for _, it := range r.items[last+1 : min(last+3, len(r.items))] {
		if it.is(vagueBoth) && it.text == "" || it.text == "side" {
			return 2 // each side
		}
	}
	var toes []Value
	for _, rd := range r.text.Of(Site) {
		toe := Value{Side: rd.Value.Side, Digit: rd.Value.Digit}
		if rd.Certainty == Ambiguous {
			return 0
		}
		if !slices.ContainsFunc(toes, func(o Value) bool { return o.Side == toe.Side && o.Digit == toe.Digit }) {
			toes = append(toes, toe)
		}
	}
	return len(toes)
}

// added reports whether a volume was given on top of the one before it: 3 mL + 1 mL,
// 2.2 mL then 1.1 mL; or at another place: 3 mL med, 2 mL lat; 2 mL R, 2 mL L.
func (r *reader) added(before, v volumeOf) bool {
	last, first := before.items[len(before.items)-1].index, v.items[0].index
	if first <= last {
		return false
	}
	for _, it := range r.items[last+1 : first] {
		if it.is(conj, moreWord) || it.text == "then" {
			return true
		}
	}
	end := v.items[len(v.items)-1].index
	after := min(end+1, len(r.items)-1)
	beside := func(a, b int) bool { return r.isPlace(a) && r.isPlace(b) && r.items[a].text != r.items[b].text }
	return beside(last+1, after) || before.items[0].index > 0 && beside(before.items[0].index-1, first-1)
}

func (r *reader) isPlace(i int) bool {
	return r.items[i].is(side, border, digit, ordinal, sideDigit, placeWord)
}

// mixed halves the one volume of two anaesthetics that were mixed in equal parts: 5 cc
// 1:1 2% lido / 0.5% bupi. Without a volume their numbers stand alone.
func (r *reader) mixed(ds []dose, ratio []*item) bool {
	var two []int
	for i, d := range ds {
		if d.drug.is(anaesthetic) {
			two = append(two, i)
		}
	}
	if len(two) != 2 || !r.wants(Anaesthetic) {
		return false
	}
	if ratio == nil {
		return false
	}
	a, b := &ds[two[0]], &ds[two[1]]
	clause := a.drug.clause
	var all []*item
	for _, it := range r.items {
		if it.clause == clause && !slices.Contains(ratio, it) {
			all = append(all, it)
		}
	}
	vs := r.volumes(dose{drug: a.drug, items: all}, amounts(all))
	without := func(it *item) bool {
		return slices.Contains(ratio, it) || slices.ContainsFunc(vs, func(v volumeOf) bool { return slices.Contains(v.items, it) })
	}
	a.items = slices.DeleteFunc(slices.Clone(a.items), without)
	b.items = slices.DeleteFunc(slices.Clone(b.items), without)
	if plain := func(it *item) bool { return it.is(vaso) }; !slices.ContainsFunc(a.items, plain) {
		if i := slices.IndexFunc(b.items, plain); i >= 0 {
			a.items = append(a.items, b.items[i])
		}
	}
	a.which = len(vs) > 1 || len(vs) == 1 && (vs[0].role == ofEach || vs[0].role == container)
	if b.which = a.which; len(vs) == 1 && !a.which {
		x, _ := new(big.Rat).SetString(vs[0].text)
		a.half, b.half = trimmed(x.Quo(x, big.NewRat(2, 1))), ""
		b.half = a.half
	}
	return true
}

// equalParts are the items that say that two drugs were mixed in equal parts; their
// numbers are no amounts.
func (r *reader) equalParts() []*item {
	drugs := slices.DeleteFunc(slices.Clone(r.items), func(it *item) bool { return !it.is(anaesthetic) || it.mark.not })
	if len(drugs) != 2 {
		return nil
	}
	ratio := r.ratioOfTwo()
	for _, it := range ratio {
		it.number = false
	}
	return ratio
}

func (r *reader) ratioOfTwo() []*item {
	for i, it := range r.items {
		if it.is(equalWord) {
			return []*item{it}
		}
		if i+2 < len(r.items) && (it.text == "1" || it.text == "50") && strings.ContainsAny(r.items[i+1].text, ":/") && r.items[i+2].text == it.text &&
			(i+3 == len(r.items) || !r.items[i+3].is(unitMin, unitSec)) {
			return r.items[i : i+3]
		}
	}
	return nil
}
