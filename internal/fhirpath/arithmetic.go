package fhirpath

import (
	"fmt"

	"github.com/cockroachdb/apd/v3"

	"nailbridge/internal/fhirpath/syntax"
	"nailbridge/internal/fhirpath/temporal"
)

// arithmetic is one of * / div mod + - & (N1 6.6 and 6.7).
type arithmetic struct {
	node *syntax.Binary
	l, r expr
}

func (e *arithmetic) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	if err := m.step(1); err != nil {
		return out, err
	}
	a, okA, err := m.operand(e.l, f)
	if err != nil {
		return out, fault(e.node, "left of "+e.node.Op, err)
	}
	b, okB, err := m.operand(e.r, f)
	if err != nil {
		return out, fault(e.node, "right of "+e.node.Op, err)
	}
	if e.node.Op == "&" {
		return e.concatenate(m, a, b, out)
	}
	if !okA || !okB {
		return out, nil
	}
	it, ok, err := m.apply(e.node.Op, a, b)
	if err == ErrBudget {
		return out, err
	}
	if err != nil {
		return out, fault(e.node, e.node.Op, err)
	}
	if !ok {
		return out, nil
	}
	return m.emit(out, it), nil
}

// operand is the value of an expression that may hold one item.
func (m *machine) operand(e expr, f *frame) (Item, bool, error) {
	it, ok, err := m.one(e, f)
	if err != nil || !ok {
		return Item{}, false, err
	}
	v, ok := m.native(it)
	if !ok && !valueless(it) {
		return Item{}, false, fmt.Errorf("an operand of a type that has no such operator")
	}
	return v, ok, nil
}

// valueless is a primitive element that has extensions only; it counts as
// empty.
func valueless(it Item) bool { return it.kind == node && it.val == nil }

// concatenate takes an empty operand for the empty string (N1 6.6.7).
func (e *arithmetic) concatenate(m *machine, a, b Item, out []Item) ([]Item, error) {
	for _, it := range []Item{a, b} {
		if it.kind != none && it.kind != text {
			return out, fault(e.node, "&", fmt.Errorf("an operand that is no String"))
		}
	}
	if err := m.room(len(a.text()) + len(b.text())); err != nil {
		return out, err
	}
	return m.emit(out, m.newString(a.text()+b.text())), nil
}

// apply computes one operation. It is not ok, and the result empty, on
// division by zero, overflow, and units that do not fit.
func (m *machine) apply(op string, a, b Item) (it Item, ok bool, err error) {
	wrong := fmt.Errorf("operands of types that have no such operator")
	switch {
	case a.kind == text && b.kind == text && op == "+":
		if err := m.room(len(a.text()) + len(b.text())); err != nil {
			return Item{}, false, err
		}
		return m.newString(a.text() + b.text()), true, nil
	case isDay(a) || a.kind == timeOfDay:
		if b.kind != quantities || op != "+" && op != "-" {
			return Item{}, false, wrong
		}
		return shift(*a.val.(*temporal.Value), b.val.(*quantity), op)
	case isNumber(a) && isNumber(b):
		m.steps -= digits(a) + digits(b)
		it, ok = numbers(op, a, b)
		return it, ok, nil
	case a.kind == quantities || b.kind == quantities:
		q, okQ := asQuantity(a)
		r, okR := asQuantity(b)
		if !okQ || !okR || op == "div" || op == "mod" {
			return Item{}, false, wrong
		}
		m.steps -= unitCost
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
	return Item{}, false, wrong
}

// digits is what arithmetic on a number costs, in steps.
func digits(it Item) int {
	if it.kind == integer {
		return 1
	}
	return int(it.val.(*apd.Decimal).NumDigits())
}

// numbers computes on Integers and Decimals.
func numbers(op string, a, b Item) (Item, bool) {
	if a.kind == integer && b.kind == integer {
		switch op {
		case "+":
			return smallInt(a.num + b.num)
		case "-":
			return smallInt(a.num - b.num)
		case "*":
			return smallInt(a.num * b.num)
		case "div":
			return intDivision(a.num, b.num, func(x, y int64) int64 { return x / y })
		case "mod":
			return intDivision(a.num, b.num, func(x, y int64) int64 { return x % y })
		}
	}
	x, y := asDecimal(a), asDecimal(b)
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
	return decimalItem(d), true
}

// smallInt is empty on overflow (N1 6.6).
func smallInt(n int64) (Item, bool) { return Item{kind: integer, num: n}, inInteger(n) }

func intDivision(a, b int64, op func(a, b int64) int64) (Item, bool) {
	if b == 0 {
		return Item{}, false
	}
	return smallInt(op(a, b))
}

func multiply(x, y *apd.Decimal) (Item, bool) {
	d, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) { return c.Mul(d, x, y) }, &exact)
	return decimalItem(d), ok
}

func divide(x, y *apd.Decimal) (Item, bool) {
	d, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) { return c.Quo(d, x, y) }, &divided)
	if !ok {
		return Item{}, false
	}
	return decimalItem(trim(d)), true
}

// wholeNumber is an Integer where it is in range, else a Decimal.
func wholeNumber(d *apd.Decimal) Item {
	if n, err := d.Int64(); err == nil && inInteger(n) {
		return Item{kind: integer, num: n}
	}
	return decimalItem(setExponent(d, 0, apd.RoundDown))
}

// shift adds a duration to a date or time (N1 6.7).
func shift(v temporal.Value, q *quantity, op string) (Item, bool, error) {
	u, ok := temporal.ParseUnit(q.unit)
	if !ok || !v.Kind().Fits(u) {
		return Item{}, false, fmt.Errorf("a unit that cannot be added to such a value")
	}
	n := toRat(q.value)
	if op == "-" {
		n.Neg(n)
	}
	v, ok = v.Add(n, u)
	return temporalItem(v), ok, nil
}

// negation is the polarity operator (N1 6.6).
type negation struct {
	node *syntax.Unary
	x    expr
}

func (e *negation) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	if err := m.step(1); err != nil {
		return out, err
	}
	v, ok, err := m.operand(e.x, f)
	if err != nil || !ok {
		return out, err
	}
	switch v.kind {
	case integer, decimal, quantities:
	default:
		return out, fault(e.node, "sign", fmt.Errorf("an operand that is no number"))
	}
	if e.node.Op == "+" {
		return m.emit(out, v), nil
	}
	if v.kind == integer {
		if it, ok := smallInt(-v.num); ok {
			return m.emit(out, it), nil
		}
		return out, nil
	}
	if v.kind == quantities {
		q := v.val.(*quantity)
		return m.emit(out, quantityItem(new(apd.Decimal).Neg(q.value), q.unit, q.calendar)), nil
	}
	return m.emit(out, decimalItem(new(apd.Decimal).Neg(v.val.(*apd.Decimal)))), nil
}
