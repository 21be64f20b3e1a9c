package record

import "time"

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

// zoneReach is farther than any zone's offset from UTC.
const zoneReach = 26 * time.Hour

// resolve finds the instants in loc whose wall clock shows wall, which is given
// as if it were UTC. It walks every period of one offset around wall, so that
// it is right for gaps and overlaps of any length.
func resolve(wall time.Time, loc *time.Location) (time.Time, Resolution) {
	var found []time.Time
	var afterGap time.Time
	limit := wall.Add(zoneReach)
	for t := wall.Add(-zoneReach).In(loc); ; {
		_, offset := t.Zone()
		start, end := t.ZoneBounds()
		instant := wall.Add(-time.Duration(offset) * time.Second)
		inside := (start.IsZero() || !instant.Before(start)) && (end.IsZero() || instant.Before(end))
		if inside {
			found = append(found, instant.In(loc))
		}
		if end.IsZero() || end.After(limit) {
			break
		}
		_, nextOffset := end.Zone()
		if !instant.Before(end) && wall.Add(-time.Duration(nextOffset)*time.Second).Before(end) {
			afterGap = end
		}
		t = end
	}
	switch len(found) {
	case 0:
		return afterGap.In(loc), NonExistent
	case 1:
		return found[0], ZoneAssumed
	default:
		return found[0], Ambiguous
	}
}
