package searchparam

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	require.NoError(t, err)
	return z
}

// R-SP-19: any precision from the left, minutes with hours. The intervals
// follow search.html#date.
func TestR_SP_19_DateGrammar(t *testing.T) {
	vienna := zone(t, "Europe/Vienna")
	for _, c := range []struct{ in, lo, hi string }{
		{"2024", "2023-12-31T23:00:00Z", "2024-12-31T23:00:00Z"},
		{"2024-02", "2024-01-31T23:00:00Z", "2024-02-29T23:00:00Z"},
		{"2024-05-01", "2024-04-30T22:00:00Z", "2024-05-01T22:00:00Z"},
		// The clock goes forward on this day: 23 hours.
		{"2024-03-31", "2024-03-30T23:00:00Z", "2024-03-31T22:00:00Z"},
		{"2024-05-01T10:15", "2024-05-01T08:15:00Z", "2024-05-01T08:16:00Z"},
		{"2024-05-01T10:15Z", "2024-05-01T10:15:00Z", "2024-05-01T10:16:00Z"},
		{"2024-05-01T10:15:30Z", "2024-05-01T10:15:30Z", "2024-05-01T10:15:31Z"},
		{"2024-05-01T10:15:30.5-05:00", "2024-05-01T15:15:30.5Z", "2024-05-01T15:15:30.6Z"},
		{"2024-05-01T10:15:30.123Z", "2024-05-01T10:15:30.123Z", "2024-05-01T10:15:30.124Z"},
	} {
		i, err := parseInterval(c.in, vienna)
		require.NoError(t, err, c.in)
		assert.Equal(t, c.lo, i.lo.Format(time.RFC3339Nano), c.in)
		assert.Equal(t, c.hi, i.hi.Format(time.RFC3339Nano), c.in)
	}
	for _, in := range []string{"", "24", "0000", "2024-13", "2024-02-30", "2024-05-01T10", "2024-05-01T10Z", "2024-05-01T25:00",
		"2024-05-01T10:15:30 02:00", "2024-05-01T10:15+15:00", "2024-05-01T10:15+02:60", "23May2009", "2024-5-1", "2024-05-01 ", "2024-05-01Z"} {
		_, err := parseInterval(in, vienna)
		assert.Error(t, err, in)
	}
}

// R-SP-15, R-SP-16, R-SP-17: the prefixes over ranges, by the definitions of
// search.html#prefix; an open end of a Period reaches beyond any date.
func TestR_SP_15_16_17_Prefixes(t *testing.T) {
	held := map[string]any{
		"instant":    "2024-05-10T10:00:00Z",
		"day":        "2024-05-10",
		"month":      "2024-05",
		"period":     map[string]any{"start": "2024-05-09", "end": "2024-05-11"},
		"open end":   map[string]any{"start": "2024-05-09"},
		"open start": map[string]any{"end": "2024-05-11"},
		"day before": "2024-05-09",
		"day after":  "2024-05-11",
		"later":      "2024-05-12",
	}
	order := []string{"instant", "day", "month", "period", "open end", "open start", "day before", "day after", "later"}
	// Against 2024-05-10: which of the values held match.
	for prefix, want := range map[string][]string{
		"":   {"instant", "day"},
		"eq": {"instant", "day"},
		"ne": {"month", "period", "open end", "open start", "day before", "day after", "later"},
		"gt": {"month", "period", "open end", "open start", "day after", "later"},
		"lt": {"month", "period", "open end", "open start", "day before"},
		"ge": {"instant", "day", "month", "period", "open end", "open start", "day after", "later"},
		"le": {"instant", "day", "month", "period", "open end", "open start", "day before"},
		"sa": {"day after", "later"},
		"eb": {"day before"},
		// The server's to choose: as much before and after the day as it covers.
		"ap": {"instant", "day", "month", "period", "open end", "open start", "day before", "day after"},
	} {
		q, problems := Index{}.Parse("Procedure", []Pair{{"date", prefix + "2024-05-10"}})
		require.Empty(t, problems, prefix)
		var got []string
		for _, name := range order {
			i, ok := elementInterval(held[name], time.UTC)
			require.True(t, ok, name)
			if q.Match[0].Holds([]Row{{Param: "date", Kind: Date, Lo: i.lo, Hi: i.hi}}, nil) {
				got = append(got, name)
			}
		}
		assert.Equal(t, want, got, "prefix %q", prefix)
	}
	open, _ := elementInterval(held["open end"], time.UTC)
	row := []Row{{Param: "date", Kind: Date, Lo: open.lo, Hi: open.hi}}
	for value, want := range map[string]bool{"ge2099-01-01": true, "eb2099": false} {
		q, problems := Index{}.Parse("CarePlan", []Pair{{"date", value}})
		require.Empty(t, problems)
		assert.Equal(t, want, q.Match[0].Holds(row, nil), value)
	}
}

// R-SP-20: offsets are compared as instants, values without one stand in the
// zone of the deployment and never in that of the process.
func TestR_SP_20_Zones(t *testing.T) {
	x := Index{Zone: zone(t, "Australia/Brisbane")}
	i, ok := elementInterval("2024-05-01T23:30:00-05:00", x.zone())
	require.True(t, ok)
	row := []Row{{Param: "date", Kind: Date, Lo: i.lo, Hi: i.hi}}
	q, problems := x.Parse("Procedure", []Pair{{"date", "ge2024-05-02T04:00Z"}})
	require.Empty(t, problems)
	assert.True(t, q.Match[0].Holds(row, nil))

	// Half past nine in the morning in Brisbane is the day before in UTC.
	i, ok = elementInterval("2024-05-01T09:30:00+10:00", x.zone())
	require.True(t, ok)
	row = []Row{{Param: "date", Kind: Date, Lo: i.lo, Hi: i.hi}}
	q, _ = x.Parse("Procedure", []Pair{{"date", "2024-05-01"}})
	assert.True(t, q.Match[0].Holds(row, nil))
	local := time.Local
	t.Cleanup(func() { time.Local = local })
	time.Local = zone(t, "America/New_York")
	again, _ := x.Parse("Procedure", []Pair{{"date", "2024-05-01"}})
	assert.Equal(t, q, again)
}

// R-SP-18: a Timing is searched by its outer limits.
func TestR_SP_18_Timing(t *testing.T) {
	i, ok := elementInterval(map[string]any{"event": []any{"2024-06-04", "2024-06-01", "2024-06-02"}}, time.UTC)
	require.True(t, ok)
	assert.Equal(t, "2024-06-01T00:00:00Z", i.lo.Format(time.RFC3339))
	assert.Equal(t, "2024-06-05T00:00:00Z", i.hi.Format(time.RFC3339))
	bounds := map[string]any{"boundsPeriod": map[string]any{"start": "2024-06-01"}}
	i, ok = elementInterval(map[string]any{"repeat": bounds}, time.UTC)
	require.True(t, ok)
	assert.True(t, i.hi.IsZero())
	_, ok = elementInterval(map[string]any{"repeat": map[string]any{"count": "3"}}, time.UTC)
	assert.False(t, ok)
}
