package back

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"nailbridge/mapping/record"
)

// spot is a border of a toe, as far as a resource says.
type spot struct{ side, digit, border record.Code }

// toe is a toe of a record in the making. Resources of one toe have one item
// key and one place: what names another place is of another toe, whatever its
// key, so that nothing moves from one toe to another.
type toe struct {
	itemKey string
	spot    spot
	op      *record.Toe
	seen    *record.ToeFindings
	borders []*border
	agents  []numbered[record.Agent]
	periods []*numbered[record.Tourniquet]
}

// border is a border of a toe in the making.
type border struct {
	itemKey string
	op      *record.Border
	seen    *record.BorderFindings
	applied []numbered[record.Application]
}

// toe finds or starts a toe of a record.
func (v *visit) toe(itemKey string, at spot) *toe {
	at.border = ""
	for _, t := range v.toes {
		if t.itemKey == itemKey && t.spot == at {
			return t
		}
	}
	t := &toe{itemKey: itemKey, spot: at}
	if v.rec.Surgery != nil {
		t.op = &record.Toe{Key: key(itemKey), Side: at.side, Digit: at.digit}
	} else {
		t.seen = &record.ToeFindings{Key: key(itemKey), Side: at.side, Digit: at.digit}
	}
	v.toes = append(v.toes, t)
	return t
}

// border finds or starts a border of a toe.
func (t *toe) border(itemKey string, at record.Code) *border {
	for _, b := range t.borders {
		if b.itemKey == itemKey && (b.op != nil && b.op.Border == at || b.seen != nil && b.seen.Border == at) {
			return b
		}
	}
	b := &border{itemKey: itemKey}
	if t.op != nil {
		b.op = &record.Border{Key: key(itemKey), Border: at}
	} else {
		b.seen = &record.BorderFindings{Key: key(itemKey), Border: at}
	}
	t.borders = append(t.borders, b)
	return b
}

// period finds or starts a tourniquet period of a toe.
func (t *toe) period(itemKey string) *record.Tourniquet {
	for _, p := range t.periods {
		if p.key == itemKey {
			return &p.item
		}
	}
	t.periods = append(t.periods, &numbered[record.Tourniquet]{itemKey, record.Tourniquet{Key: key(itemKey)}})
	return &t.periods[len(t.periods)-1].item
}

// site reads the toe of a bodySite.
func (r *reader) site(n *node) spot {
	code := r.code("toe", n)
	if code == "" && n.get("coding") == nil && n.peek("text") != "" {
		at := inWords(n.peek("text"))
		if at != (spot{}) {
			n.take("text")
		}
		return at
	}
	side, digit, _ := strings.Cut(string(code), "-")
	return spot{side: record.Code(side), digit: record.Code(digit)}
}

// spotOf reads where a resource is: the toe of its body site, and the border of
// the BodyStructure that an extension names (D5.1).
func (r *reader) spotOf(site, holder *node, url string) spot {
	at := r.site(site)
	ref := holder.ext(url).get("valueReference")
	structure := r.follow(ref)
	if structure == nil {
		return at
	}
	holder.ext(url).take()
	there := r.structure(structure)
	switch {
	case at == (spot{}):
		return there
	case there.side == at.side && there.digit == at.digit:
		at.border = there.border
	default:
		r.find("places-disagree", "the body site and the body structure name different toes; the body site counts, the border is left out")
	}
	return at
}

// structure reads the place of a BodyStructure.
func (r *reader) structure(x *res) spot {
	if parts := strings.SplitN(string(r.code("border-of-toe", x.get("location"))), "-", 3); len(parts) == 3 {
		at := spot{record.Code(parts[0]), record.Code(parts[1]), record.Code(parts[2])}
		r.sameQualifiers(x, at)
		return at
	}
	at := r.site(x.get("location"))
	for _, q := range x.list("locationQualifier") {
		if s := r.code("side", q); s != "" && at.side == "" {
			at.side = s
		}
		if b := r.code("border", q); b != "" {
			at.border = b
		}
	}
	return at
}

// sameQualifiers reads the qualifiers of a location, which say its side and
// border again.
func (r *reader) sameQualifiers(x *res, at spot) {
	seen := map[record.Code]bool{}
	for _, q := range x.list("locationQualifier") {
		said, isSide := r.terms.Reverse("side", concept(q))
		if !isSide {
			said, _ = r.terms.Reverse("border", concept(q))
		}
		if (said == at.side || said == at.border) && !seen[said] {
			seen[said] = true
			q.take()
			continue
		}
		r.find("places-disagree", "a qualifier of the body structure names another side or border than its location, which counts")
	}
}

// operated reports that a place is one of a toe or border that was operated on.
func (v *visit) operated(at spot) bool {
	for _, t := range v.toes {
		if t.spot.side != at.side || t.spot.digit != at.digit {
			continue
		}
		if at.border == "" && len(t.borders) == 0 {
			return true
		}
		for _, b := range t.borders {
			if b.op != nil && b.op.Border == at.border {
				return true
			}
		}
	}
	return false
}

// finish puts the lists of a record together, in the order of their item keys.
func (r *reader) finish(v *visit) {
	slices.SortStableFunc(v.toes, func(a, b *toe) int {
		return cmp.Or(compareKeys(a.itemKey, b.itemKey), strings.Compare(string(a.spot.side+a.spot.digit), string(b.spot.side+b.spot.digit)))
	})
	for _, t := range v.toes {
		r.inOrder(t)
		slices.SortStableFunc(t.borders, func(a, b *border) int { return compareKeys(a.itemKey, b.itemKey) })
		if t.op != nil {
			t.finishOperated()
			v.rec.Surgery.Toes = append(v.rec.Surgery.Toes, *t.op)
			continue
		}
		for _, b := range t.borders {
			t.seen.Borders = append(t.seen.Borders, *b.seen)
		}
		if v.rec.Review != nil {
			v.rec.Review.Toes = append(v.rec.Review.Toes, *t.seen)
		} else {
			v.rec.Contact.Toes = append(v.rec.Contact.Toes, *t.seen)
		}
	}
	if s := v.rec.Surgery; s != nil {
		r.outcomes(v)
		slices.SortStableFunc(v.events, func(a, b numbered[record.Event]) int { return compareKeys(a.key, b.key) })
		for _, e := range v.events {
			if s.Events == nil {
				s.Events = &record.Events{}
			}
			s.Events.Items = append(s.Events.Items, e.item)
		}
	}
	v.finishSent()
	v.rec.Sharing = r.sharing[v.patient]
}

// inOrder says in a finding that the ordinals of applications are not 1, 2, 3.
func (r *reader) inOrder(t *toe) {
	for _, b := range t.borders {
		var have []string
		for _, a := range b.applied {
			have = append(have, a.key)
		}
		for i := range have {
			if have[i] != "" && !slices.Contains(have, "#"+number(i+1)) {
				r.find("order", "the ordinals of the applications at a border are not 1, 2, 3 and so on")
				return
			}
		}
	}
}

func (t *toe) finishOperated() {
	slices.SortStableFunc(t.agents, func(a, b numbered[record.Agent]) int { return compareKeys(a.key, b.key) })
	for _, a := range t.agents {
		if t.op.Block == nil {
			t.op.Block = &record.Block{}
		}
		t.op.Block.Agents = append(t.op.Block.Agents, a.item)
	}
	slices.SortStableFunc(t.periods, func(a, b *numbered[record.Tourniquet]) int { return compareKeys(a.key, b.key) })
	for _, p := range t.periods {
		t.op.Tourniquets = append(t.op.Tourniquets, p.item)
	}
	for _, b := range t.borders {
		slices.SortStableFunc(b.applied, func(a, b numbered[record.Application]) int { return compareKeys(a.key, b.key) })
		for _, a := range b.applied {
			b.matrix().Applications = append(b.matrix().Applications, a.item)
		}
		t.op.Borders = append(t.op.Borders, *b.op)
	}
}

// outcomes leaves out what a border's outcome says again of the surgery's.
func (r *reader) outcomes(v *visit) {
	toes := v.rec.Surgery.Toes
	for i := range toes {
		for j := range toes[i].Borders {
			if b := &toes[i].Borders[j]; b.Outcome == v.rec.Surgery.Outcome {
				b.Outcome = ""
			}
		}
	}
}

func (b *border) matrix() *record.Matrix {
	if b.op.Matrix == nil {
		b.op.Matrix = &record.Matrix{}
	}
	return b.op.Matrix
}

// compareKeys orders item keys: those of a place without key by their number.
func compareKeys(a, b string) int {
	placeA, nA, isA := cutOrdinal(a)
	placeB, nB, isB := cutOrdinal(b)
	if isA && isB && placeA == placeB {
		return cmp.Compare(nA, nB)
	}
	return strings.Compare(a, b)
}

func cutOrdinal(s string) (place string, n int, ok bool) {
	place, text, found := strings.Cut(s, "#")
	n, err := strconv.Atoi(text)
	return place, n, found && err == nil
}
