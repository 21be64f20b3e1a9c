package r4

import (
	"time"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
)

// layouts are how a time of one precision is written, with an offset and in UTC.
type layouts struct{ offset, utc string }

var (
	dateLayouts = map[dpb.Date_Precision]layouts{
		dpb.Date_YEAR: day("2006"), dpb.Date_MONTH: day("2006-01"), dpb.Date_DAY: day(time.DateOnly),
	}
	dateTimeLayouts = map[dpb.DateTime_Precision]layouts{
		dpb.DateTime_YEAR: day("2006"), dpb.DateTime_MONTH: day("2006-01"), dpb.DateTime_DAY: day(time.DateOnly),
		dpb.DateTime_SECOND: clock(""), dpb.DateTime_MILLISECOND: clock(".000"), dpb.DateTime_MICROSECOND: clock(".000000"),
	}
	instantLayouts = map[dpb.Instant_Precision]layouts{
		dpb.Instant_SECOND: clock(""), dpb.Instant_MILLISECOND: clock(".000"), dpb.Instant_MICROSECOND: clock(".000000"),
	}
)

func day(layout string) layouts { return layouts{layout, layout} }

func clock(fraction string) layouts {
	const seconds = "2006-01-02T15:04:05"
	return layouts{seconds + fraction + "-07:00", seconds + fraction + "Z"}
}

// located is an instant in its zone, which is "Z", "UTC" or an offset; false: it is another
// name, of the zone data.
func located(us int64, zone string) (time.Time, bool) {
	at := time.UnixMicro(us).UTC()
	if zone == utc || zone == "UTC" {
		return at, true
	}
	offset, err := time.Parse("-07:00", zone)
	if err != nil {
		return at, false
	}
	_, seconds := offset.Zone()
	return at.In(time.FixedZone(zone, seconds)), true
}
