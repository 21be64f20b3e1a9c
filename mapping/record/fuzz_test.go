package record

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// FuzzDecode holds for any bytes: nothing panics; what is JSON for us is JSON
// for encoding/json; the canonical form is its own canonical form and hashes
// alike; and what was read, encoded and read again, is equal.
func FuzzDecode(f *testing.F) {
	f.Add([]byte(surgeryText))
	for _, kind := range []string{"surgery", "review", "contact"} {
		f.Add(mustJSON(fullRecord(kind)))
	}
	for _, text := range []string{
		`{"surgery":{"toes":[],"\u0074oes":[]}}`, `{"Clinic":"\ud800"}`, `{"revision":1e2,"u":1e400}`, `{"savedAt":"2024-03-31T01:30","a":[[[`, `[null]`, "\xef\xbb\xbf{}", `{"patient":{"name":{"given":["a",1,""]}}} `,
	} {
		f.Add([]byte(text))
	}
	loc := zone(f, "Europe/London")
	f.Fuzz(func(t *testing.T, b []byte) {
		d := Read(b, loc)
		require.NotNil(t, d.Record)
		d.RedFlags()
		assert.Len(t, d.Hash, 64)
		if !d.NotJSON {
			assert.True(t, json.Valid(b), "read as JSON, and it is none")
			checkCanonical(t, b)
		} else if json.Valid(b) {
			assert.Contains(t, []string{"too-deep", "too-large", "invalid-utf8"}, d.Findings[0].Code, "JSON, and not read as such")
		}
		encoded, err := Encode(d.Record)
		require.NoError(t, err)
		again := Decode(encoded)
		assert.Equal(t, d.Record, again.Record)
		for _, found := range again.Findings {
			assert.Fail(t, "what was read gives a finding when written", "%v in %s", found, encoded)
		}
	})
}

func checkCanonical(t *testing.T, b []byte) {
	canonical, err := Canonical(b)
	if err != nil {
		return
	}
	again, err := Canonical(canonical)
	require.NoError(t, err)
	assert.Equal(t, string(canonical), string(again))
	hash, err := ContentHash(b)
	require.NoError(t, err)
	same, err := ContentHash(canonical)
	require.NoError(t, err)
	assert.Equal(t, hash, same)
	d, c := Decode(b), Decode(canonical)
	assert.Equal(t, d.Record.Kind, c.Record.Kind)
	for _, found := range d.Findings {
		if found.Code == "number-out-of-bounds" {
			return // digits that a double does not keep
		}
	}
	assert.Equal(t, d.Refused(), c.Refused(), "what hashes alike is refused alike")
}

// FuzzWhen holds for any text: what parses is written back as it was, and its
// span has a beginning before its end in every zone.
func FuzzWhen(f *testing.F) {
	for _, text := range []string{"2014", "2014-06", "2024-03-31", "2024-03-31T01:30", "2011-12-30", "3333", "2040-12-31", "2024-10-27T01:59:59.999999999", "0001-01-01", "9999-12-31T23:59:59-14:00"} {
		f.Add(text)
	}
	zones := []*time.Location{time.UTC, zone(f, "Europe/London"), zone(f, "Pacific/Apia"), zone(f, "Australia/Lord_Howe")}
	f.Fuzz(func(t *testing.T, text string) {
		w, err := ParseWhen(text)
		if err != nil {
			assert.Equal(t, When{}, w)
			return
		}
		assert.Equal(t, text, w.String())
		for _, loc := range zones {
			start, res := w.In(loc)
			if end := w.EndIn(loc); res != NonExistent {
				assert.True(t, start.Before(end), "%s in %s: %s to %s", text, loc, start, end)
			}
		}
	})
}
