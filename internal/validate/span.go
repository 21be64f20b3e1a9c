package validate

import "time"

// interval is what a date or dateTime of some precision covers, hi exclusive.
type interval struct {
	lo, hi time.Time
	zoned  bool // its place on the time line is certain
}

// span reads a FHIR date or dateTime; one without zone as if in UTC.
func span(s string) (interval, bool) {
	for _, f := range []struct {
		layout              string
		years, months, days int
	}{{"2006", 1, 0, 0}, {"2006-01", 0, 1, 0}, {time.DateOnly, 0, 0, 1}} {
		if t, err := time.Parse(f.layout, s); err == nil {
			return interval{t, t.AddDate(f.years, f.months, f.days), false}, true
		}
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	return interval{t, t.Add(time.Nanosecond), true}, err == nil
}

// before reports that all of a lies before all of b, or that it ends where b
// begins. A date is compared with a date as they stand, and with an instant in
// the zone farthest ahead or behind.
func (a interval) before(b interval) bool {
	if a.zoned == b.zoned {
		return !a.hi.After(b.lo)
	}
	const farthest = 14 * time.Hour
	return !a.hi.Add(farthest).After(b.lo)
}
