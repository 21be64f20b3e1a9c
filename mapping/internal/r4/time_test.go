package r4

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	epb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/encounter_go_proto"
	ppb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/patient_go_proto"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	require.NoError(t, err)
	return loc
}

func parse(t *testing.T, s string) *record.When {
	t.Helper()
	w, err := record.ParseWhen(s)
	require.NoError(t, err)
	return &w
}

// deceased writes d as Patient.deceasedDateTime and gives the value and the
// extensions beside it.
func deceased(t *testing.T, d *dpb.DateTime) (value any, ext string) {
	t.Helper()
	r, err := Marshal(&ppb.Patient{Id: ID("p"), Deceased: &ppb.Patient_DeceasedX{Choice: &ppb.Patient_DeceasedX_DateTime{DateTime: d}}})
	require.NoError(t, err)
	if e, ok := r.Tree()["_deceasedDateTime"]; ok {
		b, err := json.Marshal(e)
		require.NoError(t, err)
		ext = string(b)
	}
	return r.Tree()["deceasedDateTime"], ext
}

// R4 datatypes.html#dateTime, R-DATA-10, R-DATA-11: a partial date stays partial; with
// hours and minutes a zone SHALL be there, and seconds must be; an offset stays as it
// was recorded.
func TestD5_6_DateTimeKeepsPrecisionAndOffset(t *testing.T) {
	notRecorded := `{"extension":[{"url":"` + terms.ExtSecondsNotRecorded + `","valueBoolean":true}]}`
	for _, c := range []struct{ sent, zone, want, ext string }{
		{"2014", "Europe/Berlin", "2014", ""},
		{"2014-06", "Europe/Berlin", "2014-06", ""},
		{"2014-06-03", "Europe/Berlin", "2014-06-03", ""},
		{"2014-06-03", "Pacific/Auckland", "2014-06-03", ""},
		{"2014-06-03", "America/Los_Angeles", "2014-06-03", ""},
		// Offset as recorded, whatever the clinic's zone.
		{"2025-06-03T10:05:30Z", "Europe/Berlin", "2025-06-03T10:05:30Z", ""},
		{"2025-06-03T10:05:30+00:00", "Europe/Berlin", "2025-06-03T10:05:30+00:00", ""},
		{"2025-06-03T10:05:30-03:30", "Europe/Berlin", "2025-06-03T10:05:30-03:30", ""},
		{"2025-06-03T10:05:30+05:45", "Europe/Berlin", "2025-06-03T10:05:30+05:45", ""},
		// No offset: the clinic's zone, summer and winter.
		{"2025-06-03T10:05:30", "Europe/Berlin", "2025-06-03T10:05:30+02:00", ""},
		{"2025-01-03T10:05:30", "Europe/Berlin", "2025-01-03T10:05:30+01:00", ""},
		{"2025-01-03T10:05:30", "Europe/London", "2025-01-03T10:05:30+00:00", ""},
		{"2025-01-03T10:05:30", "UTC", "2025-01-03T10:05:30+00:00", ""},
		{"2025-01-03T10:05:30", "America/St_Johns", "2025-01-03T10:05:30-03:30", ""},
		// A clock set back: the earlier of the two.
		{"2025-10-26T02:30:00", "Europe/Berlin", "2025-10-26T02:30:00+02:00", ""},
		// Seconds not recorded are absent, not zero.
		{"2025-06-03T10:05", "Europe/Berlin", "2025-06-03T10:05:00+02:00", notRecorded},
		{"2025-06-03T10:05Z", "Europe/Berlin", "2025-06-03T10:05:00Z", notRecorded},
		{"2025-06-03T10:05:00", "Europe/Berlin", "2025-06-03T10:05:00+02:00", ""},
		// Fractions: 3 or 6 digits, cut at the microsecond, as DateTime says.
		{"2025-06-03T10:05:30.5Z", "UTC", "2025-06-03T10:05:30.500Z", ""},
		{"2025-06-03T10:05:30.123Z", "UTC", "2025-06-03T10:05:30.123Z", ""},
		{"2025-06-03T10:05:30.1234Z", "UTC", "2025-06-03T10:05:30.123400Z", ""},
		{"2025-06-03T10:05:30.123456Z", "UTC", "2025-06-03T10:05:30.123456Z", ""},
		{"2025-06-03T10:05:30.1234567Z", "UTC", "2025-06-03T10:05:30.123456Z", ""},
		{"2025-06-03T10:05:30.0Z", "UTC", "2025-06-03T10:05:30Z", ""},
		{"1931-06-03T10:05:30.25+01:00", "UTC", "1931-06-03T10:05:30.250+01:00", ""},
	} {
		t.Run(c.sent+" in "+c.zone, func(t *testing.T) {
			got, ext := deceased(t, DateTime(parse(t, c.sent), zone(t, c.zone)))
			assert.Equal(t, c.want, got)
			if c.ext == "" {
				assert.Empty(t, ext)
			} else {
				assert.JSONEq(t, c.ext, ext)
			}
		})
	}
}

func TestDateTimeOfNothingIsNothing(t *testing.T) {
	assert.Nil(t, DateTime(nil, time.UTC))
	assert.Nil(t, Date(nil))
	assert.Nil(t, Period(nil, nil))
}

func TestDateTimeOfComputedInstants(t *testing.T) {
	berlin := zone(t, "Europe/Berlin")
	at := time.Date(2025, 6, 3, 22, 30, 15, 999_000_000, time.UTC)
	for _, c := range []struct {
		d    *dpb.DateTime
		want string
	}{
		{DateTimeAt(at), "2025-06-03T22:30:15Z"},
		{DateTimeAt(at.In(berlin)), "2025-06-04T00:30:15+02:00"},
		{DateTimeDay(at), "2025-06-03"},
		{DateTimeDay(at.In(berlin)), "2025-06-04"},
	} {
		got, _ := deceased(t, c.d)
		assert.Equal(t, c.want, got)
	}
}

// R4 datatypes.html#date, R-DATA-11: no time of day, precision kept.
func TestDateKeepsPrecision(t *testing.T) {
	for sent, want := range map[string]string{
		"1950": "1950", "1950-02": "1950-02", "1950-02-28": "1950-02-28", "2000-02-29": "2000-02-29",
		"1950-02-28T23:59": "1950-02-28",
	} {
		r, err := Marshal(&ppb.Patient{Id: ID("p"), BirthDate: Date(parse(t, sent))})
		require.NoError(t, err)
		assert.Equal(t, want, r.Tree()["birthDate"])
	}
}

// R4 datatypes.html#instant, R-DATA-10: to the second at least, with zone.
func TestInstantIsUTCToTheMillisecond(t *testing.T) {
	r, err := Marshal(&ppb.Patient{Id: ID("p"), Meta: &dpb.Meta{LastUpdated: Instant(time.Date(2025, 6, 4, 0, 30, 1, 234_567_890, zone(t, "Europe/Berlin")))}})
	require.NoError(t, err)
	assert.Equal(t, "2025-06-03T22:30:01.234Z", r.Tree()["meta"].(map[string]any)["lastUpdated"])
}

// An end that is not known must not read as "still going on" (R4
// datatypes.html#Period).
func TestPeriodEndNotKnown(t *testing.T) {
	r, err := Marshal(minimalEncounter(func(e *epb.Encounter) {
		e.Period = Period(DateTime(parse(t, "2025-06-03"), time.UTC), AbsentDateTime("unknown"))
	}))
	require.NoError(t, err)
	b, err := json.Marshal(r.Tree()["period"])
	require.NoError(t, err)
	assert.JSONEq(t, `{"start":"2025-06-03","_end":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}}`, string(b))
}

// per-1: the start SHALL be no later than the end.
func TestPeriodNeverEndsBeforeItStarts(t *testing.T) {
	for _, c := range []struct {
		start, end string
		stands     bool
	}{
		{"2025-06-03T10:05", "2025-06-03T10:04", false},
		{"2025-06-03T10:05", "2025-06-03T10:05", true},
		{"2025-06-03T10:05:30", "2025-06-03T10:05", false}, // written as 10:05:00
		{"2025-06-03T10:05", "2025-06-03T10:05:30", true},
		{"2025-06-03T10:05+02:00", "2025-06-03T09:04+01:00", false},
		{"2025-06-03T10:05+02:00", "2025-06-03T09:06+01:00", true},
		{"2025-06-03", "2025-06-02", false},
		{"2025-06-03", "2025-06-03T00:30", true},
		{"2025-06-03T23:30", "2025-06-03", true},
		{"2025-06-03T00:30", "2025-06-02", false},
		{"2025-06", "2025-05-31", false},
		{"2025-06", "2025", true},
		{"2025", "2024-12", false},
	} {
		p := Period(DateTime(parse(t, c.start), zone(t, "Europe/Berlin")), DateTime(parse(t, c.end), zone(t, "Europe/Berlin")))
		assert.Equal(t, c.stands, p.GetEnd().GetTimezone() != "", "%s to %s", c.start, c.end)
		if !c.stands {
			assert.Contains(t, elementJSON(t, p), `"valueCode":"as-text"`)
		}
	}
}

// recordedTime is what stands beside an end of a Period.
type recordedTime struct {
	Extension []struct {
		URL           string `json:"url"`
		ValueDateTime string `json:"valueDateTime"`
	} `json:"extension"`
}

// stands checks that the time as recorded stands beside an end exactly where the
// end was cut to a day, a month or a year.
func (r *recordedTime) stands(t *testing.T, recorded, written string) {
	t.Helper()
	if cut := len(written) < len(recorded); !cut {
		assert.Nil(t, r, "%s, written %s", recorded, written)
		return
	}
	if assert.NotNil(t, r, "%s, written %s", recorded, written) {
		require.Len(t, r.Extension, 1)
		assert.Equal(t, "https://nailbridge.example/fhir/StructureDefinition/time-as-recorded", r.Extension[0].URL)
		assert.True(t, strings.HasPrefix(r.Extension[0].ValueDateTime, recorded[:min(len(recorded), len("2023-03-26T10:05"))]), "%s beside %s", r.Extension[0].ValueDateTime, recorded)
	}
}

// per-1: HL7's validator takes two ends without an order for a broken one. In
// the third column what stands for the start, in the fourth for the end. An end that
// is less than was recorded has that beside it, and no other end does.
func TestPeriodEndsHaveAnOrder(t *testing.T) {
	for _, c := range [][4]string{
		{"2023-03-26", "2023", "2023", "2023"},
		{"2023-03-26", "2023-03", "2023-03", "2023-03"},
		{"2023-03", "2023-03-26T10:05", "2023-03", "2023-03"},
		{"2023-03-26T10:05", "2023-03-26", "2023-03-26", "2023-03-26"},
		{"2023-03-26", "2023-03-26T10:05", "2023-03-26", "2023-03-26"},
		{"2023-03-25T23:30-05:00", "2023-03-26", "2023-03-25", "2023-03-26"}, // of one day in UTC
		{"2022-12-31T23:30-05:00", "2023", "2022", "2023"},
		{"2023-03-26", "2024", "2023-03-26", "2024"},
		{"2023-03-26", "2023-04", "2023-03-26", "2023-04"},
		{"2023-03-26T10:05:00", "2023-03-27", "2023-03-26T10:05:00+02:00", "2023-03-27"},
		{"2023-03-26T10:05:00", "2023-03-26T10:05:00.5", "2023-03-26T10:05:00+02:00", "2023-03-26T10:05:00.500+02:00"},
	} {
		p := Period(DateTime(parse(t, c[0]), zone(t, "Europe/Berlin")), DateTime(parse(t, c[1]), zone(t, "Europe/Berlin")))
		var got struct {
			Start, End string
			AtStart    *recordedTime `json:"_start"`
			AtEnd      *recordedTime `json:"_end"`
		}
		require.NoError(t, json.Unmarshal([]byte(elementJSON(t, p)), &got))
		assert.Equal(t, c[2:], []string{got.Start, got.End}, "%s to %s", c[0], c[1])
		got.AtStart.stands(t, c[0], c[2])
		got.AtEnd.stands(t, c[1], c[3])
	}
}
