package shorthand

import (
	"slices"
	"strings"

	"nailbridge/mapping/record"
)

// This file says whose a border is, and a side and a digit, where a text has several toes.

// several reports whether a group is more than one toe.
func (g *group) several() bool { return len(g.digits) > 1 || len(g.sides) > 1 || g.both }

// parted reports whether the toe of both sides is said of each side by itself in what
// follows: both hallux, lat on R, med on L; both hallux: R lat, L med.
func (g *group) parted(ms []mention) bool {
	if !g.both && len(g.sides) != 2 || len(g.digits) != 1 || len(g.borders) > 0 || len(ms) < 4 {
		return false
	}
	at := 0
	if ms[0].isBorder() {
		at = 1
	}
	if !ms[at].isSide() || !ms[1-at].isBorder() {
		return false
	}
	var sides []record.Code
	for _, m := range ms {
		switch {
		case m.isSide():
			sides = append(sides, m.side)
		case !m.isBorder():
			return false
		}
	}
	return len(sides) == 2 && sides[0] != sides[1]
}

// of gives the digit of a toe of both sides to the groups of each side.
func (g *group) of(sides []*group) []*group {
	for _, s := range sides {
		s.digits, s.rule = g.digits, g.rule
		s.items = append(s.items, g.items...)
	}
	return sides
}

// sameDigit gives a side with a border of its own the digit of the toe beside it that
// has a border too: R hallux lat, L med; lat L + lat R halluces.
func sameDigit(gs []*group) []*group {
	lacks := func(i, of int) bool {
		if i < 0 || of < 0 || i >= len(gs) || of >= len(gs) {
			return false
		}
		g, o := gs[i], gs[of]
		return len(g.sides) == 1 && len(g.digits) == 0 && len(g.borders) > 0 && g.wrong == "" &&
			len(o.sides) == 1 && len(o.digits) == 1 && len(o.borders) > 0 && o.wrong == "" && o.sides[0] != g.sides[0] && !o.code
	}
	for i, g := range gs {
		switch {
		case lacks(i, i-1):
			g.digits, g.rule = gs[i-1].digits, "toe.same-digit"
		case lacks(i, i+1) && gs[i+1].digitLast():
			g.digits, g.rule = gs[i+1].digits, "toe.same-digit"
		}
	}
	return gs
}

// sameSide gives a digit with a border of its own the side of the toe before it that has
// a border too: L hallux lat, 2nd med.
func sameSide(gs []*group) []*group {
	for i, g := range gs {
		if i == 0 || len(g.digits) != 1 || len(g.sides) > 0 || g.both || len(g.borders) == 0 || g.wrong != "" {
			continue
		}
		if o := gs[i-1]; len(o.sides) == 1 && len(o.digits) == 1 && len(o.borders) > 0 && o.wrong == "" && !o.code && o.digits[0] != g.digits[0] {
			g.sides, g.rule = o.sides, "toe.same-side"
		}
	}
	return gs
}

// shared gives the borders after the last of several toes that "and" joins to each of
// them: TA & T5, lateral; L1 & L2 med; and those of several that stand before: lateral
// edges of L1 and L2.
func shared(gs []*group) []*group {
	for i := len(gs) - 1; i > 0; i-- {
		g, before := gs[i], gs[i-1]
		if g.complete() && before.complete() && (g.after || g.listedWith(before)) && len(before.borders) == 0 && len(g.borders) > 0 && (g.shareable() || g.borders[0].border == "whole" && slices.Equal(g.sides, before.sides)) {
			before.borders, before.shares, g.shares = g.borders, true, true
		}
	}
	for i, g := range gs[min(1, len(gs)):] {
		before := gs[i]
		leads := len(before.borders) == 1 && before.borders[0].edge && before.borders[0].items[0].from < before.items[0].from
		if leads && g.complete() && before.complete() && g.after && len(g.borders) == 0 {
			g.borders = before.borders
		}
	}
	return gs
}

// listedWith reports whether a comma, or another sign of a list, alone stands between two toes, and the plural
// says of the border after them that it is of both: L2, L3 whole nails; not L2 then L3 whole nails.
func (g *group) listedWith(before *group) bool {
	last := before.items[len(before.items)-1]
	return len(g.borders) > 0 && g.borders[0].plural && g.first().index == last.index+2 && g.first().listed && g.borders[0].items[0].from > g.items[len(g.items)-1].from
}

// shareable reports whether the borders after the last of two toes that "and" joins are of both:
// several are named (lateral borders), or a sign parts them from that toe (TA & T5, lateral).
func (g *group) shareable() bool {
	b := g.borders[0]
	last := g.items[len(g.items)-1]
	at := b.items[0]
	return b.plural || len(g.borders) > 1 || b.border == "both" || at.segment != last.segment || at.stretch != last.stretch || g.bothSaid
}

// oneBorder reports whether a group of several toes has one border, after the last of them and no
// sign between, of which nothing says that it is of each: (L) 1 & 2 lat.
func (g *group) oneBorder() bool {
	return len(g.borders) == 1 && g.borders[0].border != "whole" && g.borders[0].items[0].from > g.items[len(g.items)-1].from && !g.shareable()
}

// unshared doubts two toes of one breath of which only the second has a border, and nothing
// says that it is of both: L1 R1 lat; T5, TA med.
func unshared(gs []*group) []*group {
	for i, g := range gs[min(1, len(gs)):] {
		before := gs[i]
		breath := before.items != nil && g.items != nil && (before.items[0].segment == g.items[0].segment || g.first().index == before.items[len(before.items)-1].index+2)
		if before.complete() && g.complete() && len(before.borders) == 0 && len(g.borders) > 0 && breath &&
			g.borders[0].items[0].from > g.items[0].from && before.wrong == "" && g.wrong == "" {
			before.wrong, g.wrong = "border.which-toe", "border.which-toe"
		}
	}
	return gs
}

// listsBorders reports whether a medial and a lateral border are named of several toes, and
// nothing says that they are of each: R and L hallux, med and lat.
func (r *reader) listsBorders(g *group) bool {
	has := func(b record.Code) bool {
		return slices.ContainsFunc(g.borders, func(m mention) bool { return m.border == b || m.rule == "border.listed" })
	}
	plural := g.both // bilateral halluces, medial and lateral
	return has("medial") && has("lateral") && !plural && !r.saysEach(g.clause)
}

// saysEach reports whether a clause says that something is of each toe.
func (r *reader) saysEach(clause int) bool {
	return slices.ContainsFunc(r.items, func(it *item) bool {
		feet := it.is(bothSides) && strings.HasPrefix(lower(r.text.Original[it.from:it.to]), "both")
		return it.clause == clause && (feet || slices.Contains([]string{"each", "both", "all"}, it.text))
	})
}
