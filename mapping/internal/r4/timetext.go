package r4

import (
	"errors"
	"sync"
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

var zones sync.Map // *time.Location by offset

// located is an instant in its zone: "Z", "UTC" or an offset. Names of the zone data are
// none that a resource is made with, and reading them is no matter of a pure core.
func located(us int64, zone string) (time.Time, error) {
	at := time.UnixMicro(us)
	if zone == utc || zone == "UTC" {
		return at.UTC(), nil
	}
	if l, ok := zones.Load(zone); ok {
		return at.In(l.(*time.Location)), nil
	}
	of, err := time.Parse("-07:00", zone)
	if err != nil {
		return at, errors.New("the zone is no offset")
	}
	_, seconds := of.Zone()
	l, _ := zones.LoadOrStore(zone, time.FixedZone(zone, seconds))
	return at.In(l.(*time.Location)), nil
}
