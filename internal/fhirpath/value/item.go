// Package value holds the items of FHIRPath's collections, and what can be done
// with values of FHIRPath's own types (N1 4.1) without looking at data: equality
// and order, arithmetic, conversions and mathematics.
package value

import (
	"math"
	"strconv"
	"strings"

	"github.com/cockroachdb/apd/v3"

	"nailbridge/internal/fhirpath/temporal"
	"nailbridge/internal/spec"
)

// Kind says what an item is.
type Kind uint8

// The kinds of items: elements of the data, and values of FHIRPath's own types
// (N1 4.1, and 10.2 for what type() gives).
const (
	None Kind = iota
	Element
	Booleans
	Strings
	Integers
	Decimals
	Dates
	DateTimes
	Times
	Quantities
	TypeInfos
)

var kindNames = [...]string{
	Booleans: "Boolean", Strings: "String", Integers: "Integer", Decimals: "Decimal", Dates: "Date", DateTimes: "DateTime",
	Times: "Time", Quantities: "Quantity", TypeInfos: "TypeInfo",
}

// Name is the name of a type of FHIRPath's own, empty for None and Element.
func (k Kind) Name() string { return kindNames[k] }

// Named finds a type of FHIRPath's own by name, or None.
func Named(name string) Kind {
	for k, known := range kindNames {
		if known == name && known != "" {
			return Kind(k)
		}
	}
	return None
}

// Item is one item of a collection: an element of the data, or a value of
// FHIRPath's own types. The zero Item is none.
type Item struct {
	Kind Kind
	Type spec.TypeID    // of an element; spec.None if not known
	Int  int64          // of Integers; 0 or 1 of Booleans; of an element its Place
	Val  any            // of an element its JSON value; else string, *apd.Decimal, *temporal.Value, *Quantity, []string
	Ext  map[string]any // of a primitive element: the object that holds its id and extensions
}

// Place says as which element of which type an element was reached, by the
// element's index; 0 is that of one that was not reached from another.
func Place(of spec.TypeID, index int) int64 { return int64(of)<<16 | int64(index+1) }

// Place is as which element of which type it was reached, or false.
func (it Item) Place() (of spec.TypeID, index int, ok bool) {
	if it.Kind != Element || it.Int == 0 {
		return spec.None, 0, false
	}
	return spec.TypeID(it.Int >> 16), int(it.Int&0xffff) - 1, true
}

// Boolean makes a Boolean.
func Boolean(b bool) Item {
	it := Item{Kind: Booleans}
	if b {
		it.Int = 1
	}
	return it
}

// String makes a String.
func String(s string) Item { return Item{Kind: Strings, Val: s} }

// Integer makes an Integer; n is within 32 bits (N1 4.1.3).
func Integer(n int32) Item { return Item{Kind: Integers, Int: int64(n)} }

// Decimal makes a Decimal.
func Decimal(d *apd.Decimal) Item { return Item{Kind: Decimals, Val: d} }

// Temporal makes a Date, DateTime or Time.
func Temporal(v temporal.Value) Item {
	it := Item{Kind: Dates, Val: &v}
	switch v.Kind() {
	case temporal.DateTime:
		it.Kind = DateTimes
	case temporal.Time:
		it.Kind = Times
	}
	return it
}

// Text writes a value of FHIRPath's own types.
func (it Item) Text() string {
	switch it.Kind {
	case Booleans:
		return strconv.FormatBool(it.Int != 0)
	case Integers:
		return strconv.FormatInt(it.Int, 10)
	case Decimals:
		return it.Val.(*apd.Decimal).Text('f')
	case Dates, DateTimes, Times:
		return it.Val.(*temporal.Value).String()
	case Quantities:
		return it.Val.(*Quantity).String()
	case TypeInfos:
		return strings.Join(it.Val.([]string), ".")
	}
	s, _ := it.Val.(string)
	return s
}

// InInteger reports whether n is in the range of Integers (N1 4.1.3).
func InInteger(n int64) bool { return n >= math.MinInt32 && n <= math.MaxInt32 }
