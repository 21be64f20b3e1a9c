package sqlite

import (
	"cmp"
	"fmt"
	"slices"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// askedAtOnce bounds the values of one statement.
const askedAtOnce = 500

// Related gives what the versions of a page refer to, or with r.Reverse what
// refers to them (R4 search.html#include), under the bound of the page. Past the
// limit it asks no further: each include may find as many bodies again.
func (s published) Related(r store.Relation) (found []store.Version, more bool, err error) {
	if err := s.enter("related"); err != nil {
		return nil, false, err
	}
	had := map[resource.Ref]bool{}
	for _, v := range r.Page {
		had[v.Ref] = true
	}
	see := sight{s, r.UpTo}
	ask := see.referredTo
	if r.Reverse {
		ask = see.referring
	}
	for _, i := range r.Includes {
		for of := range slices.Chunk(r.Page, askedAtOnce) {
			c, err := ask(i, of, r.Limit+len(r.Page)+1) // the page's own may be among them
			if err != nil {
				return nil, false, err
			}
			vs, err := s.versions("related", c)
			if err != nil {
				return nil, false, err
			}
			for _, v := range vs {
				if !had[v.Ref] {
					had[v.Ref] = true
					found = append(found, v)
				}
			}
			if len(found) > r.Limit {
				slices.SortFunc(found, byRef)
				return found[:r.Limit], true, nil
			}
		}
	}
	slices.SortFunc(found, byRef)
	return found, false, nil
}

// byRef is the order of types and ids.
func byRef(a, b store.Version) int {
	return cmp.Or(cmp.Compare(a.Ref.Type, b.Ref.Type), cmp.Compare(a.Ref.ID, b.Ref.ID))
}

// referredTo is what the versions of a page refer to by a parameter. A reference
// to nothing that can be seen has no row.
func (s sight) referredTo(i searchparam.Include, page []store.Version, limit int) (clause, error) {
	of, err := joined(page, " OR ", func(v store.Version) (clause, error) {
		return clause{"(p.type = ? AND p.seq = ? AND p.id = ?)", []any{v.Ref.Type, v.Seq, v.Ref.ID}}, nil
	})
	slash := "instr(x.code, '/')"
	seen := s.sees("v", "r")
	c := clause{
		bodiesOf("SELECT DISTINCT v.vid FROM version p CROSS JOIN index_code x ON x.vid = p.vid AND x.param = ?" +
			" CROSS JOIN resource r ON r.type = substr(x.code, 1, " + slash + " - 1) AND r.id = substr(x.code, " + slash + " + 1)" +
			" CROSS JOIN version v ON v.rid = r.rid WHERE " + of.sql + " AND " + seen.sql + " AND (? = '' OR r.type = ?)" +
			" ORDER BY v.type, v.id LIMIT ?"),
		slices.Concat([]any{qualified(i.Type, i.Param)}, of.args, seen.args, []any{i.Target, i.Target, limit}),
	}
	return c, err
}

// referring is what refers to the versions of a page by a parameter.
func (s sight) referring(i searchparam.Include, page []store.Version, limit int) (clause, error) {
	refs := make([]any, 0, len(page))
	for _, v := range page {
		refs = append(refs, v.Ref.String())
	}
	seen := s.sees("v", "r")
	if len(refs) == 0 {
		return clause{}, fmt.Errorf("%w: no page", errCondition)
	}
	return clause{
		bodiesOf("SELECT DISTINCT v.vid FROM index_code x CROSS JOIN version v ON v.vid = x.vid CROSS JOIN resource r ON r.rid = v.rid" +
			" WHERE x.param = ? AND x.code IN (" + marks(len(refs)) + ") AND " + seen.sql + " ORDER BY v.type, v.id LIMIT ?"),
		slices.Concat([]any{qualified(i.Type, i.Param)}, refs, seen.args, []any{limit}),
	}, nil
}

// bodiesOf reads the versions that a select names: so no body goes through its
// sorting.
func bodiesOf(vids string) string {
	return "SELECT " + versionColumns + " FROM version v WHERE v.vid IN (" + vids + ") ORDER BY v.type, v.id"
}
