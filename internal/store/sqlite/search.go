package sqlite

import (
	"slices"
	"strings"

	"nailbridge/internal/store"
)

// driveCap is the number of index rows up to which a condition may lead a
// search; past it the versions of the type are walked in order.
const driveCap = 256

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
	p, err := s.plan(q, upTo)
	if err != nil {
		return page, err
	}
	p = s.restrict(p)
	if !q.NoTotal {
		c := p.statement("count(*)")
		if _, err := s.one("search", c.sql, c.args, &page.Total); err != nil {
			return page, err
		}
	}
	if q.Count <= 0 {
		return page, nil
	}
	c := p.page(q)
	return page, s.fill("search", &page, c, q.Count)
}

// bound checks the token's epoch and gives the bound of a walk: the head, or
// the earlier one asked for.
func (s *snapshot) bound(upTo int64, epoch string) (int64, error) {
	if epoch != "" && epoch != s.head.Epoch {
		return 0, store.ErrEpoch
	}
	if upTo <= 0 {
		return s.head.Seq, nil
	}
	return min(upTo, s.head.Seq), nil
}

// fill runs a statement that asks for one row more than the page holds.
func (s *snapshot) fill(op string, page *store.Page, c clause, count int) error {
	rows, err := s.versions(op, c)
	if err != nil {
		return err
	}
	if len(rows) > count {
		page.More, rows = true, rows[:count]
	}
	page.Versions = rows
	return nil
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

// page is the statement of the page after q.After.
func (p plan) page(q store.Query) clause {
	order, past := "DESC", "<"
	if q.Ascending {
		order, past = "ASC", ">"
	}
	if k := q.After; k != nil {
		// The key's seq bounds the walk; its id parts the entries of one commit.
		if q.Ascending {
			p.span.lo = max(p.span.lo, k.Seq)
		} else {
			p.span.hi = min(p.span.hi, k.Seq+1)
		}
		p.where = append(slices.Clone(p.where), clause{
			"(v.seq <> ? OR v.id " + past + " ?)", []any{k.Seq, k.Ref.ID}})
	}
	c := p.statement(versionColumns)
	c.sql += "\n ORDER BY v.seq " + order + ", v.id " + order + " LIMIT ?"
	c.args = append(c.args, q.Count+1)
	return c
}

// plan chooses the way of a search.
func (s *snapshot) plan(q store.Query, upTo int64) (plan, error) {
	p := plan{
		span: span{0, upTo + 1},
		where: []clause{{
			"v.type = ? AND v.until > ? AND v.deleted = 0 AND v.hidden = 0", []any{q.Type, upTo}}},
	}
	var leads []lead
	for _, c := range q.Match {
		if c.Param == "_lastUpdated" {
			if err := s.narrow(&p, c); err != nil {
				return plan{}, err
			}
			continue
		}
		l, err := leading(q.Type, c)
		if err != nil {
			return plan{}, err
		}
		leads = append(leads, l)
	}
	slices.SortStableFunc(leads, func(a, b lead) int { return a.rank - b.rank })
	chosen, err := s.choose(leads)
	if err != nil {
		return plan{}, err
	}
	for i, l := range leads {
		if i != chosen {
			p.where = append(p.where, l.holds())
		}
	}
	if chosen < 0 {
		p.from.sql = "version v INDEXED BY version_walk"
		return p, nil
	}
	l := leads[chosen]
	p.from = clause{"(SELECT DISTINCT " + l.vid + " AS vid FROM " + l.from + " WHERE " + l.match.sql +
		") d CROSS JOIN version v ON v.vid = d.vid", l.match.args}
	return p, nil
}

// choose gives the first condition that few index rows meet, or -1.
func (s *snapshot) choose(leads []lead) (int, error) {
	for i, l := range leads {
		var n int
		_, err := s.one("search", "SELECT count(*) FROM (SELECT 1 FROM "+l.from+" WHERE "+l.match.sql+" LIMIT ?)",
			append(slices.Clone(l.match.args), s.db.lead), &n)
		if err != nil {
			return -1, err
		}
		if n < s.db.lead {
			return i, nil
		}
	}
	return -1, nil
}
