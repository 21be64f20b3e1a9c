package record

import "math/big"

// Decimal is an exact decimal number that keeps its text, so that "2.50"
// stays "2.50" in what is published.
type Decimal struct{ text string }

// Rat is the exact value.
func (d Decimal) Rat() *big.Rat {
	r, ok := new(big.Rat).SetString(d.text)
	if !ok {
		return new(big.Rat)
	}
	return r
}

// String is the text as recorded.
func (d Decimal) String() string { return d.text }
