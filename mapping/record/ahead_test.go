package record_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
)

// A date lies ahead from the second day after reception, in the clinic's zone.
func TestAhead(t *testing.T) {
	auckland, err := time.LoadLocation("Pacific/Auckland")
	require.NoError(t, err)
	noon := time.Date(2025, 3, 4, 12, 0, 0, 0, time.UTC) // 5 March 01:00 in Auckland
	for _, c := range []struct {
		text  string
		zone  *time.Location
		ahead bool
	}{
		{"2025-03-04", time.UTC, false}, {"2025-03-05", time.UTC, false}, {"2025-03-06", time.UTC, true},
		{"2025-03-05T23:59Z", time.UTC, false}, {"2025-03-06T00:00Z", time.UTC, true}, {"2025-03-06T01:00+02:00", time.UTC, false},
		{"2025-03-06", auckland, false}, {"2025-03-07", auckland, true},
		{"2025", time.UTC, false}, {"2025-03", time.UTC, false}, {"2025-04", time.UTC, true}, {"2062", time.UTC, true},
	} {
		w, err := record.ParseWhen(c.text)
		require.NoError(t, err)
		assert.Equal(t, c.ahead, w.Ahead(noon, c.zone), "%s in %s", c.text, c.zone)
		assert.False(t, w.Ahead(time.Time{}, c.zone), "reception not known")
	}
	assert.False(t, (*record.When)(nil).Ahead(noon, time.UTC))
}

// Dates lists every date of the full records but those that lie ahead by nature.
func TestDatesAreThoseOfThePast(t *testing.T) {
	d := record.Read([]byte(`{"savedAt":"2025-03-04T12:00Z","patient":{"birthDate":"1980","deathDate":"2025-03-05"},
	  "surgery":{"start":"2025-03-01","plannedReviews":[{"at":"2025-03-08"}],
	    "toes":[{"block":{"agents":[{"at":"2025-03-01T10:00Z","expiry":"2027"}]},"borders":[{"matrix":{"expiry":"2027","applications":[{},{"at":"2025-03-01T10:10Z"}]}}]}]},
	  "review":{"nextReview":{"at":"2025-04-01"},"toes":[{"borders":[{"healedOn":"2025-03-03","discharge":{"at":"2025-03-04"}}]}]}}`), time.UTC)
	var got []string
	for _, x := range record.Dates(d.Record) {
		got = append(got, x.Pointer+" "+x.When.String())
	}
	assert.Equal(t, []string{
		"/patient/birthDate 1980", "/patient/deathDate 2025-03-05", "/surgery/start 2025-03-01",
		"/surgery/toes/0/block/agents/0/at 2025-03-01T10:00Z", "/surgery/toes/0/borders/0/matrix/applications/1/at 2025-03-01T10:10Z",
		"/review/toes/0/borders/0/healedOn 2025-03-03", "/review/toes/0/borders/0/discharge/at 2025-03-04",
	}, got)
}

// D2.1: another version of the format is no reason to refuse, and is flagged.
func TestD2_1_UnknownSchemaVersionIsFlagged(t *testing.T) {
	for version, want := range map[string]bool{"": false, record.SchemaVersion: false, "1.1": true, "2.0": true, "x": true} {
		found := false
		for _, f := range record.Check(&record.Record{SchemaVersion: version}, time.UTC) {
			if f.Code == "schema-version-unknown" {
				found = true
				assert.Equal(t, record.Finding{Severity: record.Warning, Code: f.Code, Pointer: "/schemaVersion", Text: f.Text, Rule: "D2.1"}, f)
			}
		}
		assert.Equal(t, want, found, version)
	}
}

// D1.3: what a finding rests on changes with the value at its place and with
// nothing else; of a member that is not known nothing is taken.
func TestD1_3_AFindingRestsOnWhatWasSentThere(t *testing.T) {
	sent := func(text string) map[string]string {
		out := map[string]string{}
		for _, f := range record.Read([]byte(text), time.UTC).Findings {
			if f.Severity == record.Warning {
				out[f.Code] = f.Sent
			}
		}
		return out
	}
	first := sent(`{"sharing":"nein","surgery":{"note":"a","events":{"none":true,"items":[{"text":"x"}]},"secret":"1"}}`)
	require.Len(t, first, 3)
	assert.NotEmpty(t, first["unlisted-value"])
	assert.NotEmpty(t, first["contradiction"])
	assert.Empty(t, first["unknown-member"])
	assert.Equal(t, first, sent(`{"sharing":"nein","surgery":{"note":"b","events":{"items":[{"text":"x"}],"none":true},"secret":"2"}}`))
	second := sent(`{"sharing":"no","surgery":{"events":{"none":true,"items":[{"text":"y"}]},"secret":"1"}}`)
	assert.NotEqual(t, first["unlisted-value"], second["unlisted-value"])
	assert.NotEqual(t, first["contradiction"], second["contradiction"])
}
