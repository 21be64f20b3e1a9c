package value

import (
	"errors"

	"github.com/cockroachdb/apd/v3"

	"nailbridge/internal/fhirpath/temporal"
)

// Errors of Apply.
var (
	// ErrNoOperator says that an operator is not defined for the types of its
	// operands.
	ErrNoOperator = errors.New("operands of types that have no such operator")
	// ErrUnit says that a quantity cannot be added to a date or time.
	ErrUnit = errors.New("a unit that cannot be added to such a value")
)

// UnitCost is what it takes to read and convert units, in steps of a Budget.
const UnitCost = 50

// Cost is what arithmetic on a value costs, in steps of a Budget.
func (it Item) Cost() int {
	switch it.Kind {
	case Decimals:
		return int(it.Val.(*apd.Decimal).NumDigits())
	case Quantities:
		return UnitCost
	case Strings:
		return 1 + len(it.Text())/64
	}
	return 1
}

// Apply computes one of * / div mod + - (N1 6.6 and 6.7). It is not ok, and the
// result empty, on division by zero, overflow, and units that do not fit.
func Apply(op string, a, b Item) (it Item, ok bool, err error) {
	switch {
	case a.Kind == Strings && b.Kind == Strings && op == "+":
		return String(a.Text() + b.Text()), true, nil
	case IsDay(a) || a.Kind == Times:
		if b.Kind != Quantities || op != "+" && op != "-" {
			return Item{}, false, ErrNoOperator
		}
		return shift(*a.Val.(*temporal.Value), b.Val.(*Quantity), op)
	case IsNumber(a) && IsNumber(b):
		it, ok = numbers(op, a, b)
		return it, ok, nil
	case a.Kind == Quantities || b.Kind == Quantities:
		q, okQ := AsQuantity(a)
		r, okR := AsQuantity(b)
		if !okQ || !okR || op == "div" || op == "mod" {
			return Item{}, false, ErrNoOperator
		}
		switch op {
		case "+":
			it, ok = q.plus(r, 1)
		case "-":
			it, ok = q.plus(r, -1)
		default:
			it, ok = q.times(r, op)
		}
		return it, ok, nil
	}
	return Item{}, false, ErrNoOperator
}

// numbers computes on Integers and Decimals.
func numbers(op string, a, b Item) (Item, bool) {
	if a.Kind == Integers && b.Kind == Integers {
		switch op {
		case "+":
			return Small(a.Int + b.Int)
		case "-":
			return Small(a.Int - b.Int)
		case "*":
			return Small(a.Int * b.Int)
		case "div":
			return intDivision(a.Int, b.Int, func(x, y int64) int64 { return x / y })
		case "mod":
			return intDivision(a.Int, b.Int, func(x, y int64) int64 { return x % y })
		}
	}
	x, y := AsDecimal(a), AsDecimal(b)
	switch op {
	case "*":
		return multiply(x, y)
	case "/":
		return divide(x, y)
	}
	d, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) {
		switch op {
		case "+":
			return c.Add(d, x, y)
		case "-":
			return c.Sub(d, x, y)
		case "div":
			return c.QuoInteger(d, x, y)
		}
		return c.Rem(d, x, y)
	}, &exact)
	if !ok {
		return Item{}, false
	}
	if op == "div" {
		return wholeNumber(d), true
	}
	return Decimal(d), true
}

// Small makes an Integer; it is not ok on overflow (N1 6.6).
func Small(n int64) (Item, bool) { return Item{Kind: Integers, Int: n}, InInteger(n) }

func intDivision(a, b int64, op func(a, b int64) int64) (Item, bool) {
	if b == 0 {
		return Item{}, false
	}
	return Small(op(a, b))
}

func multiply(x, y *apd.Decimal) (Item, bool) {
	d, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) { return c.Mul(d, x, y) }, &exact)
	return Decimal(d), ok
}

func divide(x, y *apd.Decimal) (Item, bool) {
	d, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) { return c.Quo(d, x, y) }, &divided)
	if !ok {
		return Item{}, false
	}
	return Decimal(trim(d)), true
}

// wholeNumber is an Integer where it is in range, else a Decimal.
func wholeNumber(d *apd.Decimal) Item {
	if n, err := d.Int64(); err == nil && InInteger(n) {
		return Item{Kind: Integers, Int: n}
	}
	return Decimal(setExponent(d, 0, apd.RoundDown))
}

// shift adds a duration to a date or time (N1 6.7).
func shift(v temporal.Value, q *Quantity, op string) (Item, bool, error) {
	u, ok := temporal.ParseUnit(q.Unit)
	if !ok || !v.Kind().Fits(u) {
		return Item{}, false, ErrUnit
	}
	n := toRat(q.Number)
	if op == "-" {
		n.Neg(n)
	}
	v, ok = v.Add(n, u)
	return Temporal(v), ok, nil
}

// Negate is the value with the opposite sign; it is not ok on overflow, and an
// error of what is no number.
func Negate(v Item) (Item, bool, error) {
	switch v.Kind {
	case Integers:
		it, ok := Small(-v.Int)
		return it, ok, nil
	case Decimals:
		return Decimal(new(apd.Decimal).Neg(v.Val.(*apd.Decimal))), true, nil
	case Quantities:
		q := v.Val.(*Quantity)
		return NewQuantity(new(apd.Decimal).Neg(q.Number), q.Unit, q.Calendar), true, nil
	}
	return Item{}, false, ErrNoOperator
}
