package record

import (
	"sort"
	"time"
)

// Resolution says how a zone-less local time fell in a zone.
type Resolution uint8

// The resolutions.
const (
	Resolved    Resolution = iota // by its own offset, or a date without time
	ZoneAssumed                   // no offset: the clinic's zone was taken (flagged)
	NonExistent                   // no offset, and the local time was skipped in the zone
	Ambiguous                     // no offset, and the local time occurs twice; the earlier is given
)

// In resolves w to an instant in loc. A date without time gives its first
// instant in loc, and is Resolved unless loc skipped the whole day. The instant
// of a NonExistent time is the first one after the gap.
func (w When) In(loc *time.Location) (time.Time, Resolution) { return w.in(loc) }

func (w When) in(loc *time.Location) (time.Time, Resolution) {
	wall := time.Date(w.Year, time.Month(max(w.Month, 1)), max(w.Day, 1), w.Hour, w.Minute, w.Second, w.Nanosecond, time.UTC)
	if w.HasOffset {
		return wall.Add(-time.Duration(w.OffsetMinutes) * time.Minute).In(loc), Resolved
	}
	t, res := resolve(wall, loc)
	if !w.HasTime() {
		if y, m, d := t.Date(); y == wall.Year() && m == wall.Month() && d == wall.Day() {
			return t, Resolved
		}
	}
	return t, res
}

// EndIn is the exclusive end of the span that w names, in loc: the first
// instant after its year, month, day, minute or second. A fraction of a second
// is taken as exact and ends a nanosecond later.
func (w When) EndIn(loc *time.Location) time.Time {
	next := w
	next.Text = ""
	switch w.Precision {
	case PrecisionYear:
		next.Year++
	case PrecisionMonth:
		next.Month++
	case PrecisionDay:
		next.Day++
	default:
		start, _ := w.in(loc)
		return start.Add(w.step())
	}
	// Months and days past the end carry over in time.Date.
	wall := time.Date(next.Year, time.Month(next.Month), next.Day, 0, 0, 0, 0, time.UTC)
	end, _ := resolve(wall, loc)
	return end
}

func (w When) step() time.Duration {
	switch {
	case w.Precision == PrecisionMinute:
		return time.Minute
	case w.Nanosecond == 0:
		return time.Second
	default:
		return time.Nanosecond
	}
}

// Before reports whether all of w's span in loc lies before the first instant
// of v, so that a bare year is never before a day within it.
func (w When) Before(v When, loc *time.Location) bool {
	start, _ := v.in(loc)
	return !w.EndIn(loc).After(start)
}

// zoneReach is farther than any zone's offset from UTC, and zoneStep shorter
// than any period of one offset.
const (
	zoneReach = 26 * time.Hour
	zoneStep  = time.Hour
)

// resolve finds the instants in loc whose wall clock shows wall, which is given
// as if it were UTC: wall less each offset in use around it, where that offset
// is in use at the result too. It is right for gaps and overlaps of any length.
// It asks for offsets only: Time.ZoneBounds has an end that is not later than
// the time itself on the last day of a leap year under a standing rule.
func resolve(wall time.Time, loc *time.Location) (time.Time, Resolution) {
	first, last := wall.Add(zoneReach), wall.Add(-zoneReach)
	found := 0
	var earliest time.Time
	previous := -1 << 31
	for t := wall.Add(-zoneReach); !t.After(wall.Add(zoneReach)); t = t.Add(zoneStep) {
		offset := offsetAt(t, loc)
		if offset == previous {
			continue
		}
		previous = offset
		instant := wall.Add(-time.Duration(offset) * time.Second)
		first, last = minTime(first, instant), maxTime(last, instant)
		if offsetAt(instant, loc) != offset || found > 0 && instant.Equal(earliest) {
			continue
		}
		if found++; found == 1 {
			earliest = instant
		}
		earliest = minTime(earliest, instant)
	}
	switch found {
	case 0:
		return transition(first, last, loc), NonExistent
	case 1:
		return earliest.In(loc), ZoneAssumed
	default:
		return earliest.In(loc), Ambiguous
	}
}

// transition is the first second after t at which loc has another offset than
// at t; it has one by the time of end.
func transition(t, end time.Time, loc *time.Location) time.Time {
	offset := offsetAt(t, loc)
	seconds := sort.Search(int(end.Sub(t)/time.Second), func(s int) bool {
		return offsetAt(t.Add(time.Duration(s)*time.Second), loc) != offset
	})
	return t.Add(time.Duration(seconds) * time.Second).Truncate(time.Second).In(loc)
}

func offsetAt(t time.Time, loc *time.Location) int {
	_, offset := t.In(loc).Zone()
	return offset
}

func minTime(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func maxTime(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
