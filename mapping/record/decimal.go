package record

import (
	"bytes"
	"errors"
	"math/big"
	"strconv"
	"strings"

	"nailbridge/mapping/internal/rawjson"
)

// Decimal is an exact decimal number that keeps its text, so that "2.50"
// stays "2.50" in what is published.
type Decimal struct{ text string }

// Bounds of a Decimal. Two decimals of at most 15 significant digits that
// differ in value differ as IEEE 754 doubles too, so that they never share a
// canonical form (RFC 8785) and with it a content hash.
const (
	maxDecimalText   = 32
	maxDecimalDigits = 15
	maxExponent      = 20
)

// ErrDecimal says that a text is no number of the JSON grammar, or is out of
// the bounds of a Decimal: 32 characters, 15 significant digits, and an
// exponent of at most 20 either way.
var ErrDecimal = errors.New("not a decimal number within bounds")

// ParseDecimal reads a number of the JSON grammar (RFC 8259 section 6) within
// the bounds of a Decimal, and keeps its text. The error is ErrDecimal.
func ParseDecimal(text string) (Decimal, error) {
	if len(text) > maxDecimalText || rawjson.NumberLength(text) != len(text) || text == "" {
		return Decimal{}, ErrDecimal
	}
	mantissa, exponent := text, ""
	if i := strings.IndexAny(text, "eE"); i >= 0 {
		mantissa, exponent = text[:i], text[i+1:]
	}
	digits := strings.Trim(strings.Replace(strings.TrimPrefix(mantissa, "-"), ".", "", 1), "0")
	if len(digits) > maxDecimalDigits {
		return Decimal{}, ErrDecimal
	}
	if exponent != "" {
		if e, err := strconv.Atoi(exponent); err != nil || e > maxExponent || e < -maxExponent {
			return Decimal{}, ErrDecimal
		}
	}
	return Decimal{text}, nil
}

// MustDecimal is ParseDecimal for constants and tests; it panics on an error.
func MustDecimal(text string) Decimal {
	d, err := ParseDecimal(text)
	if err != nil {
		panic(err)
	}
	return d
}

// Rat is the exact value; of the zero Decimal, 0.
func (d Decimal) Rat() *big.Rat {
	r, ok := new(big.Rat).SetString(d.text)
	if !ok {
		return new(big.Rat)
	}
	return r
}

// String is the text as recorded.
func (d Decimal) String() string { return d.text }

// MarshalJSON writes d as a JSON number with its own text.
func (d Decimal) MarshalJSON() ([]byte, error) {
	if d.text == "" {
		return []byte("0"), nil
	}
	return []byte(d.text), nil
}

// UnmarshalJSON reads a JSON number by ParseDecimal.
func (d *Decimal) UnmarshalJSON(b []byte) error {
	parsed, err := ParseDecimal(string(bytes.TrimSpace(b)))
	if err != nil {
		return err
	}
	*d = parsed
	return nil
}
