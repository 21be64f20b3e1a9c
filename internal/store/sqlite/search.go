package sqlite

import (
	"fmt"
	"slices"
	"strings"

	"nailbridge/internal/store"
	"nailbridge/internal/store/order"
)

// driveCap is the number of index rows up to which a condition may lead a
// search; past it the versions of the type are walked in order.
const driveCap = 4096

// clause is a piece of SQL with the values of its marks.
type clause struct {
	sql  string
	args []any
}

// plan is a search before paging: which rows, in what bounds.
type plan struct {
	from  clause
	where []clause
	span  span // of version.seq
	few   bool // versions are found by from
}

// Search answers one page of a search by the state under q.UpTo.
func (s published) Search(q store.Query) (store.Page, error) {
	page := store.Page{Epoch: s.head.Epoch}
	if err := s.enter("search"); err != nil {
		return page, err
	}
	upTo, err := s.bound(q.UpTo, q.Epoch)
	if err != nil {
		return page, err
	}
	page.UpTo = upTo
	p, err := sight{s, upTo}.plan(q)
	if err != nil {
		return page, err
	}
	if q.Count > 0 {
		if err := s.sorted(&page, p, q); err != nil {
			return page, err
		}
	}
	switch {
	case q.NoTotal:
	case q.Count > 0 && q.After == nil && !page.More: // the page is the whole search
		page.Total = len(page.Versions)
	default:
		c := p.statement("count(*)")
		_, err = s.one("search", c.sql, c.args, &page.Total)
	}
	return page, err
}

// bound checks the token's epoch and gives the bound of a walk: the head, or
// the earlier one asked for.
func (s *snapshot) bound(upTo int64, epoch string) (int64, error) {
	if epoch != "" && epoch != s.head.Epoch {
		return 0, store.ErrEpoch
	}
	return order.Bound(s.head.Seq, upTo), nil
}

func (p plan) statement(columns string) clause {
	var b strings.Builder
	args := slices.Clone(p.from.args)
	b.WriteString("SELECT " + columns + " FROM " + p.from.sql + " WHERE v.seq >= ? AND v.seq < ?")
	args = append(args, p.span.lo, p.span.hi)
	for _, w := range p.where {
		b.WriteString("\n AND " + w.sql)
		args = append(args, w.args...)
	}
	return clause{b.String(), args}
}

// plan chooses the way of a search.
func (s sight) plan(q store.Query) (plan, error) {
	p := plan{span: span{0, s.upTo + 1}}
	types := []string{q.Type}
	var leads []lead
	var rest []clause // the conditions of leads, in the same order
	if q.Compartment != nil {
		l, of := s.compartment(*q.Compartment)
		if q.Type == "" {
			types = of
		}
		leads, rest = append(leads, l), append(rest, l.holds())
	}
	of := "v.type = ?"
	if len(types) != 1 {
		of = "v.type IN (" + marks(len(types)) + ")"
	}
	p.where = append(p.where, clause{
		of + " AND v.until > ? AND v.deleted = 0 AND v.hidden = 0", append(anys(types), s.upTo)})
	for _, c := range q.Match {
		if q.Type == "" && c.Param != "_id" && c.Param != "_lastUpdated" {
			return plan{}, fmt.Errorf("%w: %q over several types", errCondition, c.Param)
		}
		if c.Param == "_lastUpdated" && !c.Not {
			if err := s.narrow(&p, c); err != nil {
				return plan{}, err
			}
			continue
		}
		h, err := s.holds(q.Type, c, "v", 0)
		if err != nil {
			return plan{}, err
		}
		l, ok, err := s.leading(q.Type, c, 0)
		switch {
		case err != nil:
			return plan{}, err
		case ok && q.Type != "":
			leads, rest = append(leads, l), append(rest, h)
		default:
			p.where = append(p.where, h)
			if leads, rest, err = s.leadingParts(q.Type, c, leads, rest); err != nil {
				return plan{}, err
			}
		}
	}
	if err := s.choose(&p, leads, rest); err != nil {
		return plan{}, err
	}
	return s.restrict(p), nil
}

// compartment gives the way to what belongs to a resource, and the types of it.
func (s sight) compartment(c store.Compartment) (l lead, types []string) {
	for _, p := range c.Params {
		typ, _, _ := strings.Cut(p, ".")
		types = append(types, typ)
	}
	slices.Sort(types)
	of := clause{"x.code = ?", []any{c.Of.String()}}
	if c.Link != "" {
		of = s.linked(c)
	}
	return lead{
		from: "index_code x", vid: "x.vid", always: true,
		match: clause{of.sql + " AND x.param IN (" + marks(len(c.Params)) + ")", append(of.args, anys(c.Params)...)},
	}, slices.Compact(types)
}

// linked holds for a row that refers to the resource of a compartment, or to one
// that is linked to it over any number of steps.
func (s sight) linked(c store.Compartment) clause {
	seen := s.sees("t", "o")
	return clause{
		"x.code IN (WITH RECURSIVE linked (code) AS (SELECT ? UNION SELECT t.type || '/' || t.id FROM linked" +
			" CROSS JOIN index_code y ON y.param = ? AND y.code = linked.code" +
			" CROSS JOIN version t ON t.vid = y.vid CROSS JOIN resource o ON o.rid = t.rid WHERE " + seen.sql + ") SELECT code FROM linked)",
		slices.Concat([]any{c.Of.String(), c.Link}, seen.args),
	}
}

// holds is the condition of a lead on a version v already found.
func (l lead) holds() clause {
	return clause{"EXISTS (SELECT 1 FROM " + l.from + " WHERE " + l.vid + " = v.vid AND " + l.match.sql + ")", l.match.args}
}

func anys(texts []string) (out []any) {
	for _, t := range texts {
		out = append(out, t)
	}
	return out
}

// leads says whether a lead may lead a search: it goes over few index rows. Of a
// chain that holds for its end first, of which each row is followed.
func (s sight) leads(l lead) (bool, error) {
	if l.few || l.always {
		return true, nil
	}
	if l.inner != nil {
		if ok, err := s.leads(*l.inner); err != nil || !ok {
			return false, err
		}
	}
	var n int
	_, err := s.one("search", "SELECT count(*) FROM (SELECT 1 FROM "+l.from+" WHERE "+l.match.sql+" LIMIT ?)",
		append(slices.Clone(l.match.args), s.db.lead), &n)
	return n < s.db.lead, err
}

// choose lets the first condition lead that few index rows meet, and adds the
// others as they hold; without one the versions are walked in order.
func (s sight) choose(p *plan, leads []lead, rest []clause) error {
	order := make([]int, len(leads))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return leads[a].rank - leads[b].rank })
	chosen := -1
	for _, i := range order {
		ok, err := s.leads(leads[i])
		if err != nil {
			return err
		}
		if ok {
			chosen, p.few = i, leads[i].few
			break
		}
	}
	for _, i := range order {
		if i != chosen {
			p.where = append(p.where, rest[i])
		}
	}
	if chosen < 0 {
		p.from.sql = "version v INDEXED BY version_walk"
		return nil
	}
	l := leads[chosen]
	p.from = clause{"(SELECT DISTINCT " + l.vid + " AS vid FROM " + l.from + " WHERE " + l.match.sql +
		") d CROSS JOIN version v ON v.vid = d.vid", l.match.args}
	return nil
}
