package fhirpath

import (
	"reflect"
	"strings"
	"unicode"

	"github.com/cockroachdb/apd/v3"

	"nailbridge/internal/fhirpath/temporal"
)

// same says how two items are compared: by = or by ~ (N1 6.1).
type same bool

const (
	equals     same = false
	equivalent same = true
)

// equal compares two items. Unknown is the answer of = to dates and
// quantities that cannot be compared (N1 6.1.1).
func (m *machine) equal(a, b *Item, how same) Truth {
	m.steps--
	x, okX := m.native(*a)
	y, okY := m.native(*b)
	if okX && okY {
		return m.equalValues(x, y, how)
	}
	if okX != okY || a.kind != node || b.kind != node {
		return False
	}
	return m.equalNodes(a, b, how)
}

// unitCost is what it takes to read and convert units, in steps.
const unitCost = 50

// equalValues compares values of FHIRPath's own types, after the implicit
// conversions of N1 5.5.
func (m *machine) equalValues(x, y Item, how same) Truth {
	switch {
	case x.kind == text && y.kind == text:
		m.steps -= (len(x.text()) + len(y.text())) / 64
		if how == equivalent {
			return truthOf(sameText(x.text(), y.text()))
		}
		return truthOf(x.text() == y.text())
	case x.kind == quantities || y.kind == quantities:
		m.steps -= unitCost
		p, okP := asQuantity(x)
		q, okQ := asQuantity(y)
		if !okP || !okQ {
			return False
		}
		return p.equal(q, how)
	case x.kind == y.kind && (x.kind == boolean || x.kind == integer):
		return truthOf(x.num == y.num)
	case isNumber(x) && isNumber(y):
		return truthOf(equalDecimals(asDecimal(x), asDecimal(y), how))
	case isDay(x) && isDay(y) || x.kind == timeOfDay && y.kind == timeOfDay:
		order, ok := temporal.Compare(*x.val.(*temporal.Value), *y.val.(*temporal.Value))
		if !ok && how == equals {
			return Unknown
		}
		return truthOf(ok && order == 0)
	case x.kind == typeInfo && y.kind == typeInfo:
		return truthOf(x.text() == y.text())
	}
	return False
}

func isNumber(it Item) bool { return it.kind == integer || it.kind == decimal }

func isDay(it Item) bool { return it.kind == date || it.kind == dateTime }

// asDecimal is the value of a number.
func asDecimal(it Item) *apd.Decimal {
	if it.kind == integer {
		return fromInt(it.num)
	}
	return it.val.(*apd.Decimal)
}

// equalDecimals compares exactly, or rounded to the precision of the less
// precise (N1 6.1.2); trailing zeros do not count.
func equalDecimals(a, b *apd.Decimal, how same) bool {
	if how == equivalent {
		a, b = trim(a), trim(b)
		places := max(a.Exponent, b.Exponent)
		a, b = setExponent(a, places, apd.RoundHalfUp), setExponent(b, places, apd.RoundHalfUp)
	}
	return a.Cmp(b) == 0
}

// sameText ignores case and takes all white space to be alike (N1 6.1.2).
func sameText(a, b string) bool {
	if a == b {
		return true
	}
	return strings.EqualFold(spaces(a), spaces(b))
}

// spaces makes each run of white space one blank.
func spaces(s string) string {
	if !strings.ContainsFunc(s, unicode.IsSpace) {
		return s
	}
	var b strings.Builder
	was := false
	for _, r := range s {
		is := unicode.IsSpace(r)
		if is && !was {
			b.WriteByte(' ')
		}
		if !is {
			b.WriteRune(r)
		}
		was = is
	}
	return b.String()
}

// equalNodes compares elements that have no value of their own: all children
// must be equal, in order; for equivalence, in any order.
func (m *machine) equalNodes(a, b *Item, how same) Truth {
	if a.typ != b.typ {
		return False
	}
	if sameMap(a.val, b.val) && sameMap(a.ext, b.ext) {
		return True
	}
	x, y := m.children(a, m.buffer()), m.children(b, m.buffer())
	defer m.release(x)
	defer m.release(y)
	if a.val != nil && b.val != nil && !m.sameNames(a, b) {
		return False
	}
	if m.step(0) != nil {
		return Unknown // the caller's next step refuses
	}
	return m.equalLists(x, y, how)
}

// sameMap reports whether two objects are one and the same.
func sameMap(a, b any) bool {
	x, okX := a.(map[string]any)
	y, okY := b.(map[string]any)
	return okX && okY && reflect.ValueOf(x).Pointer() == reflect.ValueOf(y).Pointer()
}

// sameNames reports whether two objects have members of the same names.
func (m *machine) sameNames(a, b *Item) bool {
	x, okX := a.val.(map[string]any)
	y, okY := b.val.(map[string]any)
	if !okX || !okY || len(x) != len(y) {
		return false
	}
	for key := range x {
		if _, ok := y[key]; !ok {
			return false
		}
	}
	return true
}

// equalLists compares collections of any size, the empty ones too.
func (m *machine) equalLists(x, y []Item, how same) Truth {
	if len(x) != len(y) {
		return False
	}
	if how == equivalent && len(x) > 1 {
		return m.equivalentLists(x, y)
	}
	result := True
	for i := range x {
		switch m.equal(&x[i], &y[i], how) {
		case False:
			return False
		case Unknown:
			result = Unknown
		}
		if m.steps < 0 {
			return Unknown
		}
	}
	return result
}

// equivalentLists finds a partner in y for each of x, in any order (N1 6.1.2).
func (m *machine) equivalentLists(x, y []Item) Truth {
	taken := make([]bool, len(y))
next:
	for i := range x {
		for j := range y {
			if m.steps < 0 {
				return Unknown
			}
			if !taken[j] && m.equal(&x[i], &y[j], equivalent) == True {
				taken[j] = true
				continue next
			}
		}
		return False
	}
	return True
}

// contains reports whether an item equal to it is in a list.
func (m *machine) contains(list []Item, it *Item) bool {
	for i := range list {
		if m.equal(&list[i], it, equals) == True {
			return true
		}
		if m.steps < 0 {
			return false
		}
	}
	return false
}
