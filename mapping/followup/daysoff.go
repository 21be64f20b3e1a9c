package followup

import (
	"maps"
	"slices"
	"time"

	"github.com/rickar/cal/v2"
	"github.com/rickar/cal/v2/ca"
	"github.com/rickar/cal/v2/de"
	"github.com/rickar/cal/v2/es"
	"github.com/rickar/cal/v2/fr"
	"github.com/rickar/cal/v2/gb"
	"github.com/rickar/cal/v2/ie"
	"github.com/rickar/cal/v2/nl"
	"github.com/rickar/cal/v2/nz"
	"github.com/rickar/cal/v2/us"
)

// DaysOff are the days on which a clinic sees nobody, and what a date that a
// protocol puts on one becomes. It is policy, not fact (C-50): the zero value
// leaves every date.
type DaysOff struct {
	Weekend Weekend `json:"weekend,omitempty"`
	// Country is the ISO 3166-1 code, in lower case, of the country whose public
	// holidays are days off; "" for none.
	Country string `json:"country,omitempty"`
	// Closed are further days off.
	Closed []Date `json:"closed,omitempty"`
}

var holidays = map[string][]*cal.Holiday{
	"ca": ca.Holidays, "de": de.Holidays, "es": es.Holidays, "fr": fr.Holidays,
	"gb": gb.Holidays, "ie": ie.Holidays, "nl": nl.Holidays, "nz": nz.Holidays, "us": us.Holidays,
}

// Countries are the countries whose holidays are known, sorted.
func Countries() []string { return slices.Sorted(maps.Keys(holidays)) }

// Valid reports whether setting and country are known.
func (o DaysOff) Valid() bool {
	_, known := holidays[o.Country]
	return o.Weekend.Valid() && (known || o.Country == "")
}

// off reports whether the clinic sees nobody on a date.
func (o DaysOff) off(d Date) bool {
	if w := d.Weekday(); w == time.Saturday || w == time.Sunday || slices.Contains(o.Closed, d) {
		return true
	}
	for _, h := range holidays[o.Country] {
		actual, observed := h.Calc(d.Year)
		if dateOf(actual) == d && !actual.IsZero() || dateOf(observed) == d && !observed.IsZero() {
			return true
		}
	}
	return false
}

// farOff bounds the search for a working day.
const farOff = 14

// move applies the setting to a computed date: to the next or the previous
// working day, or to the nearer of the two, the later where both are as near. A
// date is never moved to or before the day from which it is counted; it then
// moves forward.
func (o DaysOff) move(d, base Date) Date {
	if o.Weekend == WeekendKeep || !o.off(d) {
		return d
	}
	back, forward := -1, 1
	for back > -farOff && o.off(d.AddDays(back)) {
		back--
	}
	for forward < farOff && o.off(d.AddDays(forward)) {
		forward++
	}
	by := forward
	if o.Weekend == WeekendPrevious || o.Weekend == WeekendNearest && -back < forward {
		by = back
	}
	if by < 0 && d.AddDays(by).Compare(base) <= 0 {
		by = forward
	}
	return d.AddDays(by)
}
