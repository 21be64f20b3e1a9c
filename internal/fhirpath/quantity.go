package fhirpath

import (
	"encoding/json"
	"math/big"
	"strings"

	"github.com/cockroachdb/apd/v3"

	"nailbridge/internal/fhirpath/temporal"
	"nailbridge/internal/ucum"
)

// quantity is FHIRPath's Quantity (N1 4.1.8): a number of UCUM units, or of
// calendar durations such as "days".
type quantity struct {
	value    *apd.Decimal
	unit     string // UCUM code, or the calendar word as it was written
	calendar bool
}

// String writes 5 'mg' or 4 days (N1 5.5.7).
func (q *quantity) String() string {
	if q.calendar {
		return q.value.Text('f') + " " + q.unit
	}
	return q.value.Text('f') + " '" + q.unit + "'"
}

func quantityItem(v *apd.Decimal, unit string, calendar bool) Item {
	return Item{kind: quantities, val: &quantity{v, unit, calendar}}
}

// nativeQuantity makes a Quantity of FHIR's (R4 fhirpath.html): one with a
// value and without comparator. The unit is the code if that is of UCUM, else
// the code or unit as a string that equals only itself.
func nativeQuantity(obj map[string]any) (Item, bool) {
	n, ok := obj["value"].(json.Number)
	if _, compares := obj["comparator"]; compares || !ok {
		return Item{}, false
	}
	v, ok := parseDecimal(string(n))
	if !ok {
		return Item{}, false
	}
	unit, _ := obj["code"].(string)
	if unit == "" {
		unit, _ = obj["unit"].(string)
	}
	if unit == "" {
		unit = "1"
	}
	return quantityItem(v, unit, false), true
}

// asQuantity converts numbers, which are quantities of unit 1 (N1 5.5.6).
func asQuantity(it Item) (*quantity, bool) {
	switch it.kind {
	case quantities:
		return it.val.(*quantity), true
	case integer, decimal:
		return &quantity{asDecimal(it), "1", false}, true
	}
	return nil, false
}

// parseQuantity reads "5 'mg'", "4 days" or "5" (N1 5.5.6).
func parseQuantity(s string) (*quantity, bool) {
	number, unit, found := strings.Cut(s, " ")
	if !found {
		if i := strings.IndexByte(s, '\''); i > 0 {
			number, unit, found = s[:i], s[i:], true
		}
	}
	v, ok := plainDecimal(number)
	if !ok {
		return nil, false
	}
	unit = strings.TrimSpace(unit)
	if !found {
		return &quantity{v, "1", false}, true
	}
	if n := len(unit); n > 2 && unit[0] == '\'' && unit[n-1] == '\'' && !strings.Contains(unit[1:n-1], "'") {
		return &quantity{v, unit[1 : n-1], false}, true
	}
	_, word := temporal.ParseWord(unit)
	return &quantity{v, unit, true}, word
}

// plainDecimal reads (\+|-)?\d+(\.\d+)? (N1 5.5.5).
func plainDecimal(s string) (*apd.Decimal, bool) {
	digits := strings.TrimLeft(s, "+-")
	whole, fraction, point := strings.Cut(digits, ".")
	if len(s)-len(digits) > 1 || !allDigits(whole) || point && !allDigits(fraction) {
		return nil, false
	}
	return parseDecimal(s)
}

func allDigits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

// asUCUM is the unit as UCUM has it. Calendar words up to weeks mean the same
// as the definite durations; years and months do so only for equivalence
// (N1 6.1.1, 6.1.2).
func (q *quantity) asUCUM(how same) (ucum.Unit, bool) {
	code := q.unit
	if q.calendar {
		word, _ := temporal.ParseWord(q.unit)
		if word <= temporal.Months && how == equals {
			return ucum.Unit{}, false
		}
		code = [...]string{"a", "mo", "wk", "d", "h", "min", "s", "ms"}[word]
	}
	u, err := ucum.Parse(code)
	return u, err == nil
}

// aligned gives both values in one unit, the bigger of the two; it is not ok
// if they cannot be compared.
func (q *quantity) aligned(r *quantity, how same) (a, b *apd.Decimal, ok bool) {
	if q.calendar == r.calendar && q.unit == r.unit {
		return q.value, r.value, true
	}
	if q.calendar && r.calendar {
		return q.alignedWords(r)
	}
	u, okU := q.asUCUM(how)
	v, okV := r.asUCUM(how)
	if !okU || !okV || !u.Comparable(v) {
		return nil, nil, false
	}
	if v.Bigger(u) {
		if a, ok = convert(q.value, u, v); ok {
			return a, r.value, true
		}
		return nil, nil, false
	}
	b, ok = convert(r.value, v, u)
	return q.value, b, ok
}

// alignedWords compares calendar durations: years and months by the month, all
// else by the second (N1 6.1.1).
func (q *quantity) alignedWords(r *quantity) (a, b *apd.Decimal, ok bool) {
	u, _ := temporal.ParseWord(q.unit)
	v, _ := temporal.ParseWord(r.unit)
	x, y := toRat(q.value), toRat(r.value)
	twelve := big.NewRat(12, 1)
	switch {
	case u == v:
		return q.value, r.value, true
	case u == temporal.Years && v == temporal.Months:
		x.Mul(x, twelve)
	case u == temporal.Months && v == temporal.Years:
		y.Mul(y, twelve)
	default:
		x, y = u.Seconds(x), v.Seconds(y)
	}
	a, okA := fromRat(x)
	b, okB := fromRat(y)
	return a, b, okA && okB
}

func convert(v *apd.Decimal, from, to ucum.Unit) (*apd.Decimal, bool) {
	r, err := ucum.Convert(toRat(v), from, to)
	if err != nil {
		return nil, false
	}
	return fromRat(r)
}

// equal compares quantities. What cannot be compared is Unknown to = and False
// to ~ (N1 6.1).
func (q *quantity) equal(r *quantity, how same) Truth {
	a, b, ok := q.aligned(r, how)
	if !ok {
		if how == equivalent {
			return False
		}
		return Unknown
	}
	return truthOf(equalDecimals(a, b, how))
}

// compare orders quantities, if they can be compared (N1 6.2).
func (q *quantity) compare(r *quantity) (int, bool) {
	a, b, ok := q.aligned(r, equals)
	if !ok {
		return 0, false
	}
	return a.Cmp(b), true
}

// plus adds quantities of one dimension; the sum is in the smaller of the two
// units (N1 6.6.3).
func (q *quantity) plus(r *quantity, sign int) (Item, bool) {
	unit, calendar, x, y := q.unit, q.calendar, q.value, r.value
	if q.calendar != r.calendar || q.unit != r.unit {
		u, okU := q.asUCUM(equals)
		v, okV := r.asUCUM(equals)
		if !okU || !okV || !u.Comparable(v) {
			return Item{}, false
		}
		var ok bool
		if u.Bigger(v) {
			unit, calendar = r.unit, r.calendar
			x, ok = convert(x, u, v)
		} else {
			y, ok = convert(y, v, u)
		}
		if !ok {
			return Item{}, false
		}
	}
	sum, ok := compute(func(c *apd.Context, d *apd.Decimal) (apd.Condition, error) {
		if sign < 0 {
			return c.Sub(d, x, y)
		}
		return c.Add(d, x, y)
	}, &exact)
	return quantityItem(sum, unit, calendar), ok
}

// times multiplies or divides quantities; units multiply too (N1 6.6.1).
func (q *quantity) times(r *quantity, op string) (Item, bool) {
	u, okU := q.asUCUM(equals)
	v, okV := r.asUCUM(equals)
	if !okU || !okV {
		return Item{}, false
	}
	var w ucum.Unit
	var err error
	var value Item
	var ok bool
	if op == "*" {
		w, err = u.Mul(v)
		value, ok = multiply(q.value, r.value)
	} else {
		w, err = u.Div(v)
		value, ok = divide(q.value, r.value)
	}
	if err != nil || !ok {
		return Item{}, false
	}
	return quantityItem(value.val.(*apd.Decimal), w.String(), false), true
}
