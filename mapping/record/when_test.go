package record

import (
	"encoding/json"
	"testing"
	"time"
	_ "time/tzdata" // the zones below, wherever the test runs

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestParseWhenKeepsWhatWasRecorded(t *testing.T) {
	for text, want := range map[string]When{
		"2014":                           {Precision: PrecisionYear, Year: 2014, Month: 1, Day: 1},
		"2014-06":                        {Precision: PrecisionMonth, Year: 2014, Month: 6, Day: 1},
		"2024-02-29":                     {Precision: PrecisionDay, Year: 2024, Month: 2, Day: 29},
		"2014-06-03T10:05":               {Precision: PrecisionMinute, Year: 2014, Month: 6, Day: 3, Hour: 10, Minute: 5},
		"2014-06-03T10:05Z":              {Precision: PrecisionMinute, Year: 2014, Month: 6, Day: 3, Hour: 10, Minute: 5, HasOffset: true},
		"2014-06-03T10:05:30":            {Precision: PrecisionSecond, Year: 2014, Month: 6, Day: 3, Hour: 10, Minute: 5, Second: 30},
		"2014-06-03T10:05:30.5+01:00":    {Precision: PrecisionSecond, Year: 2014, Month: 6, Day: 3, Hour: 10, Minute: 5, Second: 30, Nanosecond: 5e8, HasOffset: true, OffsetMinutes: 60},
		"2014-06-03T10:05:30.000000001Z": {Precision: PrecisionSecond, Year: 2014, Month: 6, Day: 3, Hour: 10, Minute: 5, Second: 30, Nanosecond: 1, HasOffset: true},
		"2014-06-03T10:05-09:30":         {Precision: PrecisionMinute, Year: 2014, Month: 6, Day: 3, Hour: 10, Minute: 5, HasOffset: true, OffsetMinutes: -570},
		"2014-06-03T10:05+14:00":         {Precision: PrecisionMinute, Year: 2014, Month: 6, Day: 3, Hour: 10, Minute: 5, HasOffset: true, OffsetMinutes: 840},
	} {
		want.Text = text
		got, err := ParseWhen(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, got)

		b, err := json.Marshal(got)
		require.NoError(t, err)
		assert.Equal(t, `"`+text+`"`, string(b), "the text is written as it was sent")
		var back When
		require.NoError(t, json.Unmarshal(b, &back))
		assert.Equal(t, got, back)

		built := got
		built.Text = ""
		again, err := ParseWhen(built.String())
		require.NoError(t, err, "%s, built from parts: %s", text, built)
		again.Text = ""
		assert.Equal(t, built, again, "%s, built from parts", text)
	}
}

func TestParseWhenIsStrict(t *testing.T) {
	for _, text := range []string{
		"", " ", "14", "20145", "2014-6", "2014-06-3", "2014/06/03", "2014-06-03 10:05", "2014-06-03t10:05", "2014-06-03T10", "2014-06-03T10:05z",
		"2014-06-03T10:05:30.", "2014-06-03T10:05:30,5", "2014-06-03T10:05:30.1234567890", "2014-06-03T10:05+01", "2014-06-03T10:05+0100", "2014-06-03T10:05 +01:00",
		"2014-06-03+01:00", "2014-06T10:05", "-2014", "+2014", "2014-06-03T10:05:30.5Z ", "2014-", "2014-06-03T", "２０１４", "2014-06-03T1a:05",
	} {
		_, err := ParseWhen(text)
		assert.ErrorIs(t, err, ErrWhenForm, text)
	}
	for _, text := range []string{
		"0000", "2014-00", "2014-13", "2014-06-00", "2014-06-31", "2023-02-29", "1900-02-29", "2014-06-03T24:00", "2014-06-03T10:60",
		"2014-06-03T10:05:60", "2014-06-03T10:05+14:01", "2014-06-03T10:05-15:00", "2014-06-03T10:05+01:60",
	} {
		_, err := ParseWhen(text)
		assert.ErrorIs(t, err, ErrWhenImpossible, text)
	}
}

func when(t testing.TB, text string) When {
	t.Helper()
	w, err := ParseWhen(text)
	require.NoError(t, err, text)
	return w
}

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	require.NoError(t, err)
	return loc
}

// The transitions below are those of the IANA time zone database.
func TestWhenIn(t *testing.T) {
	for _, c := range []struct {
		zone, text, want string
		res              Resolution
		why              string
	}{
		{"Europe/London", "2024-06-03T10:05+02:00", "2024-06-03T08:05:00Z", Resolved, "its own offset counts, not the zone"},
		{"Europe/London", "2024-06-03T10:05", "2024-06-03T09:05:00Z", ZoneAssumed, "summer time"},
		{"Europe/London", "2024-01-03T10:05:07.25", "2024-01-03T10:05:07.25Z", ZoneAssumed, "winter time, seconds kept"},
		{"Europe/London", "2024-03-31T00:59", "2024-03-31T00:59:00Z", ZoneAssumed, "the last minute before the gap"},
		{"Europe/London", "2024-03-31T01:00", "2024-03-31T01:00:00Z", NonExistent, "the first minute of the gap"},
		{"Europe/London", "2024-03-31T01:59:59", "2024-03-31T01:00:00Z", NonExistent, "the last second of the gap"},
		{"Europe/London", "2024-03-31T02:00", "2024-03-31T01:00:00Z", ZoneAssumed, "the first minute after the gap"},
		{"Europe/London", "2024-10-27T00:59", "2024-10-26T23:59:00Z", ZoneAssumed, "the last minute before the overlap"},
		{"Europe/London", "2024-10-27T01:30", "2024-10-27T00:30:00Z", Ambiguous, "the earlier of two"},
		{"Europe/London", "2024-10-27T02:00", "2024-10-27T02:00:00Z", ZoneAssumed, "the first minute after the overlap"},
		{"America/New_York", "2024-11-03T01:30", "2024-11-03T05:30:00Z", Ambiguous, "west of Greenwich"},
		{"America/New_York", "2024-03-10T02:30", "2024-03-10T07:00:00Z", NonExistent, "west of Greenwich"},
		{"Australia/Lord_Howe", "2024-04-07T01:45", "2024-04-06T14:45:00Z", Ambiguous, "an overlap of half an hour"},
		{"Australia/Lord_Howe", "2024-10-06T02:15", "2024-10-05T15:30:00Z", NonExistent, "a gap of half an hour"},
		{"America/Sao_Paulo", "2018-11-04", "2018-11-04T03:00:00Z", Resolved, "a day that began at 01:00"},
		{"America/Sao_Paulo", "2018-02-17", "2018-02-17T02:00:00Z", Resolved, "a day whose last hour came twice"},
		{"America/Havana", "2024-11-03", "2024-11-03T04:00:00Z", Resolved, "a day whose first hour came twice: its first instant"},
		{"Pacific/Apia", "2011-12-30", "2011-12-30T10:00:00Z", NonExistent, "a day that the zone left out"},
		{"Pacific/Apia", "2011-12-30T12:00", "2011-12-30T10:00:00Z", NonExistent, "a time on the day left out"},
		{"Europe/London", "2024-06", "2024-05-31T23:00:00Z", Resolved, "the first instant of a month"},
		{"Europe/London", "2024", "2024-01-01T00:00:00Z", Resolved, "the first instant of a year"},
		{"Europe/London", "2024-12-31", "2024-12-31T00:00:00Z", Resolved, "the last day of a leap year"},
		{"Europe/London", "2040-12-31T23:59", "2040-12-31T23:59:00Z", ZoneAssumed, "the last day of a leap year under a standing rule"},
		{"Europe/London", "2040-03-25T01:30:30.5", "2040-03-25T01:00:00Z", NonExistent, "a gap under a standing rule, with a fraction"},
		{"America/New_York", "2040-11-04T01:30", "2040-11-04T05:30:00Z", Ambiguous, "an overlap under a standing rule"},
		{"UTC", "2024-06-03", "2024-06-03T00:00:00Z", Resolved, "no transitions at all"},
	} {
		got, res := when(t, c.text).In(zone(t, c.zone))
		assert.Equal(t, c.want, got.UTC().Format(time.RFC3339Nano), "%s in %s: %s", c.text, c.zone, c.why)
		assert.Equal(t, c.res, res, "%s in %s: %s", c.text, c.zone, c.why)
	}
}

func TestWhenEndIn(t *testing.T) {
	for _, c := range []struct{ zone, text, want string }{
		{"Europe/London", "2024", "2025-01-01T00:00:00Z"},
		{"Europe/London", "2024-12", "2025-01-01T00:00:00Z"},
		{"Europe/London", "2024-05", "2024-05-31T23:00:00Z"},
		{"Europe/London", "2024-02-29", "2024-03-01T00:00:00Z"},
		{"Europe/London", "2024-03-31", "2024-03-31T23:00:00Z"}, // 23 hours long
		{"Europe/London", "2024-10-27", "2024-10-28T00:00:00Z"}, // 25 hours long
		{"America/Sao_Paulo", "2018-11-03", "2018-11-04T03:00:00Z"},
		{"Pacific/Apia", "2011-12-29", "2011-12-30T10:00:00Z"},
		{"Europe/London", "2024-06-03T10:05+01:00", "2024-06-03T09:06:00Z"},
		{"Europe/London", "2024-06-03T10:05:30Z", "2024-06-03T10:05:31Z"},
		{"Europe/London", "2024-06-03T10:05:30.5Z", "2024-06-03T10:05:30.500000001Z"},
	} {
		assert.Equal(t, c.want, when(t, c.text).EndIn(zone(t, c.zone)).UTC().Format(time.RFC3339Nano), "%s in %s", c.text, c.zone)
	}
}

func TestWhenBefore(t *testing.T) {
	loc := zone(t, "Europe/London")
	assert.True(t, when(t, "2024-06-03").Before(when(t, "2024-06-04T00:00"), loc))
	assert.False(t, when(t, "2024-06-03").Before(when(t, "2024-06-03T23:59"), loc), "a day is not before a time within it")
	assert.False(t, when(t, "2024").Before(when(t, "2024-06-03"), loc), "a year is not before a day within it")
	assert.True(t, when(t, "2024-06-03T10:05Z").Before(when(t, "2024-06-03T11:06+01:00"), loc), "offsets count")
}

func TestWhenDate(t *testing.T) {
	y, m, d, ok := when(t, "2024-06-03T00:10+02:00").Date()
	assert.True(t, ok)
	assert.Equal(t, []int{2024, 6, 3}, []int{y, int(m), d}, "as recorded, not as another zone has it")
	_, _, _, ok = when(t, "2024-06").Date()
	assert.False(t, ok)
}
