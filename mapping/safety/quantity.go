package safety

import (
	"math/big"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// Mass is the mass in mg of volume mL of a solution of percent % w/v:
// mL × % × 10 (C-1).
func Mass(mL, percent *big.Rat) *big.Rat {
	m := new(big.Rat).Mul(mL, percent)
	return m.Mul(m, big.NewRat(10, 1))
}

// AdrenalineMassUg is the mass in ug of the vasoconstrictor in volume mL at
// 1:ratio: mL × 1,000,000 / ratio (C-4). The ratio is greater than 0.
func AdrenalineMassUg(mL *big.Rat, ratio int64) *big.Rat {
	return new(big.Rat).Mul(mL, big.NewRat(1_000_000, ratio))
}

// MaxVolume is the greatest volume in mL, rounded down to one decimal, that
// holds no more than limit mg at percent % w/v: "7.0" (C-6). The percent is
// greater than 0.
func MaxVolume(limit, percent *big.Rat) string {
	per := new(big.Rat).Mul(percent, big.NewRat(10, 1))
	return fixedDown(new(big.Rat).Quo(limit, per), 1)
}

// WholeUnits is the greatest number of whole cartridges, each with perUnit of
// the drug, that stays within limit (C-3): a strict floor.
func WholeUnits(limit, perUnit *big.Rat) int64 {
	q := new(big.Rat).Quo(limit, perUnit)
	return new(big.Int).Quo(q.Num(), q.Denom()).Int64()
}

func atLeast(r *big.Rat, n int64) bool { return r.Cmp(big.NewRat(n, 1)) >= 0 }
func over(r, limit *big.Rat) bool      { return r.Cmp(limit) > 0 }
func minRat(a, b *big.Rat) *big.Rat {
	if a == nil || (b != nil && b.Cmp(a) < 0) {
		return b
	}
	return a
}

// positive gives the exact value of a decimal greater than 0, else nil.
func positive(d *record.Decimal) *big.Rat {
	if d == nil {
		return nil
	}
	if r := d.Rat(); r.Sign() > 0 {
		return r
	}
	return nil
}

// notNegative gives the exact value of a decimal of 0 or more, else nil.
func notNegative(d *record.Decimal) *big.Rat {
	if d == nil {
		return nil
	}
	if r := d.Rat(); r.Sign() >= 0 {
		return r
	}
	return nil
}

// exact writes r without rounding when it has a finite decimal form, else
// rounded up to 6 decimals.
func exact(r *big.Rat) string {
	if n, finite := r.FloatPrec(); finite {
		return r.FloatString(n)
	}
	return roundUp(r, 6)
}

func pow10(n int) *big.Rat {
	return new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n)), nil))
}

// roundUp writes r, 0 or more, rounded up to n decimals, without trailing
// zeros.
func roundUp(r *big.Rat, n int) string {
	s := new(big.Rat).Mul(r, pow10(n))
	q, rem := new(big.Int).QuoRem(s.Num(), s.Denom(), new(big.Int))
	if rem.Sign() > 0 {
		q.Add(q, big.NewInt(1))
	}
	return trim(new(big.Rat).Quo(new(big.Rat).SetInt(q), pow10(n)).FloatString(n))
}

// fixedDown writes r, 0 or more, rounded down to exactly n decimals.
func fixedDown(r *big.Rat, n int) string {
	s := new(big.Rat).Mul(r, pow10(n))
	q := new(big.Int).Quo(s.Num(), s.Denom())
	return new(big.Rat).Quo(new(big.Rat).SetInt(q), pow10(n)).FloatString(n)
}

// roundDown is fixedDown without trailing zeros.
func roundDown(r *big.Rat, n int) string { return trim(fixedDown(r, n)) }

func trim(s string) string {
	if !strings.Contains(s, ".") {
		return s
	}
	return strings.TrimRight(strings.TrimRight(s, "0"), ".")
}

// minutes is a duration in minutes, exact.
func minutes(d time.Duration) *big.Rat { return big.NewRat(int64(d), int64(time.Minute)) }

// minutesText writes minutes rounded up to 2 decimals.
func minutesText(d time.Duration) string { return roundUp(minutes(d), 2) }
