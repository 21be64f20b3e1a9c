package shorthand

import "slices"

// avulsed is what says that the whole nail of a toe was taken away; nil where nothing does,
// or where a part of one was taken away too.
func (r *reader) avulsed(clause int) *item {
	of := func(code string, clause int) int {
		return slices.IndexFunc(r.items, func(it *item) bool {
			return it.is(procedure) && it.entry(procedure).value == code && it.mark == (mark{}) && (clause < 0 || it.clause == clause)
		})
	}
	if i := of("total-avulsion", clause); i >= 0 && of("partial-avulsion", -1) < 0 {
		return r.items[i]
	}
	return nil
}

// ofTotal doubts the border of a note beside a toe of which the whole nail was taken away, and no
// part of one: TNA L1, med border inflamed.
func (r *reader) ofTotal(groups []*group) {
	for _, g := range groups {
		part := func(m mention) bool { return m.border != "whole" }
		if len(r.kinds) == 0 && g.complete() && g.wrong == "" && slices.ContainsFunc(g.borders, part) && r.avulsed(g.clause) != nil {
			g.wrong = "border.of-total"
		}
	}
}

// wholeNails makes the whole nail the border of the toes of a clause, in a column of sites that
// has what was done elsewhere, where none of them has another: R5 TNA.
func (r *reader) wholeNails(groups []*group) {
	if !r.siteColumn() || r.wants(Procedure) {
		return
	}
	items := map[*group]*item{}
	for _, g := range groups {
		other := func(o *group) bool {
			return o.clause == g.clause && (!o.complete() || o.wrong != "" || len(o.borders) > 0)
		}
		if it := r.avulsed(g.clause); it != nil && !slices.ContainsFunc(groups, other) {
			items[g] = it
		}
	}
	for g, it := range items {
		g.borders = []mention{{border: "whole", rule: "border.total-avulsion", items: []*item{it}}}
	}
}
