package value

import (
	"github.com/cockroachdb/apd/v3"
)

// The functions of N1 5.7 (math, for trial use). They are not ok if the result
// does not exist or is out of range.

// SeriesCost is what it takes to sum a series for a logarithm or power, in
// steps of a Budget.
const SeriesCost = 1000

// Function computes something of one number.
type Function func(v Item) (Item, bool)

// Functions of one number (N1 5.7.2 to 5.7.5, 5.7.9, 5.7.10). Ceiling, Floor
// and Truncate give Integers where these suffice.
var (
	Ceiling  = rounded(apd.RoundCeiling)
	Floor    = rounded(apd.RoundFloor)
	Truncate = rounded(apd.RoundDown)
	Exp      = refine(exponential)
	Ln       = refine(naturalLog)
	Sqrt     = refine(squareRoot)
)

func rounded(r apd.Rounder) Function {
	return func(v Item) (Item, bool) {
		if v.Kind == Integers {
			return v, true
		}
		return wholeNumber(setExponent(AsDecimal(v), 0, r)), true
	}
}

// refine computes a function of one decimal with digits to spare, and rounds
// what it gives.
func refine(op func(c *apd.Context, d, x *apd.Decimal) (apd.Condition, error)) Function {
	return func(v Item) (Item, bool) {
		x, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) { return c.Round(d, AsDecimal(v)) }, &refined)
		if !ok {
			return Item{}, false
		}
		d, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) { return op(c, d, x) }, &refined)
		if !ok {
			return Item{}, false
		}
		return finish(d)
	}
}

// finish rounds to the digits of quotients.
func finish(d *apd.Decimal) (Item, bool) {
	d, ok := compute(func(c *apd.Context, r *apd.Decimal) (apd.Condition, error) { return c.Round(r, d) }, &divided)
	if !ok {
		return Item{}, false
	}
	return Decimal(trim(d)), true
}

// largest is the greatest power that Exp is asked for: e to the 1000 has 435
// digits, out of range.
var largest = fromInt(1000)

func exponential(c *apd.Context, d, x *apd.Decimal) (apd.Condition, error) {
	if new(apd.Decimal).Abs(x).Cmp(largest) > 0 {
		return apd.Overflow, nil
	}
	return c.Exp(d, x)
}

func naturalLog(c *apd.Context, d, x *apd.Decimal) (apd.Condition, error) {
	if x.Sign() <= 0 {
		return apd.InvalidOperation, nil
	}
	return c.Ln(d, x)
}

func squareRoot(c *apd.Context, d, x *apd.Decimal) (apd.Condition, error) {
	if x.Negative && !x.IsZero() {
		return apd.InvalidOperation, nil
	}
	return c.Sqrt(d, x)
}

// Abs is the absolute value, of quantities too (N1 5.7.1); an error of what is
// no number.
func Abs(v Item) (Item, bool, error) {
	switch v.Kind {
	case Integers:
		if v.Int < 0 {
			it, ok := Small(-v.Int)
			return it, ok, nil
		}
		return v, true, nil
	case Decimals:
		return Decimal(new(apd.Decimal).Abs(AsDecimal(v))), true, nil
	case Quantities:
		q := v.Val.(*Quantity)
		return NewQuantity(new(apd.Decimal).Abs(q.Number), q.Unit, q.Calendar), true, nil
	}
	return Item{}, false, ErrNoOperator
}

// Log is the logarithm of a number to a base (N1 5.7.6): the quotient of two
// natural logarithms.
func Log(v, base Item) (Item, bool) {
	d, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) {
		var over, under apd.Decimal
		if cond, err := naturalLog(c, &over, AsDecimal(v)); err != nil || cond&apd.InvalidOperation != 0 {
			return cond, err
		}
		if cond, err := naturalLog(c, &under, AsDecimal(base)); err != nil || cond&apd.InvalidOperation != 0 {
			return cond, err
		}
		return c.Quo(d, &over, &under)
	}, &refined)
	if !ok {
		return Item{}, false
	}
	return finish(d)
}

// Power is a number to a power (N1 5.7.7): an Integer of Integers where that
// suffices.
func Power(v, exponent Item) (Item, bool) {
	n := AsDecimal(exponent)
	whole := setExponent(n, 0, apd.RoundDown).Cmp(n) == 0
	if !whole && AsDecimal(v).Negative || new(apd.Decimal).Abs(n).Cmp(largest) > 0 {
		return Item{}, false
	}
	d, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) {
		if whole {
			return wholePower(c, d, AsDecimal(v), n)
		}
		return c.Pow(d, AsDecimal(v), n)
	}, &refined)
	if !ok {
		return Item{}, false
	}
	if v.Kind == Integers && whole && !n.Negative {
		return wholeNumber(d), true
	}
	return finish(d)
}

// wholePower multiplies by squaring.
func wholePower(c *apd.Context, d, x, n *apd.Decimal) (apd.Condition, error) {
	times, err := setExponent(n, 0, apd.RoundDown).Int64()
	if err != nil {
		return apd.Overflow, nil
	}
	square := new(apd.Decimal).Set(x)
	d.SetInt64(1)
	for i := max(times, -times); i > 0; i >>= 1 {
		if i&1 != 0 {
			if cond, err := c.Mul(d, d, square); err != nil || cond&(apd.Overflow|apd.SystemOverflow) != 0 {
				return cond, err
			}
		}
		if i == 1 {
			break
		}
		if cond, err := c.Mul(square, square, square); err != nil || cond&(apd.Overflow|apd.SystemOverflow) != 0 {
			return cond, err
		}
	}
	if times < 0 {
		return c.Quo(d, apd.New(1, 0), d)
	}
	return 0, nil
}

// Round rounds to some places after the point, halves away from zero (N1
// 5.7.8).
func Round(v Item, places int64) Item {
	d := AsDecimal(v)
	if places < int64(-d.Exponent) {
		d = setExponent(d, int32(-places), apd.RoundHalfUp)
	}
	return Decimal(d)
}
