package followup

import (
	"cmp"
	"fmt"
	"time"

	"nailbridge/mapping/record"
)

// Date is a calendar date without zone.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// String is the date as YYYY-MM-DD.
func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, int(d.Month), d.Day) }

// MarshalText writes the date as YYYY-MM-DD.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads YYYY-MM-DD.
func (d *Date) UnmarshalText(b []byte) error {
	t, err := time.Parse(time.DateOnly, string(b))
	if err != nil {
		return fmt.Errorf("not a date as YYYY-MM-DD")
	}
	*d = dateOf(t)
	return nil
}

// Compare orders dates by the calendar.
func (d Date) Compare(e Date) int {
	return cmp.Or(cmp.Compare(d.Year, e.Year), cmp.Compare(d.Month, e.Month), cmp.Compare(d.Day, e.Day))
}

// AddDays is the date n days later.
func (d Date) AddDays(n int) Date { return dateOf(d.utc().AddDate(0, 0, n)) }

// AddMonths is the same day n months later, or the last day of that month
// where the day does not exist: 2024-08-31 and six months give 2025-02-28
// (C-50).
func (d Date) AddMonths(n int) Date {
	first := time.Date(d.Year, d.Month+time.Month(n), 1, 0, 0, 0, 0, time.UTC)
	last := first.AddDate(0, 1, -1).Day()
	return Date{first.Year(), first.Month(), min(d.Day, last)}
}

// DaysSince is the number of days from e to d.
func (d Date) DaysSince(e Date) int { return int(d.utc().Sub(e.utc()).Hours() / 24) }

// Weekday is the day of the week.
func (d Date) Weekday() time.Weekday { return d.utc().Weekday() }

func (d Date) utc() time.Time { return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC) }

// StartIn is the first instant of the date in loc; where loc skipped the whole
// day, the first instant after the gap.
func (d Date) StartIn(loc *time.Location) time.Time {
	t, _ := record.When{Precision: record.PrecisionDay, Year: d.Year, Month: int(d.Month), Day: d.Day}.In(loc)
	return t
}

func dateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// Window is a span of whole days in the clinic's zone: the first and the last
// day, and the same as instants, the end exclusive.
type Window struct {
	First Date      `json:"first"`
	Last  Date      `json:"last"`
	Start time.Time `json:"start"`
	End   time.Time `json:"end"` // the first instant after Last
}

func newWindow(first, last Date, loc *time.Location) Window {
	return Window{first, last, first.StartIn(loc), last.AddDays(1).StartIn(loc)}
}

// Holds reports whether the date lies within the window.
func (w Window) Holds(d Date) bool { return w.First.Compare(d) <= 0 && d.Compare(w.Last) <= 0 }

// Weekend is a clinic's setting for dates that a protocol puts on a Saturday
// or Sunday. It is policy, not fact (C-50), so the default leaves the date.
type Weekend string

// The settings.
const (
	WeekendKeep     Weekend = ""         // leave the date as computed
	WeekendNext     Weekend = "next"     // the Monday after
	WeekendPrevious Weekend = "previous" // the Friday before
	WeekendNearest  Weekend = "nearest"  // Saturday to Friday, Sunday to Monday
)

// Valid reports whether w is one of the settings.
func (w Weekend) Valid() bool {
	return w == WeekendKeep || w == WeekendNext || w == WeekendPrevious || w == WeekendNearest
}

// span is a When in the clinic's zone: its instants and its calendar days. A
// partial date spans its whole month or year.
type span struct {
	start       time.Time
	first, last Date
	exact       bool // to the day or finer
}

func spanOf(w *record.When, loc *time.Location) (span, bool) {
	if w == nil || w.Precision == 0 {
		return span{}, false
	}
	start, _ := w.In(loc)
	start = start.In(loc)
	end := w.EndIn(loc).Add(-time.Nanosecond).In(loc)
	first, last := dateOf(start), dateOf(end)
	if last.Compare(first) < 0 { // the zone skipped the whole day
		last = first
	}
	return span{start, first, last, !w.Partial()}, true
}
