package followup_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
)

func date(t testing.TB, text string) followup.Date {
	t.Helper()
	var d followup.Date
	require.NoError(t, d.UnmarshalText([]byte(text)))
	return d
}

// Dates of C-50: clinical-facts C-50, "Check, op 2024-03-01" and "op
// 2024-08-31"; those of 2024-02-29 are common practice, no source (calendar).
func TestC50_DatesAfterTheOperation(t *testing.T) {
	for _, c := range []struct{ op, step, want string }{
		{"2024-03-01", "day-2", "2024-03-03"}, // a Sunday
		{"2024-03-01", "week-1", "2024-03-08"},
		{"2024-03-01", "week-2", "2024-03-15"},
		{"2024-03-01", "week-4", "2024-03-29"},
		{"2024-03-01", "month-6", "2024-09-01"},
		{"2024-03-01", "month-12", "2025-03-01"},
		{"2024-08-31", "month-6", "2025-02-28"}, // clamped
		{"2023-08-31", "month-6", "2024-02-29"},
		{"2024-02-29", "month-12", "2025-02-28"},
	} {
		for _, protocol := range []record.Code{"partial-avulsion-chemical-ablation", "total-avulsion-chemical-ablation"} {
			t.Run(fmt.Sprintf("%s/%s/%s", protocol, c.op, c.step), func(t *testing.T) {
				out := followup.Plan(followup.Input{Surgery: surgery(t, c.op), Protocol: followup.Lookup(protocol), Zone: zone(t, "Europe/London")})
				a := activity(t, out, c.step)
				assert.Equal(t, c.want, a.Target.String())
				assert.True(t, a.Window.Holds(a.Target))
				assert.True(t, a.Proposed, "a date not booked is proposed (D4.1)")
				assert.Equal(t, followup.NotStarted, a.Status)
			})
		}
	}
}

// C-50, avulsion alone: first check 2 to 7 days, then 4 weeks and 3, 6 and 12
// months for regrowth (common practice, no source; clinical-facts C-50). The
// closer reviews of a high-risk foot are common practice, no source.
func TestC50_DatesOfTheOtherProtocols(t *testing.T) {
	for _, c := range []struct {
		protocol                  record.Code
		step, first, target, last string
	}{
		{"avulsion-alone", "day-4", "2024-03-03", "2024-03-05", "2024-03-08"},
		{"avulsion-alone", "week-4", "2024-03-22", "2024-03-29", "2024-04-05"},
		{"avulsion-alone", "month-3", "2024-05-18", "2024-06-01", "2024-06-15"},
		{"avulsion-alone", "month-6", "2024-08-04", "2024-09-01", "2024-09-29"},
		{"avulsion-alone", "month-12", "2025-02-01", "2025-03-01", "2025-03-29"},
		{"high-risk-foot", "day-2", "2024-03-02", "2024-03-03", "2024-03-04"},
		{"high-risk-foot", "week-6", "2024-04-09", "2024-04-12", "2024-04-15"},
		{"high-risk-foot", "month-3", "2024-05-18", "2024-06-01", "2024-06-15"},
	} {
		out := followup.Plan(followup.Input{Surgery: surgery(t, "2024-03-01"), Protocol: followup.Lookup(c.protocol), Zone: zone(t, "Europe/London")})
		a := activity(t, out, c.step)
		assert.Equal(t, []string{c.first, c.target, c.last}, []string{a.Window.First.String(), a.Target.String(), a.Window.Last.String()}, "%s %s", c.protocol, c.step)
	}
}

// "Weekend visit moves are policy: make them a setting" (C-50).
func TestC50_WeekendMoveIsASetting(t *testing.T) {
	for _, c := range []struct {
		op      string
		setting followup.Weekend
		want    string
	}{
		{"2024-03-01", followup.WeekendKeep, "2024-03-03"},     // Sunday
		{"2024-03-01", followup.WeekendNext, "2024-03-04"},     // Monday
		{"2024-03-01", followup.WeekendPrevious, "2024-03-04"}, // Friday is the operation itself
		{"2024-03-01", followup.WeekendNearest, "2024-03-04"},
		{"2024-02-29", followup.WeekendKeep, "2024-03-02"}, // Saturday
		{"2024-02-29", followup.WeekendNext, "2024-03-04"},
		{"2024-02-29", followup.WeekendPrevious, "2024-03-01"},
		{"2024-02-29", followup.WeekendNearest, "2024-03-01"},
	} {
		out := followup.Plan(followup.Input{Surgery: surgery(t, c.op), Protocol: partial(), DaysOff: followup.DaysOff{Weekend: c.setting}})
		assert.Equal(t, c.want, activity(t, out, "day-2").Target.String(), "%s %q", c.op, c.setting)
	}
	assert.False(t, followup.Weekend("sometimes").Valid())
	assert.False(t, followup.DaysOff{Country: "xx"}.Valid())
}

// Holidays move a date as weekends do. Easter of 2024 was 31 March (published
// date); England and Wales had Good Friday on 29 March and Easter Monday on
// 1 April, Ireland no Good Friday.
func TestC50_HolidayMoveIsASetting(t *testing.T) {
	for _, c := range []struct {
		op   string
		off  followup.DaysOff
		want string
	}{
		{"2024-03-22", followup.DaysOff{Country: "gb"}, "2024-03-29"},
		{"2024-03-22", followup.DaysOff{Weekend: "next", Country: "gb"}, "2024-04-02"},
		{"2024-03-22", followup.DaysOff{Weekend: "previous", Country: "gb"}, "2024-03-28"},
		{"2024-03-22", followup.DaysOff{Weekend: "nearest", Country: "gb"}, "2024-03-28"},
		{"2024-03-22", followup.DaysOff{Weekend: "next", Country: "ie"}, "2024-03-29"},
		{"2024-03-22", followup.DaysOff{Weekend: "next"}, "2024-03-29"},
		{"2024-03-22", followup.DaysOff{Weekend: "next", Closed: []followup.Date{{2024, 3, 29}}}, "2024-04-01"},
		{"2024-06-27", followup.DaysOff{Weekend: "next", Country: "us"}, "2024-07-05"}, // Independence Day
	} {
		require.True(t, c.off.Valid())
		out := followup.Plan(followup.Input{Surgery: surgery(t, c.op), Protocol: partial(), DaysOff: c.off})
		assert.Equal(t, c.want, activity(t, out, "week-1").Target.String(), "%s %+v", c.op, c.off)
	}
}

// A window ends with the last day in the clinic's zone, whatever its length.
// Zone changes: IANA time zone database.
func TestWindowEndsWithTheDayInTheClinicsZone(t *testing.T) {
	for _, c := range []struct{ zone, op, step, end string }{
		// Clocks go forward on 2024-03-31 in London; week-4 window ends 2024-04-05.
		{"Europe/London", "2024-03-01", "week-4", "2024-04-05T23:00:00Z"},
		{"Europe/London", "2024-02-24", "week-4", "2024-03-31T00:00:00Z"},
		{"Europe/London", "2024-02-25", "week-4", "2024-03-31T23:00:00Z"},
		// New York: forward on 2024-03-10, back on 2024-11-03.
		{"America/New_York", "2024-03-08", "day-2", "2024-03-13T04:00:00Z"},
		{"America/New_York", "2024-03-05", "day-2", "2024-03-10T05:00:00Z"},
		{"America/New_York", "2024-10-30", "day-2", "2024-11-04T05:00:00Z"},
		// Lord Howe moves by half an hour, +11 to +10:30 on 2024-04-07.
		{"Australia/Lord_Howe", "2024-04-02", "day-2", "2024-04-06T13:00:00Z"},
		{"Australia/Lord_Howe", "2024-04-03", "day-2", "2024-04-07T13:30:00Z"},
		// Beirut has no midnight on 2024-03-31: the day begins at 01:00.
		{"Asia/Beirut", "2024-03-26", "day-2", "2024-03-30T22:00:00Z"},
	} {
		out := followup.Plan(followup.Input{Surgery: surgery(t, c.op), Protocol: partial(), Zone: zone(t, c.zone)})
		a := activity(t, out, c.step)
		want, err := time.Parse(time.RFC3339, c.end)
		require.NoError(t, err)
		assert.True(t, a.Window.End.Equal(want), "%s %s: got %s, want %s", c.zone, c.op, a.Window.End.UTC(), want)
		assert.Equal(t, a.Window.Last.AddDays(1), date(t, a.Window.End.Format(time.DateOnly)))
	}
}

// Every protocol that a record may name is there, and the two texts of each,
// data and narrative, agree.
func TestProtocolsAreThoseARecordMayName(t *testing.T) {
	protocols, err := followup.Load()
	require.NoError(t, err)
	require.Len(t, protocols, len(record.ProtocolSet.Values))
	for _, v := range record.ProtocolSet.Values {
		p := followup.Lookup(v.Code)
		require.NotNil(t, p, v.Code)
		assert.Equal(t, v.Display, p.Title)
		assert.Equal(t, "https://nailbridge.example/fhir/PlanDefinition/"+p.ID+"|"+p.Version, p.Canonical())
		for _, s := range p.Steps {
			assert.Contains(t, string(p.JSON), "<td>"+s.ID+"</td><td>"+s.Title+"</td>", "narrative of %s", p.ID)
			assert.Contains(t, s.Description, "Window and recall interval: common practice, no source.")
		}
	}
}

// The windows of a protocol's steps do not overlap, so that a date belongs to
// one step at most.
func TestProtocolWindowsDoNotOverlap(t *testing.T) {
	for _, v := range record.ProtocolSet.Values {
		out := followup.Plan(followup.Input{Surgery: surgery(t, "2024-03-01"), Protocol: followup.Lookup(v.Code)})
		for i := 1; i < len(out.Activities); i++ {
			assert.False(t, out.Activities[i].Window.Start.Before(out.Activities[i-1].Window.End), "%s: %s", v.Code, out.Activities[i].ID)
		}
	}
}

func TestParseProtocolReturnsEveryFault(t *testing.T) {
	for _, c := range []struct{ name, from, to, fault string }{
		{"version", `"version": "1.0.0"`, `"version": ""`, "type, id, url and version"},
		{"url", `/PlanDefinition/partial`, `/PlanDefinition/other`, "type, id, url and version"},
		{"unit", `"code": "wk"`, `"code": "min"`, `unit "min"`},
		{"no unit system", `"system": "http://unitsofmeasure.org"`, `"system": ""`, "UCUM"},
		{"step id", `"id": "week-1"`, `"id": "week.1"`, "not a step id"},
		{"twice", `"id": "week-1"`, `"id": "week-2"`, "twice"},
		{"relationship", `"after-start"`, `"before-start"`, "after-start"},
		{"window", `follow-up-window`, `something-else`, "no window"},
		{"part", `"url": "before"`, `"url": "bevor"`, `unknown part "bevor"`},
		{"fraction", `"value": 2,`, `"value": 2.5,`, "cannot unmarshal"},
		{"source", `"citation"`, `"label"`, "source"},
		{"surgery", `"id": "surgery"`, `"id": "operation"`, "first action must be the surgery"},
	} {
		t.Run(c.name, func(t *testing.T) {
			original := string(partial().JSON)
			changed := strings.ReplaceAll(original, c.from, c.to)
			require.NotEqual(t, original, changed)
			_, err := followup.ParseProtocol([]byte(changed))
			require.ErrorContains(t, err, c.fault)
		})
	}
}

// https://hl7.org/fhir/R4/plandefinition.html and structuredefinition.html, as
// google/fhir's R4 protos know them: no unknown member, every required one.
func TestArtifactsAreR4(t *testing.T) {
	artifacts, err := followup.Artifacts()
	require.NoError(t, err)
	require.Equal(t, 6, len(artifacts), "protocols and the definitions of their extensions")
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	for _, a := range artifacts {
		_, err := u.Unmarshal(a.JSON)
		assert.NoError(t, err, a.ID)
		assert.Equal(t, followup.CanonicalBase+"/"+a.Type+"/"+a.ID, a.URL)
		assert.NotEmpty(t, a.Version)
	}
}
