package fhirpath

import (
	"fmt"

	"nailbridge/internal/fhirpath/value"
)

// The functions of N1 5.7 (math, for trial use).

// inputNumber is the number that a function is called on.
func (m *machine) inputNumber(f *frame, c *call) (Item, bool, error) {
	v, ok, err := m.operand(c.on, f)
	if err != nil || !ok {
		return Item{}, false, err
	}
	if !value.IsNumber(v) {
		return Item{}, false, fmt.Errorf("it is called on what is no number (N1 5.7)")
	}
	return v, true, m.step(v.Cost())
}

// numeric makes functions of one number that cost some steps.
func numeric(cost int, of value.Function) runner {
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

// runAbs is abs(), of quantities too (N1 5.7.1).
func runAbs(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	v, ok, err := m.operand(c.on, f)
	if err != nil || !ok {
		return out, err
	}
	if v, ok, err = value.Abs(v); err != nil || !ok {
		return out, err
	}
	return m.emit(out, v), nil
}

// numeric2 makes log(base) and power(exponent) (N1 5.7.6, 5.7.7).
func numeric2(of func(v, arg Item) (Item, bool)) runner {
	return func(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
		v, ok, err := m.inputNumber(f, c)
		if err != nil {
			return out, err
		}
		arg, given, err := m.operand(c.args[0], f)
		if err != nil || !ok || !given {
			return out, err
		}
		if !value.IsNumber(arg) {
			return out, fmt.Errorf("a number is wanted")
		}
		if err := m.step(value.SeriesCost + arg.Cost()); err != nil {
			return out, err
		}
		if v, ok = of(v, arg); ok {
			out = m.emit(out, v)
		}
		return out, nil
	}
}

// runRound is round([precision]) (N1 5.7.8).
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
	return m.emit(out, value.Round(v, places)), nil
}
