package storetest

import (
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
)

// merge stores a merge of a clinic's patients, the first of whom replaces.
func (f *fixture) merge(clinic, record, hash string, patients ...string) store.Delivery {
	f.Helper()
	d := delivery(record, hash)
	d.Clinic, d.Patient, d.Kind = clinic, patients[0], "merge"
	f.update(func(w store.Writer) {
		kept, err := w.PutDelivery(d)
		require.NoError(f, err)
		require.NoError(f, w.SetMerged(kept, patients))
		d = kept
	})
	return d
}

// merges writes what Merges gives as record and hash.
func (f *fixture) merges(clinic, patient string) (out []string) {
	f.Helper()
	f.view(func(r store.Reader) {
		ds, err := r.Merges(store.Owner{Clinic: clinic, Patient: patient})
		require.NoError(f, err)
		for _, d := range ds {
			out = append(out, d.Record+" "+d.Hash)
		}
	})
	return out
}

// D1.5: chains of merges are followed from each end, superseded contents too, and
// not into another clinic.
func deliveryMerges(f *fixture) {
	f.deliver(delivery("s1", "h"), delivery("m2", "once a surgery"))
	f.merge("north", "m1", "first", "b", "a")
	f.merge("north", "m1", "then", "b", "z")
	f.merge("north", "m2", "h", "c", "b")
	apart := f.merge("north", "m3", "h", "x", "y")
	f.merge("south", "m9", "h", "c", "x")
	for _, p := range []string{"a", "b", "c", "z"} {
		assert.Equal(f, []string{"m2 once a surgery", "m1 first", "m1 then", "m2 h"}, f.merges("north", p), p)
	}
	assert.Equal(f, []string{"m3 h"}, f.merges("north", "y"))
	assert.Equal(f, []string{"m9 h"}, f.merges("south", "x"))
	for _, p := range []string{owner.Patient, "", "nobody"} {
		assert.Empty(f, f.merges("north", p), p)
	}
	f.view(func(r store.Reader) {
		owners, err := r.Owners("north")
		require.NoError(f, err)
		assert.Contains(f, owners, store.Owner{Clinic: "north", Patient: "a"}, "known as replaced alone")
	})
	f.update(func(w store.Writer) { require.NoError(f, w.SetMerged(apart, []string{"x", "a"})) })
	assert.Empty(f, f.merges("north", "y"), "in place of what was said before")
	assert.Contains(f, f.merges("north", "c"), "m3 h")
}

// D1.5, D3.1: nothing that names one who is erased is left, be it as one whom
// another replaces; other deliveries under the record id stay.
func eraseMerges(f *fixture) {
	f.merge("north", "m1", "of others", "b", "c")
	f.merge("north", "m1", "names", "b", owner.Patient)
	f.merge("north", "m2", "replaces", owner.Patient, "d")
	other := f.merge("south", "m1", "names", "b", owner.Patient)
	b, _ := f.erase()
	assert.Equal(f, []string{"m1", "m2"}, b.Records)
	assert.Len(f, b.Deliveries, 2)
	assert.Empty(f, f.merges("north", owner.Patient))
	assert.Empty(f, f.merges("north", "d"))
	assert.Equal(f, []string{"m1 of others"}, f.merges("north", "b"))
	assert.Equal(f, []string{"m1 names"}, f.merges("south", owner.Patient), "of another clinic")
	assert.Equal(f, []store.Delivery{other}, f.deliveries("south", "m1"))
}
