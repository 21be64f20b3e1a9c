package value

import (
	"cmp"
	"errors"
	"strings"
	"unicode"

	"github.com/cockroachdb/apd/v3"

	"nailbridge/internal/fhirpath/temporal"
)

// Truth is a Boolean that may be empty.
type Truth uint8

// The three values of FHIRPath's logic (N1 6.5).
const (
	Unknown Truth = iota // the empty collection
	False
	True
)

// TruthOf is the Truth of a Go bool.
func TruthOf(b bool) Truth {
	if b {
		return True
	}
	return False
}

// Not is the opposite; of Unknown, Unknown (N1 5.1.2).
func (t Truth) Not() Truth {
	switch t {
	case True:
		return False
	case False:
		return True
	}
	return Unknown
}

// Equality says how two items are compared.
type Equality bool

// The two kinds of equality (N1 6.1).
const (
	Equals     Equality = false // by =
	Equivalent Equality = true  // by ~
)

// Equal compares values of FHIRPath's own types, after the implicit
// conversions of N1 5.5.
func Equal(x, y Item, how Equality) Truth {
	switch {
	case x.Kind == Strings && y.Kind == Strings:
		if how == Equivalent {
			return TruthOf(sameText(x.Text(), y.Text()))
		}
		return TruthOf(x.Text() == y.Text())
	case x.Kind == Quantities || y.Kind == Quantities:
		p, okP := AsQuantity(x)
		q, okQ := AsQuantity(y)
		if !okP || !okQ {
			return False
		}
		return p.Equal(q, how)
	case x.Kind == y.Kind && (x.Kind == Booleans || x.Kind == Integers):
		return TruthOf(x.Int == y.Int)
	case IsNumber(x) && IsNumber(y):
		return TruthOf(equalDecimals(AsDecimal(x), AsDecimal(y), how))
	case IsDay(x) && IsDay(y) || x.Kind == Times && y.Kind == Times:
		order, ok := temporal.Compare(*x.Val.(*temporal.Value), *y.Val.(*temporal.Value))
		if !ok && how == Equals {
			return Unknown
		}
		return TruthOf(ok && order == 0)
	case x.Kind == TypeInfos && y.Kind == TypeInfos:
		return TruthOf(x.Text() == y.Text())
	}
	return False
}

// IsNumber reports an Integer or Decimal.
func IsNumber(it Item) bool { return it.Kind == Integers || it.Kind == Decimals }

// IsDay reports a Date or DateTime.
func IsDay(it Item) bool { return it.Kind == Dates || it.Kind == DateTimes }

// AsDecimal is the value of a number.
func AsDecimal(it Item) *apd.Decimal {
	if it.Kind == Integers {
		return fromInt(it.Int)
	}
	return it.Val.(*apd.Decimal)
}

// equalDecimals compares exactly, or rounded to the precision of the less
// precise (N1 6.1.2); trailing zeros do not count.
func equalDecimals(a, b *apd.Decimal, how Equality) bool {
	if how == Equivalent {
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

// ErrNoOrder says that values of two types, or of one without order, were
// compared by < and its like.
var ErrNoOrder = errors.New("operands of types that have no order")

// Compare orders two values of one type, after implicit conversions. Not known
// is the order of dates and quantities that cannot be compared.
func Compare(a, b Item) (order int, known bool, err error) {
	switch {
	case a.Kind == Strings && b.Kind == Strings:
		return strings.Compare(a.Text(), b.Text()), true, nil
	case IsNumber(a) && IsNumber(b):
		if a.Kind == Integers && b.Kind == Integers {
			return cmp.Compare(a.Int, b.Int), true, nil
		}
		return AsDecimal(a).Cmp(AsDecimal(b)), true, nil
	case IsDay(a) && IsDay(b), a.Kind == Times && b.Kind == Times:
		order, known = temporal.Compare(*a.Val.(*temporal.Value), *b.Val.(*temporal.Value))
		return order, known, nil
	case a.Kind == Quantities || b.Kind == Quantities:
		q, okQ := AsQuantity(a)
		r, okR := AsQuantity(b)
		if okQ && okR {
			order, known = q.Compare(r)
			return order, known, nil
		}
	}
	return 0, false, ErrNoOrder
}
