package value

import (
	"strconv"
	"strings"

	"github.com/cockroachdb/apd/v3"

	"nailbridge/internal/fhirpath/temporal"
	"nailbridge/internal/ucum"
)

// The conversions of N1 5.5. They are not ok if the value has no such form.

// ToBoolean follows the table of N1 5.5.2.
func ToBoolean(v Item) (Item, bool) {
	switch v.Kind {
	case Booleans:
		return v, true
	case Integers:
		return Boolean(v.Int == 1), v.Int == 0 || v.Int == 1
	case Decimals:
		one := AsDecimal(v).Cmp(fromInt(1)) == 0
		return Boolean(one), one || AsDecimal(v).IsZero()
	case Strings:
		switch strings.ToLower(v.Text()) {
		case "true", "t", "yes", "y", "1", "1.0":
			return Boolean(true), true
		case "false", "f", "no", "n", "0", "0.0":
			return Boolean(false), true
		}
	}
	return Item{}, false
}

// ToInteger reads (\+|-)?\d+ (N1 5.5.3).
func ToInteger(v Item) (Item, bool) {
	switch v.Kind {
	case Integers, Booleans:
		return Item{Kind: Integers, Int: v.Int}, true
	case Strings:
		s := v.Text()
		if !allDigits(strings.TrimPrefix(strings.TrimPrefix(s, "+"), "-")) {
			return Item{}, false
		}
		n, err := strconv.ParseInt(s, 10, 32)
		return Item{Kind: Integers, Int: n}, err == nil
	}
	return Item{}, false
}

// ToDecimal reads (\+|-)?\d+(\.\d+)? (N1 5.5.5).
func ToDecimal(v Item) (Item, bool) {
	switch v.Kind {
	case Integers, Decimals:
		return Decimal(AsDecimal(v)), true
	case Booleans:
		return Decimal(apd.New(v.Int*10, -1)), true
	case Strings:
		d, ok := plainDecimal(v.Text())
		return Decimal(d), ok
	}
	return Item{}, false
}

// ToDate takes the date of a DateTime (N1 5.5.4).
func ToDate(v Item) (Item, bool) {
	switch v.Kind {
	case Dates, DateTimes:
		return Temporal(v.Val.(*temporal.Value).AsDate()), true
	case Strings:
		t, ok := temporal.ParseDate(v.Text())
		return Temporal(t), ok
	}
	return Item{}, false
}

// ToDateTime leaves the time of a Date open (N1 5.5.4).
func ToDateTime(v Item) (Item, bool) {
	switch v.Kind {
	case Dates, DateTimes:
		return Temporal(v.Val.(*temporal.Value).AsDateTime()), true
	case Strings:
		t, ok := temporal.ParseDateTime(v.Text())
		return Temporal(t), ok
	}
	return Item{}, false
}

// ToTime reads hh:mm:ss.fff and shorter (N1 5.5.8).
func ToTime(v Item) (Item, bool) {
	switch v.Kind {
	case Times:
		return v, true
	case Strings:
		t, ok := temporal.ParseTime(v.Text())
		return Temporal(t), ok
	}
	return Item{}, false
}

// ToQuantity takes numbers and Booleans to be of unit 1 (N1 5.5.6).
func ToQuantity(v Item) (Item, bool) {
	switch v.Kind {
	case Booleans:
		d, _ := ToDecimal(v)
		return NewQuantity(AsDecimal(d), "1", false), true
	case Strings:
		q, ok := ParseQuantity(v.Text())
		return Item{Kind: Quantities, Val: q}, ok
	}
	q, ok := AsQuantity(v)
	return Item{Kind: Quantities, Val: q}, ok
}

// ToString writes any value but what type() gives (N1 5.5.7).
func ToString(v Item) (Item, bool) {
	if v.Kind == TypeInfos {
		return Item{}, false
	}
	if v.Kind == Strings {
		return v, true
	}
	return String(v.Text()), true
}

// InUnit converts a quantity to a unit, if one is asked for.
func InUnit(it Item, unit string) (Item, bool) {
	q := it.Val.(*Quantity)
	if unit == "" || unit == q.Unit {
		return it, true
	}
	u, ok := q.asUCUM(Equals)
	v, err := ucum.Parse(unit)
	if !ok || err != nil {
		return Item{}, false
	}
	d, ok := convert(q.Number, u, v)
	return NewQuantity(d, unit, false), ok
}
