package followup_test

import (
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"

	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	require.NoError(t, err)
	return loc
}

func when(t testing.TB, text string) *record.When {
	t.Helper()
	w, err := record.ParseWhen(text)
	require.NoError(t, err)
	return &w
}

func partial() *followup.Protocol { return followup.Lookup("partial-avulsion-chemical-ablation") }

// surgery is a partial avulsion of the left hallux's lateral border.
func surgery(t testing.TB, start string) *record.Record {
	return &record.Record{Record: "s1", Kind: "surgery", Status: "final", Surgery: &record.Surgery{
		Outcome: "done", Start: when(t, start),
		Toes: []record.Toe{{Side: "left", Digit: "1", Borders: []record.Border{{Border: "lateral", Procedure: "partial-avulsion",
			Matrix: &record.Matrix{Method: "chemical-ablation", Agent: "phenol"}}}}},
	}}
}

func find(o followup.Output, id string) *followup.Activity {
	for i := range o.Activities {
		if o.Activities[i].ID == id {
			return &o.Activities[i]
		}
	}
	return nil
}

func activity(t testing.TB, o followup.Output, id string) followup.Activity {
	t.Helper()
	a := find(o, id)
	require.NotNil(t, a, "activity %s", id)
	return *a
}
