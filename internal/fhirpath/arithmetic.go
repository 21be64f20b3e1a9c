package fhirpath

import (
	"fmt"

	"nailbridge/internal/fhirpath/syntax"
	"nailbridge/internal/fhirpath/value"
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
	if a.Kind == text {
		if err := m.room(len(a.Text()) + len(b.Text())); err != nil {
			return out, err
		}
	}
	if err := m.step(a.Cost() + b.Cost()); err != nil {
		return out, err
	}
	it, ok, err := value.Apply(e.node.Op, a, b)
	if err != nil {
		return out, fault(e.node, e.node.Op, err)
	}
	if !ok {
		return out, nil
	}
	if it.Kind == text {
		it = m.newString(it.Text())
	}
	return m.emit(out, it), nil
}

// operand is the value of an expression that may hold one item.
func (m *machine) operand(e expr, f *frame) (Item, bool, error) {
	it, ok, err := m.one(e, f)
	if err != nil || !ok {
		return Item{}, false, err
	}
	v, ok := m.tree.Native(it)
	if !ok && !valueless(it) {
		return Item{}, false, fmt.Errorf("an operand of a type that has no such operator")
	}
	return v, ok, nil
}

// valueless is a primitive element that has extensions only; it counts as
// empty.
func valueless(it Item) bool { return it.Kind == node && it.Val == nil }

// concatenate takes an empty operand for the empty string (N1 6.6.7).
func (e *arithmetic) concatenate(m *machine, a, b Item, out []Item) ([]Item, error) {
	for _, it := range []Item{a, b} {
		if it.Kind != none && it.Kind != text {
			return out, fault(e.node, "&", fmt.Errorf("an operand that is no String"))
		}
	}
	if err := m.room(len(a.Text()) + len(b.Text())); err != nil {
		return out, err
	}
	return m.emit(out, m.newString(a.Text()+b.Text())), nil
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
	n, ok, err := value.Negate(v)
	if err != nil {
		return out, fault(e.node, "sign", err)
	}
	if e.node.Op == "+" {
		n, ok = v, true
	}
	if ok {
		out = m.emit(out, n)
	}
	return out, nil
}
