package value

import (
	"math/big"
	"strings"

	"github.com/cockroachdb/apd/v3"
)

// Decimals are exact in sums, differences and products; quotients and the
// functions of N1 5.7 are rounded to maxQuotient significant digits, more than
// the 28 of N1 4.1.4. A number of more than maxDigits digits, before or after
// the point, is out of range.
const (
	maxDigits   = 400
	maxQuotient = 34
)

var (
	exact   = apd.Context{Precision: 3 * maxDigits, MaxExponent: 4 * maxDigits, MinExponent: -4 * maxDigits, Rounding: apd.RoundHalfUp}
	divided = apd.Context{Precision: maxQuotient, MaxExponent: maxDigits, MinExponent: -maxDigits, Rounding: apd.RoundHalfUp}
	refined = apd.Context{Precision: maxQuotient + 12, MaxExponent: maxDigits, MinExponent: -maxDigits, Rounding: apd.RoundHalfUp}
)

// ParseDecimal reads an optional sign, digits, fraction and, as JSON has them,
// exponent.
func ParseDecimal(s string) (*apd.Decimal, bool) {
	if s == "" || len(s) > 2*maxDigits || strings.ContainsAny(s, "nNiI") {
		return nil, false
	}
	d, _, err := apd.NewFromString(s)
	if err != nil || !inRange(d) {
		return nil, false
	}
	return d, true
}

func inRange(d *apd.Decimal) bool {
	e := int64(d.Exponent)
	return d.Form == apd.Finite && e >= -maxDigits && e+d.NumDigits() <= maxDigits
}

func fromInt(n int64) *apd.Decimal { return apd.New(n, 0) }

// compute runs an operation; it is not ok if the result is not a number or
// out of range, which N1 6.6 wants empty.
func compute(op func(c *apd.Context, d *apd.Decimal) (apd.Condition, error), c *apd.Context) (*apd.Decimal, bool) {
	d := new(apd.Decimal)
	cond, err := op(c, d)
	bad := apd.Overflow | apd.Underflow | apd.DivisionByZero | apd.DivisionUndefined | apd.DivisionImpossible | apd.InvalidOperation |
		apd.SystemOverflow | apd.SystemUnderflow
	if err != nil || cond&bad != 0 || !inRange(d) {
		return nil, false
	}
	return d, true
}

// trim drops trailing zeros of the fraction.
func trim(d *apd.Decimal) *apd.Decimal {
	if d.Exponent >= 0 {
		return d
	}
	r := new(apd.Decimal)
	if d.IsZero() {
		return r
	}
	r.Reduce(d)
	if r.Exponent > 0 {
		return setExponent(r, 0, apd.RoundHalfUp)
	}
	return r
}

// setExponent writes d with -e places after the point, rounded if need be.
func setExponent(d *apd.Decimal, e int32, rounding apd.Rounder) *apd.Decimal {
	c := exact
	c.Rounding = rounding
	r := new(apd.Decimal)
	if _, err := c.Quantize(r, d, e); err != nil || r.Form != apd.Finite {
		return d
	}
	return r
}

// toRat is the exact value.
func toRat(d *apd.Decimal) *big.Rat {
	n := d.Coeff.MathBigInt()
	if d.Negative {
		n.Neg(n)
	}
	r := new(big.Rat).SetInt(n)
	ten := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(abs32(d.Exponent))), nil)
	if d.Exponent < 0 {
		return r.Quo(r, new(big.Rat).SetInt(ten))
	}
	return r.Mul(r, new(big.Rat).SetInt(ten))
}

// fromRat is the value exactly if it has a finite decimal form in range, else
// rounded as quotients are.
func fromRat(r *big.Rat) (*apd.Decimal, bool) {
	if places, ok := finite(r.Denom()); ok && places <= maxDigits {
		n := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)
		n.Quo(n.Mul(n, r.Num()), r.Denom())
		d := apd.NewWithBigInt(new(apd.BigInt).SetMathBigInt(n), -int32(places))
		return d, inRange(d)
	}
	n := apd.NewWithBigInt(new(apd.BigInt).SetMathBigInt(r.Num()), 0)
	d := apd.NewWithBigInt(new(apd.BigInt).SetMathBigInt(r.Denom()), 0)
	return compute(func(c *apd.Context, q *apd.Decimal) (apd.Condition, error) { return c.Quo(q, n, d) }, &divided)
}

// finite tells how many places fractions of this denominator have, if they
// end: if it has no prime factors but 2 and 5.
func finite(den *big.Int) (places int, ok bool) {
	twos := int(den.TrailingZeroBits())
	d := new(big.Int).Rsh(den, uint(twos))
	five, rest, quotient := big.NewInt(5), new(big.Int), new(big.Int)
	fives := 0
	for d.BitLen() > 1 {
		if quotient.QuoRem(d, five, rest); rest.Sign() != 0 {
			return 0, false
		}
		d.Set(quotient)
		fives++
	}
	return max(twos, fives), true
}

func abs32(n int32) int32 {
	if n < 0 {
		return -n
	}
	return n
}
