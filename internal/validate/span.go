package validate

import "time"

// interval is what a date or dateTime of some precision covers, hi exclusive.
type interval struct{ lo, hi time.Time }

// span reads a FHIR date or dateTime. A date without zone is read in the zone
// farthest ahead or behind, so that only a certain inversion counts.
func span(s string) (interval, bool) {
	const day = 24 * time.Hour
	for _, f := range []struct {
		layout string
		years  int
		months int
		days   int
	}{{"2006", 1, 0, 0}, {"2006-01", 0, 1, 0}, {time.DateOnly, 0, 0, 1}} {
		if t, err := time.Parse(f.layout, s); err == nil {
			return interval{t.Add(-14 * time.Hour), t.AddDate(f.years, f.months, f.days).Add(day / 2)}, true
		}
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	return interval{t, t.Add(time.Nanosecond)}, err == nil
}
