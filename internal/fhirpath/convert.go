package fhirpath

import (
	"nailbridge/internal/fhirpath/value"
)

// The functions of N1 5.5 (conversion): each toX gives the converted value or
// nothing, and convertsToX tells whether it would.

type conversion func(v Item) (Item, bool)

// convertTo makes toX of a conversion.
func convertTo(to conversion) runner {
	return func(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
		v, ok, err := m.inputOne(f, c)
		if err != nil || !ok {
			return out, err
		}
		if v, ok = to(v); ok {
			out = m.emit(out, v)
		}
		return out, nil
	}
}

// convertsTo makes convertsToX. An element without a value converts to
// nothing.
func convertsTo(to conversion) tester {
	return func(m *machine, f *frame, c *call) (Truth, error) {
		it, ok, err := m.one(c.on, f)
		if err != nil || !ok {
			return Unknown, err
		}
		v, ok := m.tree.Native(it)
		if ok {
			_, ok = to(v)
		}
		return value.TruthOf(ok), nil
	}
}

// unitOf evaluates the optional unit of toQuantity and convertsToQuantity.
func (m *machine) unitOf(f *frame, c *call) (unit string, ok bool, err error) {
	if len(c.args) == 0 {
		return "", true, nil
	}
	return m.stringOf(c.args[0], f)
}

// runToQuantity is value.ToQuantity([unit]) (N1 5.5.6).
func runToQuantity(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	v, ok, err := m.inputOne(f, c)
	if err != nil {
		return out, err
	}
	unit, given, err := m.unitOf(f, c)
	if err != nil || !ok || !given {
		return out, err
	}
	if v, ok = value.ToQuantity(v); ok {
		if v, ok = value.InUnit(v, unit); ok {
			out = m.emit(out, v)
		}
	}
	return out, nil
}

func runConvertsToQuantity(m *machine, f *frame, c *call) (Truth, error) {
	it, ok, err := m.one(c.on, f)
	if err != nil {
		return Unknown, err
	}
	unit, given, err := m.unitOf(f, c)
	if err != nil || !ok || !given {
		return Unknown, err
	}
	v, ok := m.tree.Native(it)
	if ok {
		if v, ok = value.ToQuantity(v); ok {
			_, ok = value.InUnit(v, unit)
		}
	}
	return value.TruthOf(ok), nil
}
