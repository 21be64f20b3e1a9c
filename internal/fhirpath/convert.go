package fhirpath

import (
	"strconv"
	"strings"

	"github.com/cockroachdb/apd/v3"

	"nailbridge/internal/fhirpath/temporal"
	"nailbridge/internal/ucum"
)

// The functions of N1 5.5 (conversion): each toX gives the converted value or
// nothing, and convertsToX tells whether it would.

type conversion func(v Item) (Item, bool)

// convertTo makes toX of a conversion.
func convertTo(to conversion) func(*machine, *frame, *call, []Item) ([]Item, error) {
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
func convertsTo(to conversion) func(m *machine, f *frame, c *call) (Truth, error) {
	return func(m *machine, f *frame, c *call) (Truth, error) {
		it, ok, err := m.one(c.on, f)
		if err != nil || !ok {
			return Unknown, err
		}
		v, ok := m.native(it)
		if ok {
			_, ok = to(v)
		}
		return truthOf(ok), nil
	}
}

// toBoolean follows the table of N1 5.5.2.
func toBoolean(v Item) (Item, bool) {
	switch v.kind {
	case boolean:
		return v, true
	case integer:
		return Boolean(v.num == 1), v.num == 0 || v.num == 1
	case decimal:
		one := asDecimal(v).Cmp(fromInt(1)) == 0
		return Boolean(one), one || asDecimal(v).IsZero()
	case text:
		switch strings.ToLower(v.text()) {
		case "true", "t", "yes", "y", "1", "1.0":
			return Boolean(true), true
		case "false", "f", "no", "n", "0", "0.0":
			return Boolean(false), true
		}
	}
	return Item{}, false
}

// toInteger reads (\+|-)?\d+ (N1 5.5.3).
func toInteger(v Item) (Item, bool) {
	switch v.kind {
	case integer, boolean:
		return Item{kind: integer, num: v.num}, true
	case text:
		s := v.text()
		if !allDigits(strings.TrimPrefix(strings.TrimPrefix(s, "+"), "-")) {
			return Item{}, false
		}
		n, err := strconv.ParseInt(s, 10, 32)
		return Item{kind: integer, num: n}, err == nil
	}
	return Item{}, false
}

func toDecimal(v Item) (Item, bool) {
	switch v.kind {
	case integer, decimal:
		return decimalItem(asDecimal(v)), true
	case boolean:
		return decimalItem(apd.New(v.num*10, -1)), true
	case text:
		d, ok := plainDecimal(v.text())
		return decimalItem(d), ok
	}
	return Item{}, false
}

func toDate(v Item) (Item, bool) {
	switch v.kind {
	case date, dateTime:
		return temporalItem(v.val.(*temporal.Value).AsDate()), true
	case text:
		t, ok := temporal.ParseDate(v.text())
		return temporalItem(t), ok
	}
	return Item{}, false
}

func toDateTime(v Item) (Item, bool) {
	switch v.kind {
	case date, dateTime:
		return temporalItem(v.val.(*temporal.Value).AsDateTime()), true
	case text:
		t, ok := temporal.ParseDateTime(v.text())
		return temporalItem(t), ok
	}
	return Item{}, false
}

func toTime(v Item) (Item, bool) {
	switch v.kind {
	case timeOfDay:
		return v, true
	case text:
		t, ok := temporal.ParseTime(v.text())
		return temporalItem(t), ok
	}
	return Item{}, false
}

func toQuantity(v Item) (Item, bool) {
	switch v.kind {
	case boolean:
		d, _ := toDecimal(v)
		return quantityItem(asDecimal(d), "1", false), true
	case text:
		q, ok := parseQuantity(v.text())
		return Item{kind: quantities, val: q}, ok
	}
	q, ok := asQuantity(v)
	return Item{kind: quantities, val: q}, ok
}

func toString(v Item) (Item, bool) {
	if v.kind == typeInfo {
		return Item{}, false
	}
	if v.kind == text {
		return v, true
	}
	return String(v.text()), true
}

// unitOf evaluates the optional unit of toQuantity and convertsToQuantity.
func (m *machine) unitOf(f *frame, c *call) (unit string, ok bool, err error) {
	if len(c.args) == 0 {
		return "", true, nil
	}
	return m.stringOf(c.args[0], f)
}

// inUnit converts a quantity to a unit, if one is asked for.
func inUnit(it Item, unit string) (Item, bool) {
	q := it.val.(*quantity)
	if unit == "" || unit == q.unit {
		return it, true
	}
	u, ok := q.asUCUM(equals)
	v, err := ucum.Parse(unit)
	if !ok || err != nil {
		return Item{}, false
	}
	d, ok := convert(q.value, u, v)
	return quantityItem(d, unit, false), ok
}

// runToQuantity is toQuantity([unit]) (N1 5.5.6).
func runToQuantity(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	v, ok, err := m.inputOne(f, c)
	if err != nil {
		return out, err
	}
	unit, given, err := m.unitOf(f, c)
	if err != nil || !ok || !given {
		return out, err
	}
	if v, ok = toQuantity(v); ok {
		if v, ok = inUnit(v, unit); ok {
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
	v, ok := m.native(it)
	if ok {
		if v, ok = toQuantity(v); ok {
			_, ok = inUnit(v, unit)
		}
	}
	return truthOf(ok), nil
}
