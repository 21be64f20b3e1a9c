package sqlite_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/internal/store/storetest"
	"nailbridge/mapping/resource"
)

func TestStore(t *testing.T) {
	storetest.Run(t, func(t testing.TB) store.Store { return open(t, sqlite.Options{}) })
}

// Every search walks the versions of its type: what a large store does where
// no condition is met by few.
func TestStoreWalking(t *testing.T) {
	storetest.RunSearches(t, func(t testing.TB) store.Store {
		d := open(t, sqlite.Options{})
		d.SetLead(0)
		return d
	})
}

func open(t testing.TB, o sqlite.Options) *sqlite.DB {
	t.Helper()
	if o.Dir == "" {
		o.Dir = t.TempDir()
	}
	d, err := sqlite.Open(t.Context(), o)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, d.Close()) })
	return d
}

var owner = store.Owner{Clinic: "north", Patient: "mrn|1"}

// rows are the index rows of a plan of a patient.
func rows(patient string) []searchparam.Row {
	return []searchparam.Row{
		{Param: "status", Kind: searchparam.Token, System: "s", Code: "active"},
		{Param: "patient", Kind: searchparam.Reference, Code: patient},
		{Param: "date", Kind: searchparam.Date, Lo: t0},
		{Param: "title", Kind: searchparam.String, Text: "x"},
		{Param: "value", Kind: searchparam.Quantity, Number: "1", System: "s", Code: "mL"},
	}
}

var t0 = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// put puts one plan in a transaction of its own.
func put(t testing.TB, d *sqlite.DB, id, title string) (store.Version, error) {
	t.Helper()
	var v store.Version
	err := d.Update(t.Context(), func(w store.Writer) error {
		if _, err := w.Stamp(t0); err != nil {
			return err
		}
		var err error
		v, err = w.Put(owner, "case", storetest.Checked(t, storetest.Plan(id, title)), rows("Patient/p"))
		return err
	})
	return v, err
}

// state is all that a hub and a clinic can see.
func state(t testing.TB, d *sqlite.DB) string {
	t.Helper()
	var out string
	require.NoError(t, d.View(t.Context(), func(r store.Reader) error {
		h, err := r.History(store.HistoryQuery{Count: 1000})
		ds, err2 := r.Deliveries(owner.Clinic, "s1")
		es, err3 := r.Outbox("north", 0, 1000)
		fs, err4 := r.Flags(owner)
		out = fmt.Sprint(r.Head(), h, ds, es, fs)
		return errors.Join(err, err2, err3, err4)
	}))
	return out
}

// writeAll calls every operation of a Writer.
func writeAll(t testing.TB, w store.Writer, mark string) error {
	d := store.Delivery{Clinic: owner.Clinic, Record: "s1", Hash: mark, Patient: owner.Patient}
	ref := resource.Ref{Type: "CarePlan", ID: "a"}
	for _, step := range []func() error{
		func() error { _, err := w.Stamp(t0); return err },
		func() (err error) { d, err = w.PutDelivery(d); return err },
		func() error { return w.MarkDelivery(d) },
		func() error { return w.SetMerged(d, []string{owner.Patient, "mrn|9"}) },
		func() error { return w.SetWaiting(owner, []int64{d.Seq}) },
		func() error {
			_, err := w.Put(owner, "case", storetest.Checked(t, storetest.Plan("a", mark)), rows("Patient/p"))
			return err
		},
		func() error {
			_, err := w.Put(owner, "case", storetest.Checked(t, storetest.Plan("b", mark)), rows("Patient/p"))
			return err
		},
		func() error { return w.Mask(ref) },
		func() error { _, err := w.Delete(owner, resource.Ref{Type: "CarePlan", ID: "b"}); return err },
		func() error { return w.ReplaceFlags(owner, []store.Flag{{ID: mark}}) },
		func() error { return w.ReplaceActivities(owner, []store.Activity{{ID: mark}}) },
		func() error { return w.PutFact(store.Fact{Owner: owner, Activity: mark}) },
		func() error { return w.PutAck(store.Ack{Owner: owner, Flag: mark}) },
		func() error {
			return w.ReplaceStaff(owner.Clinic, mark, []store.Statement{{Key: "k", JSON: []byte(mark)}})
		},
		func() error { return w.PutEvent("north", "change", []byte(mark)) },
		func() error { return w.SetMark(owner.Clinic, "m", mark) },
		func() error { return w.PutErasure(store.Erasure{Subject: mark, At: t0}) },
		func() error {
			_, _, err := w.Erase(store.Erasing{Owner: store.Owner{Clinic: "north", Patient: "mrn|2"}})
			return err
		},
		func() error {
			return w.Reindex(owner, func(resource.Resource) ([]searchparam.Row, error) { return rows("Patient/q"), nil })
		},
	} {
		if err := step(); err != nil {
			return err
		}
	}
	return readAll(w)
}

// readAll calls every operation of a Reader that writeAll prepares.
func readAll(r store.Reader) error {
	ref := resource.Ref{Type: "CarePlan", ID: "a"}
	v, err := r.Read(ref)
	if err != nil {
		return err
	}
	for _, step := range []func() error{
		func() error { _, err := r.VRead(ref, v.VersionID); return err },
		func() error { _, err := r.Search(store.Query{Type: "CarePlan", Count: 1}); return err },
		func() error { _, err := r.History(store.HistoryQuery{Count: 1}); return err },
		func() error { _, err := r.Deliveries(owner.Clinic, "s1"); return err },
		func() error { _, err := r.DeliveriesOf(owner); return err },
		func() error { _, err := r.Merges(owner); return err },
		func() error { _, err := r.DeliveriesList(owner.Clinic, "held"); return err },
		func() error { _, err := r.Owned(owner); return err },
		func() error { _, err := r.Exists(ref); return err },
		func() error { _, err := r.Flags(owner); return err },
		func() error { _, err := r.ClinicFlags(owner.Clinic, true); return err },
		func() error { _, err := r.Activities(owner.Clinic); return err },
		func() error { _, err := r.EndedBefore(t0); return err },
		func() error { _, err := r.Facts(owner); return err },
		func() error { _, err := r.Acks(owner); return err },
		func() error { _, err := r.Staff(owner.Clinic, "k"); return err },
		func() error { _, err := r.Outbox("north", 0, 1); return err },
		func() error { _, err := r.Clinics(); return err },
		func() error { _, err := r.Owners(owner.Clinic); return err },
		func() error { _, _, err := r.Arrived(owner.Clinic); return err },
		func() error { _, err := r.Restores(); return err },
		func() error { _, err := r.Erasures(""); return err },
		func() error { _, err := r.Belongings(owner, nil); return err },
		func() error { _, err := r.Mark(owner.Clinic, "m"); return err },
	} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}
