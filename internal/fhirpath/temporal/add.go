package temporal

import (
	"math/big"
	"time"
)

// Unit is a calendar duration.
type Unit uint8

// The units of time-valued quantities (N1 6.7).
const (
	Years Unit = iota
	Months
	Weeks
	Days
	Hours
	Minutes
	Seconds
	Milliseconds
)

// words are the calendar durations.
var words = map[string]Unit{
	"year": Years, "years": Years, "month": Months, "months": Months,
	"week": Weeks, "weeks": Weeks, "day": Days, "days": Days,
	"hour": Hours, "hours": Hours, "minute": Minutes, "minutes": Minutes,
	"second": Seconds, "seconds": Seconds, "millisecond": Milliseconds, "milliseconds": Milliseconds,
}

// codes are the UCUM units that mean the same in arithmetic; the definite
// durations above weeks, "a" and "mo", do not (N1 6.7).
var codes = map[string]Unit{
	"wk": Weeks, "d": Days, "h": Hours, "min": Minutes, "s": Seconds, "ms": Milliseconds,
}

// ParseWord finds the unit of a calendar word such as "days".
func ParseWord(s string) (Unit, bool) {
	u, ok := words[s]
	return u, ok
}

// ParseUnit finds the unit of a calendar word or of a UCUM code such as "d"
// that may be added to dates and times.
func ParseUnit(s string) (Unit, bool) {
	if u, ok := words[s]; ok {
		return u, true
	}
	u, ok := codes[s]
	return u, ok
}

// seconds are the length of a unit where no calendar is at hand: 365 days a
// year, 30 days a month (N1 6.1.1).
var seconds = [...]int64{Years: 365 * 86400, Months: 30 * 86400, Weeks: 7 * 86400, Days: 86400, Hours: 3600, Minutes: 60, Seconds: 1}

// Seconds is how many seconds n units are, where no calendar is at hand: a
// year has 365 days and a month 30 (N1 6.1.1).
func (u Unit) Seconds(n *big.Rat) *big.Rat {
	if u == Milliseconds {
		return new(big.Rat).Quo(n, big.NewRat(1000, 1))
	}
	return new(big.Rat).Mul(n, big.NewRat(seconds[u], 1))
}

// Fits reports whether units u may be added to values of kind k: no hours to a
// Date, no days to a Time (N1 6.7.1).
func (k Kind) Fits(u Unit) bool {
	switch k {
	case Date:
		return u <= Days
	case Time:
		return u >= Hours
	}
	return true
}

// Add is v later by n units, or earlier if n is negative (N1 6.7.1). Fractions
// count only for seconds and milliseconds. A unit finer than v is first turned
// into v's own precision, without fraction. A Time goes round the clock. It is
// not ok if the result is outside the years 1 to 9999.
func (v Value) Add(n *big.Rat, u Unit) (Value, bool) {
	if v.kind != Time {
		n, u = v.coarsen(n, u)
	}
	if u < Seconds {
		n = new(big.Rat).SetInt(whole(n))
	}
	switch u {
	case Years:
		return v.addMonths(n, 12)
	case Months:
		return v.addMonths(n, 1)
	}
	return v.addSeconds(u.Seconds(n))
}

// coarsen turns a quantity finer than v into one of v's precision.
func (v Value) coarsen(n *big.Rat, u Unit) (*big.Rat, Unit) {
	target := [...]Unit{Year: Years, Month: Months, Day: Days, Hour: Hours, Minute: Minutes, Second: Milliseconds}[v.prec]
	if u <= target {
		return n, u
	}
	if u < Seconds {
		n = new(big.Rat).SetInt(whole(n))
	}
	if u == Months && target == Years {
		return new(big.Rat).Quo(n, big.NewRat(12, 1)), Years
	}
	return new(big.Rat).Quo(u.Seconds(n), big.NewRat(seconds[target], 1)), target
}

// whole drops the fraction.
func whole(n *big.Rat) *big.Int { return new(big.Int).Quo(n.Num(), n.Denom()) }

func (v Value) addMonths(n *big.Rat, each int64) (Value, bool) {
	i := whole(n)
	if !i.IsInt64() || i.Int64() > 120000 || i.Int64() < -120000 {
		return v, false
	}
	months := int64(v.part[Year])*12 + int64(max(v.part[Month], 1)) - 1 + i.Int64()*each
	if months < 12 || months >= 120000 {
		return v, false
	}
	v.part[Year] = int(months / 12)
	if v.prec >= Month {
		v.part[Month] = int(months%12) + 1
	}
	if v.prec >= Day {
		last := time.Date(v.part[Year], time.Month(v.part[Month])+1, 0, 0, 0, 0, 0, time.UTC).Day()
		v.part[Day] = min(v.part[Day], last)
	}
	return v, true
}

// addSeconds adds seconds to the nanosecond; finer parts are dropped.
func (v Value) addSeconds(n *big.Rat) (Value, bool) {
	nanos := whole(new(big.Rat).Mul(n, big.NewRat(1e9, 1)))
	secs, rest := new(big.Int).DivMod(nanos, big.NewInt(1e9), new(big.Int))
	const most = 10000 * 366 * 86400
	if !secs.IsInt64() || secs.Int64() > most || secs.Int64() < -most {
		return v, false
	}
	t := v.earliest()
	t = time.Unix(t.Unix()+secs.Int64(), int64(t.Nanosecond())+rest.Int64()).UTC()
	if v.kind != Time && (t.Year() < 1 || t.Year() > 9999) {
		return v, false
	}
	now := [6]int{t.Year(), int(t.Month()), t.Day(), t.Hour(), t.Minute(), t.Second()}
	first := Year
	if v.kind == Time {
		first = Hour
	}
	copy(v.part[first:v.prec+1], now[first:v.prec+1])
	if v.prec == Second {
		v.nano = t.Nanosecond()
		for v.digits < 9 && v.nano%pow10(9-v.digits) != 0 {
			v.digits = min(9, (v.digits/3+1)*3)
		}
	}
	return v, true
}

func pow10(n int) int {
	p := 1
	for range n {
		p *= 10
	}
	return p
}
