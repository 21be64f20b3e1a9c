package erasures_test

import (
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/erasures"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
)

// A list of 1,000 who were erased, on a store from before then that holds 10,000
// patients, ten of them on the list.
func BenchmarkApply(b *testing.B) {
	const onList, here, both = 1_000, 10_000, 10
	st, err := sqlite.Open(b.Context(), sqlite.Options{Dir: b.TempDir()})
	require.NoError(b, err)
	defer func() { require.NoError(b, st.Close()) }()
	owner := func(n int) store.Owner { return store.Owner{Clinic: "north", Patient: "a|" + strconv.Itoa(n)} }
	require.NoError(b, st.Update(b.Context(), func(w store.Writer) error {
		for n := range here {
			o := owner(n)
			if _, err := w.PutDelivery(store.Delivery{Clinic: o.Clinic, Patient: o.Patient, Record: o.Patient, Hash: o.Patient, Body: []byte("{}")}); err != nil {
				return err
			}
		}
		return nil
	}))
	at := one.At
	for b.Loop() {
		b.StopTimer()
		at = at.Add(time.Hour) // else the store knows them by now
		var list []store.Erasure
		for n := range onList {
			list = append(list, store.Erasure{Subject: erasures.Subject(ours, owner(here-both+n)), Reason: "order", Who: "Quill", At: at})
		}
		b.StartTimer()
		found, err := erasures.Apply(b.Context(), st, ours, list, func(store.Writer, store.Owner, store.Erasure) error { return nil })
		require.NoError(b, err)
		require.Equal(b, both, found)
	}
}
