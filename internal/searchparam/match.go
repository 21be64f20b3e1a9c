package searchparam

import (
	"slices"
	"strings"
)

// Holds reports whether a resource with these rows meets the condition: some
// row of the parameter matches some alternative. It states the meaning of a
// condition; a store's index must find the same.
//
// A chain holds when one of the references is to a resource that meets its
// condition; target gives the rows of a resource, which is nil where there is
// none to be seen. Without chains target may be nil.
func (c Condition) Holds(rows []Row, target func(ref string) []Row) bool {
	return c.met(rows, target) != c.Not
}

func (c Condition) met(rows []Row, target func(ref string) []Row) bool {
	all := func(cs []Condition) bool {
		return !slices.ContainsFunc(cs, func(c Condition) bool { return !c.Holds(rows, target) })
	}
	if c.Either != nil {
		return slices.ContainsFunc(c.Either, all)
	}
	return slices.ContainsFunc(rows, func(r Row) bool {
		if c.Present && r.Param == PresentParam(c.Param) {
			return true
		}
		if r.Param != c.Param {
			return false
		}
		if c.Chain != nil {
			return c.Chain.met(r.Code, target)
		}
		return c.Present || slices.ContainsFunc(c.Any, func(a Alternative) bool { return a.matches(c.Kind, r) })
	})
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
		switch {
		case a.Exact:
			return r.Text == a.Text
		case a.Contains:
			return strings.Contains(r.Text, a.Text)
		}
		return strings.HasPrefix(r.Text, a.Text)
	case Quantity:
		return a.matchesUnit(r) && a.matchesNumber(r.Number)
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
	case Ap: // they overlap
		return (t.hi.IsZero() || t.hi.After(a.Lo)) && (t.lo.IsZero() || t.lo.Before(a.Hi))
	}
	return false
}

func (c *Chain) met(ref string, target func(ref string) []Row) bool {
	if typ, _, _ := strings.Cut(ref, "/"); typ != c.Type || target == nil {
		return false
	}
	rows := target(ref)
	return rows != nil && c.Of.Holds(rows, target)
}

// matchesUnit follows the forms of search.html#quantity: a number alone, with a
// code of a system, or with a code or name of any system.
func (a Alternative) matchesUnit(r Row) bool {
	switch {
	case a.Code == "":
		return true
	case a.AnySystem:
		return r.Code == a.Code || r.Unit == a.Code
	}
	return r.System == a.System && r.Code == a.Code
}

// matchesNumber compares by the range that the digits stand for where equality
// is asked, else by the exact number (search.html#quantity).
func (a Alternative) matchesNumber(n string) bool {
	within := a.NumberLo <= n && n < a.NumberHi
	switch a.Prefix {
	case Eq:
		return within
	case Ne:
		return !within
	case Gt, Sa:
		return n > a.Number
	case Lt, Eb:
		return n < a.Number
	case Ge:
		return n >= a.Number
	case Le:
		return n <= a.Number
	case Ap:
		return a.NumberLo <= n && n <= a.NumberHi
	}
	return false
}
