package sqlite

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"nailbridge/internal/searchparam"
)

// errCondition is a condition that the index cannot answer: the door offers
// what it must not.
var errCondition = errors.New("condition not offered")

// sight is what a search sees of the store: the versions that stand under its
// bound, of the clinics of its scope.
type sight struct {
	published
	upTo int64
}

// sees holds for a version, of a resource, both named by their aliases.
func (s sight) sees(version, resource string) clause {
	within := s.within(resource + ".clinic")
	return clause{
		version + ".seq <= ? AND " + version + ".until > ? AND " + version + ".deleted = 0 AND " + version + ".hidden = 0 AND " + within.sql,
		append([]any{s.upTo, s.upTo}, within.args...),
	}
}

// lead is one condition as a select of versions: the way of a search may begin
// there.
type lead struct {
	rank   int    // which to try first
	from   string // tables
	vid    string // the column of the version
	match  clause
	few    bool  // few rows meet it, without counting
	always bool  // it leads however many rows meet it: the rest of the store is more
	inner  *lead // of a chain, the way to its end
}

// indexOf is the index table of a kind, and what makes a clause of one
// alternative about its alias; rank says how few rows to expect.
func indexOf(kind searchparam.Kind) (table string, rank int, one func(alias string, a searchparam.Alternative) (clause, error), err error) {
	switch kind {
	case searchparam.Reference:
		return "index_code", 1, code, nil
	case searchparam.Token:
		return "index_code", 2, token, nil
	case searchparam.URI:
		return "index_code", 2, code, nil
	case searchparam.String:
		return "index_text", 3, text, nil
	case searchparam.Date:
		return "index_date", 4, date, nil
	case searchparam.Quantity:
		return "index_quantity", 4, quantity, nil
	}
	return "", 0, nil, fmt.Errorf("%w: kind %q", errCondition, kind)
}

// leading gives the way of a condition on versions of a type; ok is false where
// it is none: what is not there can not lead. depth is that of the chain.
func (s sight) leading(typ string, c searchparam.Condition, depth int) (l lead, ok bool, err error) {
	switch {
	case c.Not || c.Present || c.Either != nil || c.Param == "_lastUpdated":
		return lead{}, false, nil
	case c.Chain != nil:
		return s.leadingChain(typ, c, depth)
	case c.Param == "_id":
		r, v := alias("r", depth), alias("x", depth)
		m, err := anyOf(c.Any, func(a searchparam.Alternative) (clause, error) { return clause{r + ".id = ?", []any{a.Code}}, nil })
		return lead{
			from: "resource " + r + " CROSS JOIN version " + v + " ON " + v + ".rid = " + r + ".rid", vid: v + ".vid",
			match: clause{r + ".type = ? AND " + m.sql, append([]any{typ}, m.args...)},
		}, true, err
	}
	x := alias("x", depth)
	table, rank, one, err := indexOf(c.Kind)
	if err != nil {
		return lead{}, false, err
	}
	m, err := values(x, c, one)
	if slices.ContainsFunc(c.Any, func(a searchparam.Alternative) bool { return a.Contains }) {
		return lead{}, false, err // every row would be read
	}
	return lead{
		rank: rank, from: table + " " + x, vid: x + ".vid",
		match: clause{x + ".param = ? AND " + m.sql, append([]any{qualified(typ, c.Param)}, m.args...)},
		few:   onePatient(c),
	}, true, err
}

// leadingParts adds the ways of a composite to leads: by its codes, or by its
// values. Each finds more than the composite, which has to hold still, so that
// nothing is left to hold in its place.
func (s sight) leadingParts(typ string, c searchparam.Condition, leads []lead, rest []clause) ([]lead, []clause, error) {
	if typ == "" || c.Not {
		return leads, rest, nil
	}
	for _, part := range partsOf(c.Either) {
		l, ok, err := s.leading(typ, part, 0)
		if err != nil {
			return nil, nil, err
		}
		if ok {
			leads, rest = append(leads, l), append(rest, clause{sql: "1"})
		}
	}
	return leads, rest, nil
}

// partsOf gives, for each place in the alternatives of a composite, the condition
// that has the values of all of them there; none for a place where they differ in
// more than values.
func partsOf(either [][]searchparam.Condition) (out []searchparam.Condition) {
	if len(either) == 0 {
		return nil
	}
	for i, first := range either[0] {
		part, alike := searchparam.Condition{Param: first.Param, Kind: first.Kind}, true
		for _, all := range either {
			if alike = alike && i < len(all) && all[i].Param == first.Param && all[i].Kind == first.Kind && !all[i].Not && len(all[i].Any) > 0; alike {
				part.Any = append(part.Any, all[i].Any...)
			}
		}
		if alike {
			out = append(out, part)
		}
	}
	return out
}

// onePatient reports a condition that names one patient: what there is of a type of
// one patient is few.
func onePatient(c searchparam.Condition) bool {
	return c.Kind == searchparam.Reference && len(c.Any) == 1 && strings.HasPrefix(c.Any[0].Code, "Patient/")
}

// leadingChain begins at the resources that meet the chain's condition and goes
// to those that refer to them.
func (s sight) leadingChain(typ string, c searchparam.Condition, depth int) (lead, bool, error) {
	inner, ok, err := s.leading(c.Chain.Type, c.Chain.Of, depth+1)
	if err != nil || !ok {
		return lead{}, false, err
	}
	x, t, o := alias("x", depth), alias("t", depth), alias("o", depth)
	seen := s.sees(t, o)
	return lead{
		rank: inner.rank, inner: &inner,
		from: inner.from + " CROSS JOIN version " + t + " ON " + t + ".vid = " + inner.vid +
			" CROSS JOIN resource " + o + " ON " + o + ".rid = " + t + ".rid CROSS JOIN index_code " + x,
		vid: x + ".vid",
		match: clause{inner.match.sql + " AND " + seen.sql + " AND " + x + ".param = ? AND " + x + ".code = ? || " + t + ".id",
			slices.Concat(inner.match.args, seen.args, []any{qualified(typ, c.Param), c.Chain.Type + "/"})},
	}, true, nil
}

func alias(letter string, depth int) string {
	if depth == 0 {
		return letter
	}
	return letter + strconv.Itoa(depth)
}

// holds is a condition on a version of a type, named by its alias.
func (s sight) holds(typ string, c searchparam.Condition, version string, depth int) (clause, error) {
	cl, err := s.met(typ, c, version, depth)
	if c.Not {
		cl.sql = "NOT " + cl.sql
	}
	return cl, err
}

func (s sight) met(typ string, c searchparam.Condition, version string, depth int) (clause, error) {
	switch {
	case c.Either != nil:
		return joined(c.Either, " OR ", func(all []searchparam.Condition) (clause, error) {
			return joined(all, " AND ", func(c searchparam.Condition) (clause, error) { return s.holds(typ, c, version, depth) })
		})
	case c.Chain != nil:
		return s.metByChain(typ, c, version, depth)
	case c.Param == "_id":
		return anyOf(c.Any, func(a searchparam.Alternative) (clause, error) {
			return clause{version + ".id = ?", []any{a.Code}}, nil
		})
	case c.Param == "_lastUpdated":
		return updated(c, version)
	}
	x := alias("x", depth)
	table, _, one, err := indexOf(c.Kind)
	if err != nil {
		return clause{}, err
	}
	if c.Present {
		row := func(table, param string) clause {
			return clause{"EXISTS (SELECT 1 FROM " + ofVersion(table, x) + " WHERE " + x + ".vid = " + version + ".vid AND " + x + ".param = ?)", []any{param}}
		}
		own, other := row(table, qualified(typ, c.Param)), row("index_code", qualified(typ, searchparam.PresentParam(c.Param)))
		return clause{"(" + own.sql + " OR " + other.sql + ")", append(own.args, other.args...)}, nil
	}
	m, err := values(x, c, one)
	return clause{"EXISTS (SELECT 1 FROM " + ofVersion(table, x) + " WHERE " + x + ".vid = " + version + ".vid AND " + x + ".param = ? AND " + m.sql + ")",
		append([]any{qualified(typ, c.Param)}, m.args...)}, err
}

// ofVersion is an index table asked for the rows of one version, by its primary
// key: left to choose, SQLite may look for them among all that have the value.
func ofVersion(table, alias string) string {
	return table + " " + alias + " INDEXED BY sqlite_autoindex_" + table + "_1"
}

// metByChain goes from the version to what it refers to.
func (s sight) metByChain(typ string, c searchparam.Condition, version string, depth int) (clause, error) {
	x, t, o := alias("x", depth), alias("t", depth), alias("o", depth)
	seen := s.sees(t, o)
	of, err := s.holds(c.Chain.Type, c.Chain.Of, t, depth+1)
	before := c.Chain.Type + "/"
	return clause{
		"EXISTS (SELECT 1 FROM " + ofVersion("index_code", x) + " CROSS JOIN resource " + o + " ON " + o + ".type = ? AND " + o + ".id = substr(" + x + ".code, ?)" +
			" CROSS JOIN version " + t + " ON " + t + ".rid = " + o + ".rid" +
			" WHERE " + x + ".vid = " + version + ".vid AND " + x + ".param = ? AND " + x + ".code >= ? AND " + x + ".code < ?" +
			" AND " + seen.sql + " AND " + of.sql + ")",
		slices.Concat([]any{c.Chain.Type, len(before) + 1, qualified(typ, c.Param), before, c.Chain.Type + "0"}, seen.args, of.args), // "0" follows "/"
	}, err
}

// values holds where a row has one of a condition's values. Codes stand in a list
// too, which is looked up in the index value by value, and is no deep expression.
func values(x string, c searchparam.Condition, one func(string, searchparam.Alternative) (clause, error)) (clause, error) {
	listed := clause{sql: x + ".code IN (" + marks(len(c.Any)) + ")"}
	alone := true
	for _, a := range c.Any {
		if a.Code == "" || c.Kind != searchparam.Token && c.Kind != searchparam.Reference && c.Kind != searchparam.URI {
			return anyOf(c.Any, func(a searchparam.Alternative) (clause, error) { return one(x, a) })
		}
		listed.args = append(listed.args, a.Code)
		alone = alone && (a.AnySystem || c.Kind != searchparam.Token)
	}
	if alone && len(c.Any) > 0 {
		return listed, nil
	}
	m, err := anyOf(c.Any, func(a searchparam.Alternative) (clause, error) { return one(x, a) })
	return clause{"(" + listed.sql + " AND " + m.sql + ")", append(listed.args, m.args...)}, err
}

// updated is a condition on when a version was committed.
func updated(c searchparam.Condition, version string) (clause, error) {
	if c.Kind != searchparam.Date {
		return clause{}, fmt.Errorf("%w: _lastUpdated as %q", errCondition, c.Kind)
	}
	return anyOf(c.Any, func(a searchparam.Alternative) (clause, error) {
		spans, err := instants(a)
		if err != nil {
			return clause{}, err
		}
		return joined(spans, " OR ", func(sp span) (clause, error) {
			return clause{version + ".updated >= ? AND " + version + ".updated < ?", []any{sp.lo, sp.hi}}, nil
		})
	})
}

// anyOf joins alternatives; no alternative holds for nothing.
func anyOf(as []searchparam.Alternative, one func(searchparam.Alternative) (clause, error)) (clause, error) {
	return joined(as, " OR ", one)
}

// joined joins the clauses of items; those of none hold for nothing. SQLite bounds
// how deep an expression is (sqlite.org/limits.html, SQLITE_MAX_EXPR_DEPTH), and a
// chain of operators is as deep as it is long: many stand as a tree.
func joined[T any](items []T, by string, one func(T) (clause, error)) (clause, error) {
	parts := []string{}
	var args []any
	for _, it := range items {
		c, err := one(it)
		if err != nil {
			return clause{}, err
		}
		parts = append(parts, c.sql)
		args = append(args, c.args...)
	}
	if len(parts) == 0 {
		return clause{"0", nil}, nil
	}
	return clause{"(" + tree(parts, by) + ")", args}, nil
}

// sideBySide is how many clauses stand beside each other without being parted.
const sideBySide = 8

// tree joins clauses in their order, in halves that are joined the same way.
func tree(parts []string, by string) string {
	if len(parts) <= sideBySide {
		return strings.Join(parts, by)
	}
	half := len(parts) / 2
	return "(" + tree(parts[:half], by) + ")" + by + "(" + tree(parts[half:], by) + ")"
}

func code(x string, a searchparam.Alternative) (clause, error) {
	return clause{x + ".code = ?", []any{a.Code}}, nil
}

// token is R4 search.html#token: "code", "|code", "system|code", "system|".
func token(x string, a searchparam.Alternative) (clause, error) {
	switch {
	case a.AnySystem:
		return code(x, a)
	case a.NoSystem:
		return clause{"(" + x + ".code = ? AND " + x + ".system = '')", []any{a.Code}}, nil
	case a.Code == "":
		return clause{x + ".system = ?", []any{a.System}}, nil
	}
	return clause{"(" + x + ".code = ? AND " + x + ".system = ?)", []any{a.Code, a.System}}, nil
}

// text is R4 search.html#string: starting with, both folded; :contains, any part
// of it; :exact, the whole of what is not folded. The byte 0xff sorts after all
// UTF-8.
func text(x string, a searchparam.Alternative) (clause, error) {
	switch {
	case a.Exact:
		return clause{x + ".text = ?", []any{a.Text}}, nil
	case a.Contains:
		return clause{"instr(" + x + ".text, ?) > 0", []any{a.Text}}, nil
	}
	return clause{"(" + x + ".text >= ? AND " + x + ".text < ?)", []any{a.Text, a.Text + "\xff"}}, nil
}

// date is R4 search.html#prefix for a value [lo, hi) in microseconds. The search
// range may be finer than a microsecond, so each comparison rounds its end to
// where it is exact.
func date(x string, a searchparam.Alternative) (clause, error) {
	lo, hi := ends(a, time.Microsecond)
	// Of a value within the range, its start lies there too, and its end: each
	// index is asked for no more than that.
	within := clause{"(" + x + ".lo >= ? AND " + x + ".lo <= ? AND " + x + ".hi <= ?)", []any{lo.up, hi.down, hi.down}}
	switch a.Prefix {
	case "", searchparam.Eq: // the search range holds the value whole
		return within, nil
	case searchparam.Ne:
		return clause{"NOT " + within.sql, within.args}, nil
	case searchparam.Gt: // the value reaches above the search range
		return clause{x + ".hi > ?", []any{hi.down}}, nil
	case searchparam.Lt:
		return clause{x + ".lo < ?", []any{lo.up}}, nil
	case searchparam.Ge: // gt or eq, either of which ends after the search range starts
		return clause{"(" + x + ".hi >= ? AND (" + x + ".hi > ? OR " + within.sql + "))", append([]any{lo.up, hi.down}, within.args...)}, nil
	case searchparam.Le: // lt or eq, either of which starts before it ends
		return clause{"(" + x + ".lo <= ? AND (" + x + ".lo < ? OR " + within.sql + "))", append([]any{hi.down, lo.up}, within.args...)}, nil
	case searchparam.Sa: // the value lies above the search range
		return clause{x + ".lo >= ?", []any{hi.up}}, nil
	case searchparam.Eb:
		return clause{x + ".hi <= ?", []any{lo.down}}, nil
	case searchparam.Ap: // they overlap
		return clause{"(" + x + ".hi > ? AND " + x + ".lo < ?)", []any{lo.down, hi.up}}, nil
	}
	return clause{}, fmt.Errorf("%w: prefix %q", errCondition, a.Prefix)
}

// quantity is R4 search.html#quantity. Number keys sort as the numbers do.
func quantity(x string, a searchparam.Alternative) (clause, error) {
	n, err := number(x+".number", a)
	switch {
	case err != nil || a.Code == "":
		return n, err
	case a.AnySystem:
		return clause{"(" + n.sql + " AND (" + x + ".code = ? OR " + x + ".unit = ?))", append(n.args, a.Code, a.Code)}, nil
	}
	return clause{"(" + n.sql + " AND " + x + ".code = ? AND " + x + ".system = ?)", append(n.args, a.Code, a.System)}, nil
}

func number(column string, a searchparam.Alternative) (clause, error) {
	within := clause{"(" + column + " >= ? AND " + column + " < ?)", []any{a.NumberLo, a.NumberHi}}
	than := func(op string) (clause, error) { return clause{column + op + "?", []any{a.Number}}, nil }
	switch a.Prefix {
	case "", searchparam.Eq:
		return within, nil
	case searchparam.Ne:
		return clause{"NOT " + within.sql, within.args}, nil
	case searchparam.Gt, searchparam.Sa:
		return than(" > ")
	case searchparam.Lt, searchparam.Eb:
		return than(" < ")
	case searchparam.Ge:
		return than(" >= ")
	case searchparam.Le:
		return than(" <= ")
	case searchparam.Ap:
		return clause{"(" + column + " >= ? AND " + column + " <= ?)", []any{a.NumberLo, a.NumberHi}}, nil
	}
	return clause{}, fmt.Errorf("%w: prefix %q", errCondition, a.Prefix)
}

// rounded is an instant in whole units: the last not after it and the first
// not before it.
type rounded struct{ down, up int64 }

func round(t time.Time, unit time.Duration, open int64) rounded {
	if t.IsZero() {
		return rounded{open, open}
	}
	per := int64(time.Second / unit)
	n, rest := int64(t.Nanosecond())/int64(unit), int64(t.Nanosecond())%int64(unit)
	r := rounded{t.Unix()*per + n, t.Unix()*per + n}
	if rest > 0 {
		r.up++
	}
	return r
}

// ends are the ends of a search range in units, an absent one open.
func ends(a searchparam.Alternative, unit time.Duration) (lo, hi rounded) {
	return round(a.Lo, unit, math.MinInt64), round(a.Hi, unit, math.MaxInt64)
}

// span is a half-open range of integers.
type span struct{ lo, hi int64 }

// narrow applies _lastUpdated: since lastUpdated rises with seq, each of its
// comparisons is a range of seq. The value is the instant, one millisecond
// long.
func (s *snapshot) narrow(p *plan, c searchparam.Condition) error {
	if c.Kind != searchparam.Date {
		return fmt.Errorf("%w: _lastUpdated as %q", errCondition, c.Kind)
	}
	var spans []span
	for _, a := range c.Any {
		ms, err := instants(a)
		if err != nil {
			return err
		}
		for _, m := range ms {
			sp, err := s.seqs(m)
			if err != nil {
				return err
			}
			spans = append(spans, sp)
		}
	}
	if len(spans) == 1 {
		p.span = span{max(p.span.lo, spans[0].lo), min(p.span.hi, spans[0].hi)}
		return nil
	}
	within, err := joined(spans, " OR ", func(sp span) (clause, error) {
		return clause{"(v.seq >= ? AND v.seq < ?)", []any{sp.lo, sp.hi}}, nil
	})
	p.where = append(p.where, within)
	return err
}

// instants gives the milliseconds u for which the value [u, u+1) meets the
// alternative by R4 search.html#prefix, as ranges of u.
func instants(a searchparam.Alternative) ([]span, error) {
	lo, hi := ends(a, time.Millisecond)
	from := func(u int64) span { return span{u, math.MaxInt64} }
	to := func(u int64) span { return span{math.MinInt64, u} }
	switch a.Prefix {
	case "", searchparam.Eq:
		return []span{{lo.up, hi.down}}, nil
	case searchparam.Ne:
		return []span{to(lo.up), from(hi.down)}, nil
	case searchparam.Gt:
		return []span{from(hi.down)}, nil
	case searchparam.Lt:
		return []span{to(lo.up)}, nil
	case searchparam.Ge:
		return []span{from(min(lo.up, hi.down))}, nil
	case searchparam.Le:
		return []span{to(max(lo.up, hi.down))}, nil
	case searchparam.Sa:
		return []span{from(hi.up)}, nil
	case searchparam.Eb:
		return []span{to(lo.down)}, nil
	case searchparam.Ap: // [u, u+1) overlaps the range
		return []span{{lo.down, hi.up}}, nil
	}
	return nil, fmt.Errorf("%w: prefix %q", errCondition, a.Prefix)
}

// seqs turns a range of milliseconds into the range of seq committed in it.
func (s *snapshot) seqs(ms span) (span, error) {
	lo, err := s.firstSeq(ms.lo)
	if err != nil {
		return span{}, err
	}
	hi, err := s.firstSeq(ms.hi)
	return span{lo, hi}, err
}

// firstSeq is the first seq stamped at or after an instant; when there is
// none, a seq above all.
func (s *snapshot) firstSeq(ms int64) (int64, error) {
	switch ms { // open ends
	case math.MinInt64:
		return 0, nil
	case math.MaxInt64:
		return ms, nil
	}
	seq := int64(math.MaxInt64)
	_, err := s.byKey("search", `SELECT seq FROM stamp WHERE updated >= ? ORDER BY updated LIMIT 1`, []any{ms}, &seq)
	return seq, err
}
