package searchparam

import (
	"fmt"
	"regexp"
	"strings"

	"github.com/cockroachdb/apd/v3"
)

// numberPattern is a decimal of R4 (datatypes.html#decimal), as search values
// have them too (search.html#number).
var numberPattern = regexp.MustCompile(`^-?(0|[1-9][0-9]{0,30})(\.[0-9]{1,30})?([eE][+-]?[0-9]{1,3})?$`)

// NumberKey is a text that sorts as the number does, exactly: two numbers of the
// same value have the same key, whatever their precision.
func NumberKey(s string) (key string, ok bool) {
	d, ok := parseNumber(s)
	if !ok {
		return "", false
	}
	return numberKey(d), true
}

func parseNumber(s string) (*apd.Decimal, bool) {
	if !numberPattern.MatchString(s) {
		return nil, false
	}
	d, _, err := apd.NewFromString(s)
	return d, err == nil
}

// offset makes every exponent that numberPattern lets through a positive number
// of four digits.
const offset = 5000

// numberKey writes sign, exponent of the first digit, and digits; of a negative
// number the nines' complement, so that the greater amount sorts first.
func numberKey(d *apd.Decimal) string {
	if d.IsZero() {
		return "1"
	}
	digits := strings.TrimRight(d.Coeff.String(), "0")
	exponent := int(d.Exponent) + len(d.Coeff.String())
	if !d.Negative {
		return fmt.Sprintf("2%04d%s", offset+exponent, digits)
	}
	complement := strings.Map(func(r rune) rune { return '9' - (r - '0') }, digits)
	return fmt.Sprintf("0%04d%s~", offset-exponent, complement)
}

// numberRange is what the digits of a number stand for: half of the last digit's
// unit either way. 1.00e2 has as many digits as 100, and both are [99.5, 100.5); a
// single digit with an exponent stands for two, as R4 has 1e2 for [95, 105)
// (search.html#number, #quantity).
func numberRange(text string, d *apd.Decimal) (lo, hi string) {
	half := apd.New(5, d.Exponent-1)
	if strings.ContainsAny(text, "eE") && d.NumDigits() == 1 {
		half.Exponent--
	}
	ctx := apd.BaseContext.WithPrecision(100)
	var low, high apd.Decimal
	_, _ = ctx.Sub(&low, d, half) // exact: the digits are bounded by numberPattern
	_, _ = ctx.Add(&high, d, half)
	return numberKey(&low), numberKey(&high)
}

// numberNearby is what is approximately a number: from a tenth less to a tenth
// more, both ends with it (search.html#prefix).
func numberNearby(d *apd.Decimal) (lo, hi string) {
	ctx := apd.BaseContext.WithPrecision(100)
	var low, high apd.Decimal
	_, _ = ctx.Mul(&low, d, apd.New(9, -1)) // exact: the digits are bounded by numberPattern
	_, _ = ctx.Mul(&high, d, apd.New(11, -1))
	if d.Negative {
		low, high = high, low
	}
	return numberKey(&low), numberKey(&high)
}
