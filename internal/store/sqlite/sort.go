package sqlite

import (
	"database/sql"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
)

// sortColumn is one value that a search is ordered by.
type sortColumn struct {
	value      clause
	descending bool
}

// sortColumns are the columns of q.Sort, and then those that part any two
// versions: the commit, and within it the type and the id.
func sortColumns(q store.Query) ([]sortColumn, error) {
	var out []sortColumn
	for _, k := range q.Sort {
		v, err := sortValue(q.Type, k)
		if err != nil {
			return nil, err
		}
		out = append(out, sortColumn{v, k.Descending != q.Reverse})
	}
	falls := q.Ascending == q.Reverse
	for _, c := range []string{"v.seq", "v.type", "v.id"} { // as positionOf
		if c == "v.type" && q.Type != "" { // so that the walk of one type is in the index's order
			continue
		}
		out = append(out, sortColumn{clause{sql: c}, falls})
	}
	return out, nil
}

// sortValue is the least of a version's values of a parameter, or the greatest.
// The order does not turn it: the page before has the same values.
func sortValue(typ string, k store.SortKey) (clause, error) {
	switch k.Param {
	case "_id":
		return clause{sql: "v.id"}, nil
	case "_lastUpdated":
		return clause{sql: "v.seq"}, nil
	}
	table, _, _, err := indexOf(k.Kind)
	if err != nil {
		return clause{}, err
	}
	column := map[string]string{"index_code": "code", "index_text": "text", "index_quantity": "number"}[table]
	least := "min"
	if k.Descending {
		least = "max"
	}
	if k.Kind == searchparam.Date {
		if column = "lo"; k.Descending {
			column = "hi"
		}
	}
	return clause{"(SELECT " + least + "(s." + column + ") FROM " + ofVersion(table, "s") + " WHERE s.vid = v.vid AND s.param = ?)", []any{qualified(typ, k.Param)}}, nil
}

// sorted fills a page in the order of the search.
func (s published) sorted(page *store.Page, p plan, q store.Query) error {
	c, err := p.page(q)
	if err != nil {
		return err
	}
	ctx := s.ctx
	if p.few {
		ctx = s.unwatched()
	}
	err = s.eachIn(ctx, "search", c.sql, c.args, func(rows *sql.Rows) error {
		values := make([]any, len(q.Sort))
		more := make([]any, len(q.Sort))
		for i := range values {
			more[i] = &values[i]
		}
		v, err := scanVersion(rows, more...)
		if err != nil {
			return fmt.Errorf("version: %w", err)
		}
		key := store.Key{Seq: v.Seq, Ref: v.Ref}
		for _, value := range values {
			key.Sort = append(key.Sort, sortedBy(value))
		}
		page.Versions, page.Keys = append(page.Versions, v), append(page.Keys, key)
		return nil
	})
	if len(page.Versions) > q.Count {
		page.More, page.Versions, page.Keys = true, page.Versions[:q.Count], page.Keys[:q.Count]
	}
	return err
}

func sortedBy(v any) store.SortValue {
	switch v := v.(type) {
	case int64:
		return store.SortValue{Int: &v}
	case string:
		return store.SortValue{Text: &v}
	}
	return store.SortValue{}
}

// errKey is a key of another search.
var errKey = errors.New("key of another order")

// page is the statement of the page after q.After.
func (p plan) page(q store.Query) (clause, error) {
	columns, err := sortColumns(q)
	if err != nil {
		return clause{}, err
	}
	if q.After != nil {
		if len(q.After.Sort) != len(q.Sort) {
			return clause{}, errKey
		}
		p.after(q, columns)
	}
	selected, order := versionColumns, []string{}
	var values []any
	for i, col := range columns {
		by := col.value.sql + direction(col.descending)
		if i < len(q.Sort) {
			selected += ", " + col.value.sql
			values = append(values, col.value.args...)
			by = strconv.Itoa(versionWidth+i+1) + direction(col.descending) + nulls(q.Reverse)
		}
		order = append(order, by)
	}
	c := p.statement(selected)
	c.args = append(values, c.args...)
	c.sql += "\n ORDER BY " + strings.Join(order, ", ") + " LIMIT ?"
	c.args = append(c.args, q.Count+1)
	return c, nil
}

// versionWidth is how many columns versionColumns are.
var versionWidth = strings.Count(versionColumns, ",") + 1

func direction(descending bool) string {
	if descending {
		return " DESC"
	}
	return " ASC"
}

// nulls puts what has no value last.
func nulls(reverse bool) string {
	if reverse {
		return " NULLS FIRST"
	}
	return " NULLS LAST"
}

// after bounds a plan to what comes after q.After: what is beyond it in one
// column, and the same in those before.
func (p *plan) after(q store.Query, columns []sortColumn) {
	k := q.After
	if len(q.Sort) == 0 { // the key's seq bounds the walk
		if columns[0].descending {
			p.span.hi = min(p.span.hi, k.Seq+1)
		} else {
			p.span.lo = max(p.span.lo, k.Seq)
		}
	}
	var either []string
	var args []any
	same := clause{sql: "1"}
	for i, col := range columns {
		at := positionOf(q, i)
		beyond := col.beyond(at, q.Reverse)
		either = append(either, "("+same.sql+" AND "+beyond.sql+")")
		args = append(append(args, same.args...), beyond.args...)
		same.sql += " AND " + col.value.sql + " IS ?"
		same.args = append(append(append([]any{}, same.args...), col.value.args...), at)
	}
	p.where = append(append([]clause{}, p.where...), clause{"(" + strings.Join(either, " OR ") + ")", args})
}

// positionOf is the value of a key in a column of sortColumns.
func positionOf(q store.Query, column int) any {
	k := q.After
	if column >= len(k.Sort) {
		rest := []any{k.Seq, k.Ref.Type, k.Ref.ID}
		if q.Type != "" {
			rest = []any{k.Seq, k.Ref.ID}
		}
		return rest[column-len(k.Sort)]
	}
	switch v := k.Sort[column]; {
	case v.Int != nil:
		return *v.Int
	case v.Text != nil:
		return *v.Text
	}
	return nil
}

// beyond is what comes after a value in the order of a column; what has none
// comes last.
func (c sortColumn) beyond(at any, reverse bool) clause {
	op := " > "
	if c.descending {
		op = " < "
	}
	than := clause{c.value.sql + op + "?", append(append([]any{}, c.value.args...), at)}
	switch {
	case at == nil && reverse:
		return clause{c.value.sql + " IS NOT NULL", c.value.args}
	case at == nil:
		return clause{sql: "0"}
	case reverse:
		return than
	}
	return clause{"(" + than.sql + " OR " + c.value.sql + " IS NULL)", append(than.args, c.value.args...)}
}
