package searchparam

import "strings"

// Holds reports whether a resource with these rows meets the condition: some
// row of the parameter matches some alternative. It states the meaning of a
// condition; a store's index must find the same.
func (c Condition) Holds(rows []Row) bool {
	for _, r := range rows {
		if r.Param != c.Param {
			continue
		}
		for _, a := range c.Any {
			if a.matches(c.Kind, r) {
				return true
			}
		}
	}
	return false
}

func (a Alternative) matches(kind Kind, r Row) bool {
	switch kind {
	case Token:
		switch {
		case a.AnySystem:
			return r.Code == a.Code
		case a.NoSystem:
			return r.System == "" && r.Code == a.Code
		case a.Code == "":
			return r.System == a.System
		}
		return r.System == a.System && r.Code == a.Code
	case Reference, URI:
		return r.Code == a.Code
	case String:
		return strings.HasPrefix(r.Text, a.Text)
	case Date:
		return a.matchesDate(interval{r.Lo, r.Hi})
	}
	return false
}

// matchesDate follows search.html#prefix with half-open intervals: the value
// asked for covers [a.Lo, a.Hi), the value held covers t, whose open ends
// reach beyond any date.
func (a Alternative) matchesDate(t interval) bool {
	within := !t.lo.IsZero() && !t.hi.IsZero() && !t.lo.Before(a.Lo) && !t.hi.After(a.Hi)
	above := t.hi.IsZero() || t.hi.After(a.Hi)
	below := t.lo.IsZero() || t.lo.Before(a.Lo)
	switch a.Prefix {
	case Eq:
		return within
	case Ne:
		return !within
	case Gt:
		return above
	case Lt:
		return below
	case Ge:
		return above || within
	case Le:
		return below || within
	case Sa:
		return !t.lo.IsZero() && !t.lo.Before(a.Hi)
	case Eb:
		return !t.hi.IsZero() && !t.hi.After(a.Lo)
	}
	return false
}
