package fhirpath

import (
	"fmt"

	"github.com/cockroachdb/apd/v3"
)

// The functions of N1 5.7 (math, for trial use). Results that do not exist or
// are out of range are empty.

// inputNumber is the number that a function is called on.
func (m *machine) inputNumber(f *frame, c *call) (Item, bool, error) {
	v, ok, err := m.operand(c.on, f)
	if err != nil || !ok {
		return Item{}, false, err
	}
	if !isNumber(v) {
		return Item{}, false, fmt.Errorf("it is called on what is no number (N1 5.7)")
	}
	return v, true, m.step(digits(v))
}

// seriesCost is what it takes to sum a series for a logarithm or power, in
// steps.
const seriesCost = 1000

// numeric makes functions of one number that cost some steps.
func numeric(cost int, of func(v Item) (Item, bool)) func(*machine, *frame, *call, []Item) ([]Item, error) {
	return func(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
		v, ok, err := m.inputNumber(f, c)
		if err != nil || !ok {
			return out, err
		}
		if err := m.step(cost); err != nil {
			return out, err
		}
		if v, ok = of(v); ok {
			out = m.emit(out, v)
		}
		return out, nil
	}
}

// rounded makes ceiling, floor and truncate, which give Integers.
func rounded(r apd.Rounder) func(v Item) (Item, bool) {
	return func(v Item) (Item, bool) {
		if v.kind == integer {
			return v, true
		}
		return wholeNumber(setExponent(asDecimal(v), 0, r)), true
	}
}

// refine computes a function of one decimal with digits to spare, and rounds
// what it gives.
func refine(op func(c *apd.Context, d, x *apd.Decimal) (apd.Condition, error)) func(v Item) (Item, bool) {
	return func(v Item) (Item, bool) {
		x, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) { return c.Round(d, asDecimal(v)) }, &refined)
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
	return decimalItem(trim(d)), true
}

// largest is the greatest power that exp is asked for: e to the 1000 has 435
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

// runAbs is abs(), of quantities too (N1 5.7.1).
func runAbs(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	v, ok, err := m.operand(c.on, f)
	if err != nil || !ok {
		return out, err
	}
	switch v.kind {
	case integer:
		if v.num < 0 {
			v, ok = smallInt(-v.num)
		}
	case decimal:
		v = decimalItem(new(apd.Decimal).Abs(asDecimal(v)))
	case quantities:
		q := v.val.(*quantity)
		v = quantityItem(new(apd.Decimal).Abs(q.value), q.unit, q.calendar)
	default:
		return out, fmt.Errorf("it is called on what is no number (N1 5.7)")
	}
	if ok {
		out = m.emit(out, v)
	}
	return out, nil
}

// numberArg evaluates the one argument, a number.
func (m *machine) numberArg(f *frame, c *call) (*apd.Decimal, bool, error) {
	v, ok, err := m.operand(c.args[0], f)
	if err != nil || !ok {
		return nil, false, err
	}
	if !isNumber(v) {
		return nil, false, fmt.Errorf("a number is wanted")
	}
	return asDecimal(v), true, nil
}

// runLog is log(base) (N1 5.7.6): the quotient of two natural logarithms.
func runLog(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	v, ok, err := m.inputNumber(f, c)
	if err != nil {
		return out, err
	}
	base, given, err := m.numberArg(f, c)
	if err != nil || !ok || !given {
		return out, err
	}
	d, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) {
		var over, under apd.Decimal
		if cond, err := naturalLog(c, &over, asDecimal(v)); err != nil || cond.Any() && cond&apd.InvalidOperation != 0 {
			return cond, err
		}
		if cond, err := naturalLog(c, &under, base); err != nil || cond.Any() && cond&apd.InvalidOperation != 0 {
			return cond, err
		}
		return c.Quo(d, &over, &under)
	}, &refined)
	if !ok {
		return out, nil
	}
	it, ok := finish(d)
	if ok {
		out = m.emit(out, it)
	}
	return out, m.step(seriesCost)
}

// runPower is power(exponent) (N1 5.7.7): an Integer of Integers where it fits.
func runPower(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	v, ok, err := m.inputNumber(f, c)
	if err != nil {
		return out, err
	}
	exponent, given, err := m.numberArg(f, c)
	if err != nil || !ok || !given {
		return out, err
	}
	whole := setExponent(exponent, 0, apd.RoundDown).Cmp(exponent) == 0
	if !whole && v.kind != none && asDecimal(v).Negative || new(apd.Decimal).Abs(exponent).Cmp(largest) > 0 {
		return out, nil
	}
	d, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) {
		return power(c, d, asDecimal(v), exponent, whole)
	}, &refined)
	if !ok {
		return out, m.step(seriesCost)
	}
	if v.kind == integer && whole && !exponent.Negative {
		return m.emit(out, wholeNumber(d)), m.step(seriesCost)
	}
	it, ok := finish(d)
	if ok {
		out = m.emit(out, it)
	}
	return out, m.step(seriesCost)
}

// power multiplies for whole exponents, and takes logarithms for others.
func power(c *apd.Context, d, x, n *apd.Decimal, whole bool) (apd.Condition, error) {
	if !whole {
		return c.Pow(d, x, n)
	}
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

// runRound is round([precision]), halves away from zero (N1 5.7.8).
func runRound(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	v, ok, err := m.inputNumber(f, c)
	if err != nil {
		return out, err
	}
	places := int64(0)
	if len(c.args) > 0 {
		n, given, err := m.integerOf(c.args[0], f)
		if err != nil {
			return out, err
		}
		if n < 0 {
			return out, fmt.Errorf("a negative precision")
		}
		places, ok = n, ok && given
	}
	if !ok {
		return out, nil
	}
	d := asDecimal(v)
	if places < int64(-d.Exponent) {
		d = setExponent(d, int32(-places), apd.RoundHalfUp)
	}
	return m.emit(out, decimalItem(d)), nil
}
