package value

import (
	"encoding/json"
	"math/big"
	"strings"

	"github.com/cockroachdb/apd/v3"

	"nailbridge/internal/fhirpath/temporal"
	"nailbridge/internal/ucum"
)

// Quantity is FHIRPath's Quantity (N1 4.1.8): a number of UCUM units, or of
// calendar durations such as "days".
type Quantity struct {
	Number   *apd.Decimal
	Unit     string // UCUM code, or the calendar word as it was written
	Calendar bool
}

// String writes 5 'mg' or 4 days (N1 5.5.7).
func (q *Quantity) String() string {
	if q.Calendar {
		return q.Number.Text('f') + " " + q.Unit
	}
	return q.Number.Text('f') + " '" + q.Unit + "'"
}

// NewQuantity makes a Quantity of a number and its unit.
func NewQuantity(v *apd.Decimal, unit string, calendar bool) Item {
	return Item{Kind: Quantities, Val: &Quantity{v, unit, calendar}}
}

// FromFHIR makes a Quantity of FHIR's (R4 fhirpath.html): one with a
// value and without comparator. The unit is the code of UCUM, or of no stated
// system; a code of another system is kept with it and equals only itself.
func FromFHIR(obj map[string]any) (Item, bool) {
	n, ok := obj["value"].(json.Number)
	if _, compares := obj["comparator"]; compares || !ok {
		return Item{}, false
	}
	v, ok := ParseDecimal(string(n))
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
	if system, _ := obj["system"].(string); system != "" && system != ucum.System {
		unit = system + "|" + unit
	}
	return NewQuantity(v, unit, false), true
}

// AsQuantity converts numbers, which are quantities of unit 1 (N1 5.5.6).
func AsQuantity(it Item) (*Quantity, bool) {
	switch it.Kind {
	case Quantities:
		return it.Val.(*Quantity), true
	case Integers, Decimals:
		return &Quantity{AsDecimal(it), "1", false}, true
	}
	return nil, false
}

// ParseQuantity reads "5 'mg'", "4 days" or "5" (N1 5.5.6).
func ParseQuantity(s string) (*Quantity, bool) {
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
		return &Quantity{v, "1", false}, true
	}
	if n := len(unit); n > 2 && unit[0] == '\'' && unit[n-1] == '\'' && !strings.Contains(unit[1:n-1], "'") {
		return &Quantity{v, unit[1 : n-1], false}, true
	}
	_, word := temporal.ParseWord(unit)
	return &Quantity{v, unit, true}, word
}

// plainDecimal reads (\+|-)?\d+(\.\d+)? (N1 5.5.5).
func plainDecimal(s string) (*apd.Decimal, bool) {
	digits := strings.TrimLeft(s, "+-")
	whole, fraction, point := strings.Cut(digits, ".")
	if len(s)-len(digits) > 1 || !allDigits(whole) || point && !allDigits(fraction) {
		return nil, false
	}
	return ParseDecimal(s)
}

func allDigits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

// asUCUM is the unit as UCUM has it. Calendar words up to weeks mean the same
// as the definite durations; years and months do so only for equivalence
// (N1 6.1.1, 6.1.2).
func (q *Quantity) asUCUM(how Equality) (ucum.Unit, bool) {
	code := q.Unit
	if q.Calendar {
		word, _ := temporal.ParseWord(q.Unit)
		if word <= temporal.Months && how == Equals {
			return ucum.Unit{}, false
		}
		code = [...]string{"a", "mo", "wk", "d", "h", "min", "s", "ms"}[word]
	}
	u, err := ucum.Parse(code)
	return u, err == nil
}

// aligned gives both values in one unit, the bigger of the two; it is not ok
// if they cannot be compared.
func (q *Quantity) aligned(r *Quantity, how Equality) (a, b *apd.Decimal, ok bool) {
	if q.Calendar == r.Calendar && q.Unit == r.Unit {
		return q.Number, r.Number, true
	}
	if q.Calendar && r.Calendar {
		return q.alignedWords(r)
	}
	u, okU := q.asUCUM(how)
	v, okV := r.asUCUM(how)
	if !okU || !okV || !u.Comparable(v) {
		return nil, nil, false
	}
	if v.Bigger(u) {
		if a, ok = convert(q.Number, u, v); ok {
			return a, r.Number, true
		}
		return nil, nil, false
	}
	b, ok = convert(r.Number, v, u)
	return q.Number, b, ok
}

// alignedWords compares calendar durations: years and months by the month, all
// else by the second (N1 6.1.1).
func (q *Quantity) alignedWords(r *Quantity) (a, b *apd.Decimal, ok bool) {
	u, _ := temporal.ParseWord(q.Unit)
	v, _ := temporal.ParseWord(r.Unit)
	x, y := toRat(q.Number), toRat(r.Number)
	twelve := big.NewRat(12, 1)
	switch {
	case u == v:
		return q.Number, r.Number, true
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

// Equal compares quantities. What cannot be compared is Unknown to = and False
// to ~ (N1 6.1).
func (q *Quantity) Equal(r *Quantity, how Equality) Truth {
	a, b, ok := q.aligned(r, how)
	if !ok {
		if how == Equivalent {
			return False
		}
		return Unknown
	}
	return TruthOf(equalDecimals(a, b, how))
}

// Compare orders quantities, if they can be compared (N1 6.2).
func (q *Quantity) Compare(r *Quantity) (int, bool) {
	a, b, ok := q.aligned(r, Equals)
	if !ok {
		return 0, false
	}
	return a.Cmp(b), true
}

// plus adds quantities of one dimension; the sum is in the smaller of the two
// units (N1 6.6.3).
func (q *Quantity) plus(r *Quantity, sign int) (Item, bool) {
	unit, calendar, x, y := q.Unit, q.Calendar, q.Number, r.Number
	if q.Calendar != r.Calendar || q.Unit != r.Unit {
		u, okU := q.asUCUM(Equals)
		v, okV := r.asUCUM(Equals)
		if !okU || !okV || !u.Comparable(v) {
			return Item{}, false
		}
		var ok bool
		if u.Bigger(v) {
			unit, calendar = r.Unit, r.Calendar
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
	return NewQuantity(sum, unit, calendar), ok
}

// times multiplies or divides quantities; units multiply too (N1 6.6.1).
func (q *Quantity) times(r *Quantity, op string) (Item, bool) {
	u, okU := q.asUCUM(Equals)
	v, okV := r.asUCUM(Equals)
	if !okU || !okV {
		return Item{}, false
	}
	var w ucum.Unit
	var err error
	var value Item
	var ok bool
	if op == "*" {
		w, err = u.Mul(v)
		value, ok = multiply(q.Number, r.Number)
	} else {
		w, err = u.Div(v)
		value, ok = divide(q.Number, r.Number)
	}
	if err != nil || !ok {
		return Item{}, false
	}
	return NewQuantity(value.Val.(*apd.Decimal), w.String(), false), true
}
