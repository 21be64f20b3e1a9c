package sqlite

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"nailbridge/internal/searchparam"
)

// errCondition is a condition that the index cannot answer: the door offers
// what it must not.
var errCondition = errors.New("condition not offered")

// lead is one condition as a select of versions.
type lead struct {
	rank  int    // which to try first as the way of the search
	from  string // table with alias x
	vid   string // its column of the version
	match clause
}

// holds is the condition on a version v already found.
func (l lead) holds() clause {
	return clause{"EXISTS (SELECT 1 FROM " + l.from + " WHERE " + l.vid + " = v.vid AND " + l.match.sql + ")", l.match.args}
}

func leading(resourceType string, c searchparam.Condition) (lead, error) {
	if c.Param == "_id" {
		m := anyOf(c.Any, func(a searchparam.Alternative) clause { return clause{"r.id = ?", []any{a.Code}} })
		return lead{
			from: "resource r CROSS JOIN version x ON x.rid = r.rid", vid: "x.vid",
			match: clause{"r.type = ? AND " + m.sql, append([]any{resourceType}, m.args...)},
		}, nil
	}
	l := lead{vid: "x.vid"}
	one := code
	switch c.Kind {
	case searchparam.Reference:
		l.rank, l.from = 1, "index_code x"
	case searchparam.Token:
		l.rank, l.from, one = 2, "index_code x", token
	case searchparam.URI:
		l.rank, l.from = 2, "index_code x"
	case searchparam.String:
		l.rank, l.from, one = 3, "index_text x", starts
	case searchparam.Date:
		l.rank, l.from = 4, "index_date x"
		for _, a := range c.Any {
			if _, ok := date(a); !ok {
				return lead{}, fmt.Errorf("%w: prefix %q", errCondition, a.Prefix)
			}
		}
		one = func(a searchparam.Alternative) clause { c, _ := date(a); return c }
	default:
		return lead{}, fmt.Errorf("%w: kind %q", errCondition, c.Kind)
	}
	m := anyOf(c.Any, one)
	l.match = clause{"x.param = ? AND " + m.sql, append([]any{qualified(resourceType, c.Param)}, m.args...)}
	return l, nil
}

// anyOf joins alternatives; no alternative holds for nothing.
func anyOf(as []searchparam.Alternative, one func(searchparam.Alternative) clause) clause {
	parts := []string{}
	var args []any
	for _, a := range as {
		c := one(a)
		parts = append(parts, c.sql)
		args = append(args, c.args...)
	}
	if len(parts) == 0 {
		return clause{"0", nil}
	}
	return clause{"(" + strings.Join(parts, " OR ") + ")", args}
}

func code(a searchparam.Alternative) clause { return clause{"x.code = ?", []any{a.Code}} }

// token is R4 search.html#token: "code", "|code", "system|code", "system|".
func token(a searchparam.Alternative) clause {
	switch {
	case a.AnySystem:
		return code(a)
	case a.NoSystem:
		return clause{"(x.code = ? AND x.system = '')", []any{a.Code}}
	case a.Code == "":
		return clause{"x.system = ?", []any{a.System}}
	}
	return clause{"(x.code = ? AND x.system = ?)", []any{a.Code, a.System}}
}

// starts is R4 search.html#string: equal or starting with, both folded. The
// byte 0xff sorts after all UTF-8.
func starts(a searchparam.Alternative) clause {
	return clause{"(x.text >= ? AND x.text < ?)", []any{a.Text, a.Text + "\xff"}}
}

// date is R4 search.html#prefix for a value [x.lo, x.hi) in microseconds; ok
// is false for a prefix that is not offered. The search range may be finer
// than a microsecond, so each comparison rounds its end to where it is exact.
func date(a searchparam.Alternative) (c clause, ok bool) {
	lo, hi := ends(a, time.Microsecond)
	switch a.Prefix {
	case "", searchparam.Eq: // the search range holds the value whole
		return clause{"(x.lo >= ? AND x.hi <= ?)", []any{lo.up, hi.down}}, true
	case searchparam.Ne:
		return clause{"NOT (x.lo >= ? AND x.hi <= ?)", []any{lo.up, hi.down}}, true
	case searchparam.Gt: // the value reaches above the search range
		return clause{"x.hi > ?", []any{hi.down}}, true
	case searchparam.Lt:
		return clause{"x.lo < ?", []any{lo.up}}, true
	case searchparam.Ge: // gt or eq
		return clause{"(x.hi > ? OR (x.lo >= ? AND x.hi <= ?))", []any{hi.down, lo.up, hi.down}}, true
	case searchparam.Le:
		return clause{"(x.lo < ? OR (x.lo >= ? AND x.hi <= ?))", []any{lo.up, lo.up, hi.down}}, true
	case searchparam.Sa: // the value lies above the search range
		return clause{"x.lo >= ?", []any{hi.up}}, true
	case searchparam.Eb:
		return clause{"x.hi <= ?", []any{lo.down}}, true
	}
	return clause{}, false
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
	parts := []string{"0"}
	var args []any
	for _, sp := range spans {
		parts = append(parts, "(v.seq >= ? AND v.seq < ?)")
		args = append(args, sp.lo, sp.hi)
	}
	p.where = append(p.where, clause{"(" + strings.Join(parts, " OR ") + ")", args})
	return nil
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
	seq := int64(math.MaxInt64)
	_, err := s.one("search", `SELECT seq FROM stamp WHERE updated >= ? ORDER BY updated LIMIT 1`, []any{ms}, &seq)
	return seq, err
}
