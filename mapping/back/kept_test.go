package back_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/mapping"
	"nailbridge/mapping/back"
	"nailbridge/mapping/record"
)

// TestWithKeptLosesNothing: with what the clinic's own store kept, each record
// comes back as it was sent, the parts too that are never published (D3.2),
// that nobody knows, and that a later record overrode.
func TestWithKeptLosesNothing(t *testing.T) {
	n := 0
	for _, in := range world(20260501, sampled/2) {
		res, err := mapping.FoldPatient(settings(), in)
		require.NoError(t, err)
		if !res.Shared {
			continue
		}
		got, err := back.Read(back.Options{Terms: settings().Terms}, back.Input{Name: "fold", Data: published(t, res)})
		require.NoError(t, err)
		for _, r := range got.Records {
			b, err := record.Encode(current(in, r.Record))
			require.NoError(t, err)
			sent := append([]byte(`{"house":{"number":7},`), b[1:]...)
			out, differ, err := back.WithKept(encoded(t, r), sent, settings().Clinic.Zone)
			require.NoError(t, err)
			require.Empty(t, differ, "%s\n%s", r.Record, sent)
			require.JSONEq(t, string(sent), string(out), r.Record)
			n++
		}
	}
	t.Logf("%d records", n)
	require.NotZero(t, n)
}

// TestWithKeptFollowsTheResources: where the store and the resources say
// different things of a field that the resources hold, the resources count and
// the path is named.
func TestWithKeptFollowsTheResources(t *testing.T) {
	five := record.MustDecimal("5")
	r := &record.Record{Clinic: "c", Record: "S-1", Surgery: &record.Surgery{Weight: &record.Weight{Kg: &five}}}
	out, differ, err := back.WithKept(encoded(t, r), []byte(`{"clinic":"c","record":"S-1","safeguardingNote":"n","surgery":{"weight":{"kg":50}}}`), settings().Clinic.Zone)
	require.NoError(t, err)
	require.Equal(t, []string{"/surgery/weight/kg"}, differ)
	require.JSONEq(t, `{"clinic":"c","record":"S-1","safeguardingNote":"n","surgery":{"weight":{"kg":5}}}`, string(out))
}

func encoded(t *testing.T, r *record.Record) []byte {
	t.Helper()
	b, err := record.Encode(r)
	require.NoError(t, err)
	return b
}
