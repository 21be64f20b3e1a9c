package temporal

import (
	"cmp"
	"time"
)

// Compare gives the order of two values, of which neither or both are times
// of day; a Date counts as a DateTime without a time (N1 5.5.4). It is not
// known if they agree as far as both are precise and one says more (N1 6.2), or
// if one has an offset, the other none, and some offset makes them the same.
func Compare(a, b Value) (order int, known bool) {
	if a.zoned != b.zoned || a.zoned && a.offset != b.offset && (a.odd() || b.odd()) {
		return apart(a, b)
	}
	if a.zoned && a.offset != b.offset {
		a, b = a.utc(), b.utc()
	}
	first := Year
	if a.kind == Time {
		first = Hour
	}
	for p := first; p <= min(a.prec, b.prec); p++ {
		if o := cmp.Compare(a.part[p], b.part[p]); o != 0 {
			return o, true
		}
	}
	if a.prec != b.prec {
		return 0, false
	}
	return cmp.Compare(a.nano, b.nano), true
}

// odd reports whether v is given to the hour in a zone that is not whole hours
// from UTC, so that it is no hour of UTC.
func (v Value) odd() bool { return v.prec == Hour && v.offset%60 != 0 }

// utc is the same instant at offset zero.
func (v Value) utc() Value {
	t := v.earliest().Add(-time.Duration(v.offset) * time.Minute)
	v.part = [6]int{t.Year(), int(t.Month()), t.Day(), t.Hour(), t.Minute(), t.Second()}
	v.offset = 0
	return v
}

// earliest is the first instant that v may mean, on the clock of its zone.
func (v Value) earliest() time.Time {
	month, day := max(v.part[Month], 1), max(v.part[Day], 1)
	return time.Date(v.part[Year], time.Month(month), day, v.part[Hour], v.part[Minute], v.part[Second], v.nano, time.UTC)
}

// end is the first instant after all that v may mean, on the clock of its
// zone.
func (v Value) end() time.Time {
	t := v.earliest()
	switch v.prec {
	case Year:
		return t.AddDate(1, 0, 0)
	case Month:
		return t.AddDate(0, 1, 0)
	case Day:
		return t.AddDate(0, 0, 1)
	case Hour:
		return t.Add(time.Hour)
	case Minute:
		return t.Add(time.Minute)
	}
	return t.Add(1)
}

// Offsets in use reach from 12 hours west to 14 hours east of UTC.
const (
	west = -12 * time.Hour
	east = 14 * time.Hour
)

// span is the time within which v lies, whatever its offset if it states
// none.
func (v Value) span() (from, to time.Time) {
	if v.zoned {
		shift := time.Duration(v.offset) * time.Minute
		return v.earliest().Add(-shift), v.end().Add(-shift)
	}
	return v.earliest().Add(-east), v.end().Add(-west)
}

// apart knows an order only where the spans of the two do not meet.
func apart(a, b Value) (int, bool) {
	aFrom, aTo := a.span()
	bFrom, bTo := b.span()
	switch {
	case !aTo.After(bFrom):
		return -1, true
	case !bTo.After(aFrom):
		return 1, true
	}
	return 0, false
}
