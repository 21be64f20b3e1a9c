package back_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"nailbridge/mapping"
	"nailbridge/mapping/back"
	"nailbridge/mapping/record"
)

// merged are the resources of two patients of whom a merge says that they are one, and
// the merge.
func merged(t *testing.T) (data []byte, merge *record.Record) {
	t.Helper()
	zone := settings().Clinic.Zone
	deliver := func(text string) mapping.Delivery {
		d := record.Read([]byte(text), zone)
		require.False(t, d.Refused(), "%v", d.Findings)
		return mapping.Delivery{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)}
	}
	const who = `"author":{"staffKey":"st-1"},"clinic":"thistledown","status":"final","sharing":"agreed"`
	number := func(v string) string {
		return `{"identifier":{"system":"https://thistledown.example/n","value":"` + v + `"}}`
	}
	m := deliver(`{` + who + `,"kind":"merge","record":"M-1","revision":3,"savedAt":"2026-05-01T10:00Z","patient":` + number("new") + `,"merge":{"replaces":[{"system":"https://thistledown.example/n","value":"old"}]}}`)
	var folds []mapping.PatientFold
	for _, v := range []string{"new", "old"} {
		folds = append(folds, mapping.PatientFold{
			Patient:    record.Identifier{System: "https://thistledown.example/n", Value: v},
			Deliveries: []mapping.Delivery{deliver(`{` + who + `,"kind":"surgery","record":"S-` + v + `","revision":1,"patient":` + number(v) + `,"surgery":{"outcome":"done","start":"2026-04-01T10:00"}}`)},
		})
	}
	folds[0].Deliveries = append(folds[0].Deliveries, m)
	for _, in := range mapping.Join(settings(), folds) {
		res, err := mapping.FoldPatient(settings(), in)
		require.NoError(t, err)
		data = append(data, published(t, res)...)
	}
	return data, m.Record
}

// merges are the records of merges among those read.
func merges(t *testing.T, in ...back.Input) (out []*record.Record) {
	t.Helper()
	got, err := back.Read(back.Options{Terms: settings().Terms}, in...)
	require.NoError(t, err)
	for _, r := range got.Records {
		if r.Kind == "merge" {
			out = append(out, r)
		}
	}
	return out
}

// TestD1_5_AMergeComesBack: a merge of patient numbers comes back from the links
// of the Patients and the Provenance that names it.
func TestD1_5_AMergeComesBack(t *testing.T) {
	data, want := merged(t)
	got := merges(t, back.Input{Name: "fold", Data: data})
	require.Len(t, got, 1)
	require.Equal(t, text(normal(t, want)), text(normal(t, got[0])))
}

// TestD1_5_AMergeComesBackOnce: a resource of no type, as a Bundle of others may hold, has
// nothing read again.
func TestD1_5_AMergeComesBackOnce(t *testing.T) {
	data, _ := merged(t)
	other := back.Input{Name: "other", Data: []byte(`{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"id":"x"}}]}`)}
	require.Len(t, merges(t, back.Input{Name: "fold", Data: data}, other), 1)
}
