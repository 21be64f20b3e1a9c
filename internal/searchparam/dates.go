package searchparam

import (
	"errors"
	"regexp"
	"slices"
	"time"
)

// interval is the stretch of time that a date of some precision covers; hi is
// exclusive, zero ends are open.
type interval struct{ lo, hi time.Time }

var errDate = errors.New("not a date of R4")

// datePattern is the grammar of R4 date, dateTime and instant, with the
// minutes-only form that search adds (search.html#date): any precision from
// the left, but no hour without its minutes.
var datePattern = regexp.MustCompile(`^(\d{4})(?:-(\d{2})(?:-(\d{2})(?:T(\d{2}:\d{2})(?::(\d{2})(\.\d{1,9})?)?(Z|[+-]\d{2}:\d{2})?)?)?)?$`)

// parseInterval gives the interval that s covers. Values without an offset
// stand in zone.
func parseInterval(s string, zone *time.Location) (interval, error) {
	m := datePattern.FindStringSubmatch(s)
	if m == nil || m[1] == "0000" {
		return interval{}, errDate
	}
	switch {
	case m[4] != "":
		return clockInterval(s, m, zone)
	case m[3] != "":
		return calendarInterval("2006-01-02", s, zone, 0, 0, 1)
	case m[2] != "":
		return calendarInterval("2006-01", s, zone, 0, 1, 0)
	}
	return calendarInterval("2006", s, zone, 1, 0, 0)
}

// calendarInterval covers whole days of the zone's calendar, so that a day on
// which the clock changes has 23 or 25 hours.
func calendarInterval(layout, s string, zone *time.Location, years, months, days int) (interval, error) {
	d, err := time.Parse(layout, s)
	if err != nil {
		return interval{}, errDate
	}
	e := d.AddDate(years, months, days)
	return interval{startOfDay(d, zone), startOfDay(e, zone)}, nil
}

func startOfDay(d time.Time, zone *time.Location) time.Time {
	return time.Date(d.Year(), d.Month(), d.Day(), 0, 0, 0, 0, zone).UTC()
}

func clockInterval(s string, m []string, zone *time.Location) (interval, error) {
	layout, width := "2006-01-02T15:04", time.Minute
	if m[5] != "" {
		layout, width = layout+":05", time.Second
	}
	if m[6] != "" {
		for range len(m[6]) - 1 {
			width /= 10
		}
	}
	offset := m[7]
	if offset == "" {
		t, err := time.ParseInLocation(layout, s, zone)
		return around(t, width, err)
	}
	if offset != "Z" && (offset[1:3] > "14" || offset[4:] > "59") {
		return interval{}, errDate
	}
	t, err := time.Parse(layout+"Z07:00", s)
	return around(t, width, err)
}

func around(t time.Time, width time.Duration, err error) (interval, error) {
	if err != nil {
		return interval{}, errDate
	}
	t = t.UTC()
	return interval{t, t.Add(width)}, nil
}

// elementInterval gives the interval of a date, dateTime, instant, Period or
// Timing as it stands in a resource. A Period without one end is open there; a
// Timing is searched by its outer limits (search.html#date).
func elementInterval(v any, zone *time.Location) (interval, bool) {
	switch v := v.(type) {
	case string:
		i, err := parseInterval(v, zone)
		return i, err == nil
	case map[string]any:
		if _, ok := v["event"]; ok || v["repeat"] != nil {
			return timingInterval(v, zone)
		}
		return periodInterval(v, zone)
	}
	return interval{}, false
}

func periodInterval(p map[string]any, zone *time.Location) (interval, bool) {
	start, hasStart := elementInterval(textOf(p["start"]), zone)
	end, hasEnd := elementInterval(textOf(p["end"]), zone)
	if !hasStart && !hasEnd {
		return interval{}, false
	}
	return interval{start.lo, end.hi}, true
}

func timingInterval(t map[string]any, zone *time.Location) (interval, bool) {
	var out interval
	found := false
	events, _ := t["event"].([]any)
	for _, e := range events {
		i, ok := elementInterval(textOf(e), zone)
		if !ok {
			continue
		}
		if !found || i.lo.Before(out.lo) {
			out.lo = i.lo
		}
		if !found || i.hi.After(out.hi) {
			out.hi = i.hi
		}
		found = true
	}
	if found {
		return out, true
	}
	repeat, _ := t["repeat"].(map[string]any)
	bounds, ok := repeat["boundsPeriod"].(map[string]any)
	if !ok {
		return interval{}, false
	}
	return periodInterval(bounds, zone)
}

// textOf gives a string member, "" for anything else.
func textOf(v any) string {
	s, _ := v.(string)
	return s
}

// cutPrefix takes the comparison prefix off a date or number of a query; Eq
// without one.
func cutPrefix(s string) (Prefix, string) {
	if len(s) < 3 || s[0] >= '0' && s[0] <= '9' {
		return Eq, s
	}
	if p := Prefix(s[:2]); slices.Contains(Prefixes, p) {
		return p, s[2:]
	}
	return Eq, s
}

// nearby is what is approximately a date: as much before and after it as it covers
// itself, so that ap2026-03 is February to April. R4 leaves the measure to the
// server (search.html#prefix).
func (i interval) nearby() interval {
	width := i.hi.Sub(i.lo)
	return interval{i.lo.Add(-width), i.hi.Add(width)}
}
