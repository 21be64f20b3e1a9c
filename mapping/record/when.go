package record

import "time"

// Precision says how much of a When was recorded.
type Precision uint8

// The precisions, coarse to fine.
const (
	PrecisionYear Precision = iota + 1
	PrecisionMonth
	PrecisionDay
	PrecisionMinute // seconds absent: shown as absent, never as zero (D5.6)
	PrecisionSecond
)

// When is a date or date-time as recorded: "2014", "2014-06", "2014-06-03",
// "2014-06-03T10:05", "2014-06-03T10:05:30.5", each time with or without an
// offset ("Z", "+01:00"). It keeps its text and never gains precision.
type When struct {
	Text                           string // as sent
	Precision                      Precision
	Year, Month, Day, Hour, Minute int
	Second, Nanosecond             int
	HasOffset                      bool
	OffsetMinutes                  int
}

// Resolution says how a zone-less local time fell in a zone.
type Resolution uint8

// The resolutions.
const (
	Resolved    Resolution = iota // by its own offset, or unique in the zone
	ZoneAssumed                   // no offset: the clinic's zone was taken (flagged)
	NonExistent                   // no offset, and the local time was skipped in the zone
	Ambiguous                     // no offset, and the local time occurs twice; the earlier is given
)

// In resolves w to an instant in loc. A date without time gives its first
// instant in loc. The instant of a NonExistent time is the first one after
// the gap.
func (w When) In(loc *time.Location) (time.Time, Resolution) { return w.in(loc) }
