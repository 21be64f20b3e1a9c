package r4

import (
	"fmt"
	"strings"
	"time"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// utc is how google/fhir names the zone that is written "Z". It needs no zone
// data, so dates use it too.
const utc = "Z"

// DateTime is a FHIR dateTime of w with its own precision: a year stays a
// year. A time takes the offset it was recorded with, else the offset that
// zone had then; seconds not recorded are :00 with our extension
// seconds-not-recorded (D5.6).
// A fraction is written to 3 or 6 digits and cut at the microsecond, as
// google/fhir does. Nil when w is.
func DateTime(w *record.When, zone *time.Location) *dpb.DateTime {
	if w == nil {
		return nil
	}
	switch w.Precision {
	case record.PrecisionYear:
		return dateOnly(w.Year, 1, 1, dpb.DateTime_YEAR)
	case record.PrecisionMonth:
		return dateOnly(w.Year, w.Month, 1, dpb.DateTime_MONTH)
	case record.PrecisionDay:
		return dateOnly(w.Year, w.Month, w.Day, dpb.DateTime_DAY)
	case record.PrecisionMinute, record.PrecisionSecond:
		return timed(w, zone)
	}
	return nil
}

func dateOnly(year, month, day int, p dpb.DateTime_Precision) *dpb.DateTime {
	t := time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	return &dpb.DateTime{ValueUs: t.UnixMicro(), Timezone: utc, Precision: p}
}

func timed(w *record.When, zone *time.Location) *dpb.DateTime {
	t, _ := w.In(zone)
	d := &dpb.DateTime{ValueUs: t.UnixMicro(), Timezone: offset(w, t.In(zone)), Precision: dpb.DateTime_SECOND}
	switch {
	case w.Precision == record.PrecisionMinute:
		d.Extension = []*dpb.Extension{Extension(terms.ExtSecondsNotRecorded, Boolean(true))}
	case w.Nanosecond == 0:
	case w.Nanosecond%int(time.Millisecond) == 0:
		d.Precision = dpb.DateTime_MILLISECOND
	default:
		d.Precision = dpb.DateTime_MICROSECOND
	}
	return d
}

// offset is the zone text of a dateTime: as recorded, else of the instant in
// the clinic's zone. "-00:00" is never written.
func offset(w *record.When, local time.Time) string {
	minutes := w.OffsetMinutes
	switch {
	case w.HasOffset && strings.HasSuffix(w.Text, "Z"):
		return utc
	case !w.HasOffset:
		_, seconds := local.Zone()
		minutes = seconds / 60
	}
	return offsetText(minutes)
}

func offsetText(minutes int) string {
	sign := '+'
	if minutes < 0 {
		sign, minutes = '-', -minutes
	}
	return fmt.Sprintf("%c%02d:%02d", sign, minutes/60, minutes%60)
}

// DateTimeAt is a FHIR dateTime of an instant to the second, with the offset
// of t's location; for instants computed, not recorded. A year has four digits
// in FHIR: where a computed one has more, the value is absent, with the reason.
func DateTimeAt(t time.Time) *dpb.DateTime {
	if t.Year() > lastYear {
		return AbsentDateTime("unsupported")
	}
	_, seconds := t.Zone()
	zone := offsetText(seconds / 60)
	if t.Location() == time.UTC {
		zone = utc
	}
	return &dpb.DateTime{ValueUs: t.Truncate(time.Second).UnixMicro(), Timezone: zone, Precision: dpb.DateTime_SECOND}
}

// lastYear is the greatest year that a FHIR date can have (R4
// datatypes.html#date).
const lastYear = 9999

// DateTimeDay is a FHIR dateTime of the calendar day of t in its location, as
// DateTimeAt is of its instant.
func DateTimeDay(t time.Time) *dpb.DateTime {
	if t.Year() > lastYear {
		return AbsentDateTime("unsupported")
	}
	return dateOnly(t.Year(), int(t.Month()), t.Day(), dpb.DateTime_DAY)
}

// AbsentDateTime is a dateTime without value and with the reason, a code of
// data-absent-reason.
func AbsentDateTime(reason string) *dpb.DateTime {
	return &dpb.DateTime{Extension: AbsentValue(reason)}
}

// Date is a FHIR date of w: its day, month or year; a time of day is left out
// (R4 date has none). Nil when w is.
func Date(w *record.When) *dpb.Date {
	if w == nil {
		return nil
	}
	month, day, p := w.Month, w.Day, dpb.Date_DAY
	switch w.Precision {
	case record.PrecisionYear:
		month, day, p = 1, 1, dpb.Date_YEAR
	case record.PrecisionMonth:
		day, p = 1, dpb.Date_MONTH
	}
	t := time.Date(w.Year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	return &dpb.Date{ValueUs: t.UnixMicro(), Timezone: utc, Precision: p}
}

// Instant is a FHIR instant in UTC to the millisecond.
func Instant(t time.Time) *dpb.Instant {
	return &dpb.Instant{ValueUs: t.Truncate(time.Millisecond).UnixMicro(), Timezone: utc, Precision: dpb.Instant_MILLISECOND}
}

// Period is a FHIR Period, nil when both ends are. An end before the start
// cannot stand (per-1): in its place stands that it is given as text, which
// the narrative of the resource must then do. Ends without an order, such as a
// time and the date of its day, fail per-1 too: both are given as exactly as
// the less exact one. What was recorded stands beside it.
func Period(start, end *dpb.DateTime) *dpb.Period {
	switch {
	case start == nil && end == nil:
		return nil
	case before(end, start):
		recorded := Extension(terms.ExtTimeAsRecorded, end)
		end = AbsentDateTime("as-text")
		end.Extension = append(end.Extension, recorded)
	case unordered(start, end):
		p := min(start.Precision, end.Precision)
		start, end = cut(start, p), cut(end, p)
	}
	return &dpb.Period{Start: start, End: end}
}

// unordered reports that the less exact of two ends holds the other: what
// FHIRPath compares to no result (hl7.org/fhirpath/N1 6.2). It compares times in
// UTC, so there they must differ too.
func unordered(a, b *dpb.DateTime) bool {
	if !known(a) || !known(b) || a.Precision == b.Precision {
		return false
	}
	p := min(a.Precision, b.Precision)
	if p >= dpb.DateTime_SECOND {
		return false
	}
	utcDate := func(d *dpb.DateTime) string { return toPrecision(time.UnixMicro(d.ValueUs).UTC(), p) }
	return calendar(a, p) == calendar(b, p) || utcDate(a) == utcDate(b)
}

// cut is d to a precision of a day or coarser, with what was recorded beside it.
func cut(d *dpb.DateTime, p dpb.DateTime_Precision) *dpb.DateTime {
	if d.Precision <= p {
		return d
	}
	t := local(d)
	month, day := t.Month(), t.Day()
	if p == dpb.DateTime_YEAR {
		month = time.January
	}
	if p <= dpb.DateTime_MONTH {
		day = 1
	}
	out := dateOnly(t.Year(), int(month), day, p)
	out.Extension = []*dpb.Extension{Extension(terms.ExtTimeAsRecorded, d)}
	return out
}

// known reports that d is there and has a value.
func known(d *dpb.DateTime) bool { return d != nil && d.Timezone != "" }

// before reports that a lies before b, as far as both were recorded.
func before(a, b *dpb.DateTime) bool {
	if !known(a) || !known(b) {
		return false
	}
	if a.Precision >= dpb.DateTime_SECOND && b.Precision >= dpb.DateTime_SECOND {
		return a.ValueUs < b.ValueUs
	}
	p := min(a.Precision, b.Precision)
	return calendar(a, p) < calendar(b, p)
}

// calendar is the local date of d to a precision of a day or coarser.
func calendar(d *dpb.DateTime, p dpb.DateTime_Precision) string { return toPrecision(local(d), p) }

// local holds in UTC what a clock at d's offset showed.
func local(d *dpb.DateTime) time.Time {
	return time.UnixMicro(d.ValueUs).UTC().Add(time.Duration(offsetMinutes(d.Timezone)) * time.Minute)
}

// toPrecision writes the date of t to a precision of a day or coarser.
func toPrecision(t time.Time, p dpb.DateTime_Precision) string {
	switch p {
	case dpb.DateTime_YEAR:
		return t.Format("2006")
	case dpb.DateTime_MONTH:
		return t.Format("2006-01")
	}
	return t.Format("2006-01-02")
}

// offsetMinutes reads an offset as offsetText writes it; 0 for "Z".
func offsetMinutes(zone string) int {
	t, err := time.Parse("-07:00", zone)
	if err != nil {
		return 0
	}
	_, seconds := t.Zone()
	return seconds / 60
}
