// Package ucum reads units of measure written in the case-sensitive codes of
// the Unified Code for Units of Measure (UCUM, https://ucum.org/ucum),
// compares their dimensions and converts between them exactly.
//
// The atoms and prefixes are data (atoms.tsv), with their source and licence
// noted there. Units on a scale of their own (UCUM 21 to 23) are recognised
// everywhere; of them only the temperatures are converted.
package ucum

import (
	"errors"
	"fmt"
	"math/big"
	"sort"
	"strconv"
	"strings"
)

// System is the URI of UCUM as a FHIR code system (R4 terminologies-systems).
const System = "http://unitsofmeasure.org"

// Errors. Those of Parse say only what is wrong with the code.
var (
	// ErrSyntax is met by every error of Parse that is a fault of the form.
	ErrSyntax = errors.New("not a UCUM expression")
	// ErrUnknown is met by an error of Parse that names an unknown unit.
	ErrUnknown = errors.New("unknown UCUM unit")
	// ErrDimension says that two units measure different things (UCUM 18).
	ErrDimension = errors.New("units of different dimensions")
	// ErrScale says that a unit is on a scale of its own that is not converted
	// here (UCUM 21 to 23), or stands with others where it may not.
	ErrScale = errors.New("unit on a scale of its own")
)

// dims are the powers of the seven base units, in their order in the table:
// m, s, g, rad, K, C, cd (UCUM 28).
type dims [7]int

// factor is one atom with its prefix raised to a power, as it was written.
type factor struct {
	symbol string
	power  int
}

// Unit is a parsed unit. The zero value is not a unit; Parse and One make
// units.
type Unit struct {
	size  *big.Rat // how many of its base units one unit is
	dims  dims
	whole []factor // atoms with prefixes, in written order, powers added up
	plain *big.Rat // the numbers among the factors, such as the 10 of "10.L"
	own   []factor // arbitrary units, sorted (UCUM 24)
	scale *atom    // a unit on a scale of its own, alone
	times *big.Rat // the steps of that scale in one u: prefix and numbers
}

// One is the unit "1" of dimensionless quantities.
func One() Unit { return Unit{size: big.NewRat(1, 1), plain: big.NewRat(1, 1)} }

// Comparable reports whether quantities in u and v measure the same thing, so
// that one can be converted to the other or both are in the very same unit.
func (u Unit) Comparable(v Unit) bool {
	if u.dims != v.dims || len(u.own) != len(v.own) {
		return false
	}
	for i := range u.own {
		if u.own[i] != v.own[i] {
			return false
		}
	}
	return !u.opaque() && !v.opaque() || u.String() == v.String()
}

// opaque reports whether u's values are not proportional to its base units
// and the relation is not among those converted here.
func (u Unit) opaque() bool { return u.scale != nil && u.scale.offset == nil }

// Convert gives the value in unit to of a value in unit from, exactly. It
// fails with ErrDimension or ErrScale.
func Convert(value *big.Rat, from, to Unit) (*big.Rat, error) {
	if !from.Comparable(to) {
		if from.opaque() || to.opaque() {
			return nil, ErrScale
		}
		return nil, ErrDimension
	}
	if from.opaque() {
		return new(big.Rat).Set(value), nil
	}
	v := new(big.Rat).Set(value)
	if from.scale != nil {
		v.Add(v.Mul(v, from.times), from.scale.offset)
		v.Mul(v, from.scale.size)
	} else {
		v.Mul(v, from.size)
	}
	if to.scale != nil {
		v.Quo(v, to.scale.size)
		v.Sub(v, to.scale.offset)
		return v.Quo(v, to.times), nil
	}
	return v.Quo(v, to.size), nil
}

// Bigger reports whether one u is more than one v, for comparable units.
func (u Unit) Bigger(v Unit) bool { return u.size.Cmp(v.size) > 0 }

// Mul is the unit of products: 'cm' and 'cm' give 'cm2'. It fails with
// ErrScale for units on a scale of their own, which cannot be multiplied
// (UCUM 21).
func (u Unit) Mul(v Unit) (Unit, error) { return u.combine(v, 1) }

// Div is the unit of quotients; its errors are those of Mul.
func (u Unit) Div(v Unit) (Unit, error) { return u.combine(v, -1) }

func (u Unit) combine(v Unit, sign int) (Unit, error) {
	if u.scale != nil || v.scale != nil {
		return Unit{}, ErrScale
	}
	w := Unit{
		size:  new(big.Rat).Set(u.size),
		plain: new(big.Rat).Set(u.plain),
		dims:  u.dims,
		whole: addFactors(u.whole, v.whole, sign),
		own:   addFactors(u.own, v.own, sign),
	}
	sort.Slice(w.own, func(i, j int) bool { return w.own[i].symbol < w.own[j].symbol })
	for i := range w.dims {
		w.dims[i] += sign * v.dims[i]
	}
	if sign > 0 {
		w.size.Mul(w.size, v.size)
		w.plain.Mul(w.plain, v.plain)
	} else {
		w.size.Quo(w.size, v.size)
		w.plain.Quo(w.plain, v.plain)
	}
	if w.size.Num().BitLen() > maxBits || w.size.Denom().BitLen() > maxBits {
		return Unit{}, fmt.Errorf("%w: it is beyond all measure", ErrSyntax)
	}
	return w, nil
}

// addFactors adds the powers of b, times sign, to those of a, leaving out
// what cancels. Neither argument is changed.
func addFactors(a, b []factor, sign int) []factor {
	out := append([]factor(nil), a...)
next:
	for _, f := range b {
		for i := range out {
			if out[i].symbol == f.symbol {
				out[i].power += sign * f.power
				continue next
			}
		}
		out = append(out, factor{f.symbol, sign * f.power})
	}
	kept := out[:0]
	for _, f := range out {
		if f.power != 0 {
			kept = append(kept, f)
		}
	}
	return kept
}

// String is the code of u with its factors gathered: "m.m/s" gives "m2.s-1".
// A unit without factors is "1".
func (u Unit) String() string {
	var b strings.Builder
	if u.plain != nil && !(u.plain.IsInt() && u.plain.Num().IsInt64() && u.plain.Num().Int64() == 1) {
		b.WriteString(u.plain.Num().String())
		if !u.plain.IsInt() {
			b.WriteString("/" + u.plain.Denom().String())
		}
	}
	for _, f := range u.whole {
		if b.Len() > 0 {
			b.WriteByte('.')
		}
		b.WriteString(f.symbol)
		if f.power != 1 {
			b.WriteString(strconv.Itoa(f.power))
		}
	}
	if b.Len() == 0 {
		return "1"
	}
	return b.String()
}
