package storetest

import (
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
)

var deliveryTests = []test{
	{"EveryMemberComesBack", deliveryRoundTrip},
	{"D1_1_SameContentSavedAtTheSameTimeIsOneDelivery", deliveryAgain},
	{"D1_1_SameBytesSavedLaterAreAnotherDelivery", deliverySavedLater},
	{"D1_1_AbsentSavedAtIsOneIdentity", deliveryWithoutSavedAt},
	{"MarksChangeTheLists", deliveryMarks},
	{"MarkFillsInWhatARetryCouldRead", deliveryMarkReads},
	{"MarkOfAnUnknownDeliveryIsNotFound", deliveryMarkUnknown},
	{"WaitingIsSetPerPatient", deliveryWaiting},
	{"OfAPatient", deliveriesOf},
	{"D1_5_MergesOfAPatient", deliveryMerges},
	{"ClinicsAreWalls", deliveryWalls},
}

// delivery is a surgery of the patient of most tests.
func delivery(record, hash string) store.Delivery {
	return store.Delivery{
		Clinic: owner.Clinic, Record: record, Patient: owner.Patient, Kind: "surgery", Status: "final",
		Hash: hash, SavedAt: t0, Received: t0.Add(time.Minute), Body: []byte(`{"a":1}`), Answer: "stored",
	}
}

func (f *fixture) deliver(ds ...store.Delivery) []store.Delivery {
	f.Helper()
	var out []store.Delivery
	require.NoError(f, f.store.Update(f.ctx, func(w store.Writer) error {
		for _, d := range ds {
			kept, err := w.PutDelivery(d)
			require.NoError(f, err)
			out = append(out, kept)
		}
		return nil
	}))
	return out
}

func (f *fixture) deliveries(clinic, record string) []store.Delivery {
	f.Helper()
	var out []store.Delivery
	f.view(func(r store.Reader) {
		var err error
		out, err = r.Deliveries(clinic, record)
		require.NoError(f, err)
	})
	return out
}

func deliveryRoundTrip(f *fixture) {
	d := delivery("s1", "h1")
	d.Surgery = "s0"
	d.SavedAt = time.Date(2026, 3, 2, 10, 30, 0, 123456789, time.FixedZone("", 3600))
	d.Reasons = []byte(`[{"code":"x"}]`)
	d.Held, d.Refused, d.Superseded, d.Waiting = true, true, true, true
	f.deliver(d)
	got := f.deliveries(d.Clinic, d.Record)
	require.Len(f, got, 1)
	assert.Positive(f, got[0].Seq)
	assert.True(f, d.SavedAt.Equal(got[0].SavedAt), "saved-at to the nanosecond: %v", got[0].SavedAt)
	assert.True(f, d.Received.Equal(got[0].Received))
	d.Seq, d.SavedAt, d.Received = got[0].Seq, got[0].SavedAt, got[0].Received
	assert.Equal(f, d, got[0])
}

func deliveryAgain(f *fixture) {
	first := f.deliver(delivery("s1", "h1"))[0]
	again := delivery("s1", "h1")
	again.Received = again.Received.Add(time.Hour)
	again.Answer = "unchanged"
	assert.Equal(f, first, f.deliver(again)[0], "the reception of the first arrival stays")
	assert.Len(f, f.deliveries(owner.Clinic, "s1"), 1)
}

func deliverySavedLater(f *fixture) {
	later := delivery("s1", "h1")
	later.SavedAt = later.SavedAt.Add(time.Nanosecond)
	got := f.deliver(delivery("s1", "h1"), later)
	assert.Less(f, got[0].Seq, got[1].Seq)
	assert.Len(f, f.deliveries(owner.Clinic, "s1"), 2)
}

func deliveryWithoutSavedAt(f *fixture) {
	d := delivery("s1", "h1")
	d.SavedAt = time.Time{}
	got := f.deliver(d, d, delivery("s1", "h1"))
	assert.Equal(f, got[0].Seq, got[1].Seq)
	assert.NotEqual(f, got[0].Seq, got[2].Seq)
	assert.True(f, got[1].SavedAt.IsZero())
}

// list gives the record ids of a list.
func (f *fixture) list(clinic, mark string) []string {
	f.Helper()
	out := []string{}
	f.view(func(r store.Reader) {
		ds, err := r.DeliveriesList(clinic, mark)
		require.NoError(f, err)
		for _, d := range ds {
			out = append(out, d.Record)
		}
	})
	return out
}

func deliveryMarks(f *fixture) {
	refused, held, superseded, waiting := delivery("r", "1"), delivery("h", "2"), delivery("s", "3"), delivery("w", "4")
	refused.Refused, held.Held, superseded.Superseded, waiting.Waiting = true, true, true, true
	refused.Answer = "refused"
	accepted := delivery("r", "7") // its content was accepted under another delivery since
	accepted.Refused, accepted.Answer = true, "unchanged"
	got := f.deliver(held, refused, delivery("plain", "5"), superseded, waiting, delivery("h", "6"), accepted)
	assert.Equal(f, []string{"r"}, f.list(owner.Clinic, "refused"))
	assert.Equal(f, []string{"h"}, f.list(owner.Clinic, "held"))
	assert.Equal(f, []string{"s"}, f.list(owner.Clinic, "superseded"))
	assert.Equal(f, []string{"w"}, f.list(owner.Clinic, "waiting"))

	last, first := got[5], got[0]
	last.Held, last.Answer, last.Reasons = true, "held", []byte(`[]`)
	first.Superseded = true
	f.update(func(w store.Writer) {
		require.NoError(f, w.MarkDelivery(last))
		require.NoError(f, w.MarkDelivery(first))
	})
	assert.Equal(f, []string{"h", "h"}, f.list(owner.Clinic, "held"), "oldest first")
	assert.Equal(f, []string{"h", "s"}, f.list(owner.Clinic, "superseded"))
	assert.Equal(f, last, f.deliveries(owner.Clinic, "h")[1])

	first.Held = false
	f.update(func(w store.Writer) { require.NoError(f, w.MarkDelivery(first)) })
	assert.Equal(f, []string{"h"}, f.list(owner.Clinic, "held"))
	f.view(func(r store.Reader) {
		_, err := r.DeliveriesList(owner.Clinic, "refused OR 1")
		assert.ErrorIs(f, err, store.ErrNotFound)
	})
}

func deliveryWaiting(f *fixture) {
	theirs := delivery("w3", "3")
	theirs.Patient, theirs.Waiting = "mrn|2", true
	got := f.deliver(delivery("w1", "1"), delivery("w2", "2"), theirs)
	set := func(seqs ...int64) {
		f.update(func(w store.Writer) { require.NoError(f, w.SetWaiting(owner, seqs)) })
	}
	set(got[0].Seq, got[1].Seq)
	assert.Equal(f, []string{"w1", "w2", "w3"}, f.list(owner.Clinic, "waiting"))
	set(got[1].Seq, got[2].Seq)
	assert.Equal(f, []string{"w2", "w3"}, f.list(owner.Clinic, "waiting"))
	marked := f.deliveries(owner.Clinic, "w2")[0]
	marked.Waiting = false
	f.update(func(w store.Writer) { require.NoError(f, w.MarkDelivery(marked)) })
	assert.Equal(f, []string{"w2", "w3"}, f.list(owner.Clinic, "waiting"), "MarkDelivery leaves it alone")
	set()
	assert.Equal(f, []string{"w3"}, f.list(owner.Clinic, "waiting"), "of this patient only")
}

func deliveryMarkReads(f *fixture) {
	d := delivery("s1", "h1")
	d.Patient, d.Kind, d.Status = "", "", ""
	kept := f.deliver(d)[0]
	kept.Patient, kept.Kind, kept.Surgery = owner.Patient, "review", "s0"
	f.update(func(w store.Writer) { require.NoError(f, w.MarkDelivery(kept)) })
	assert.Equal(f, kept, f.deliveries(owner.Clinic, "s1")[0])
	kept.Patient = ""
	f.update(func(w store.Writer) { require.NoError(f, w.MarkDelivery(kept)) })
	assert.Equal(f, owner.Patient, f.deliveries(owner.Clinic, "s1")[0].Patient, "what was read stays")

	d.Record, d.SavedAt = "", time.Time{}
	kept = f.deliver(d)[0]
	kept.Record, kept.Hash, kept.SavedAt = "s2", "h2", t0
	f.update(func(w store.Writer) { require.NoError(f, w.MarkDelivery(kept)) })
	assert.Equal(f, kept, f.deliveries(owner.Clinic, "s2")[0])
	assert.Empty(f, f.deliveries(owner.Clinic, ""))
}

func deliveryMarkUnknown(f *fixture) {
	kept := f.deliver(delivery("s1", "h1"))[0]
	other := kept
	other.Clinic = "south"
	unknown := kept
	unknown.Seq += 1000
	f.update(func(w store.Writer) {
		assert.ErrorIs(f, w.MarkDelivery(other), store.ErrNotFound)
		assert.ErrorIs(f, w.MarkDelivery(unknown), store.ErrNotFound)
	})
}

func deliveriesOf(f *fixture) {
	named := func(record, hash, patient, surgery string) store.Delivery {
		d := delivery(record, hash)
		d.Patient, d.Surgery = patient, surgery
		return d
	}
	const other = "mrn|2"
	f.deliver(
		named("s1", "1", owner.Patient, ""),      // a surgery of the patient
		named("r1", "2", owner.Patient, "s1"),    // a review of it
		named("r2", "3", "", "s1"),               // a review whose patient is unreadable
		named("s2", "4", owner.Patient, ""),      // once the patient's,
		named("s2", "5", other, ""),              // amended to another (D1.5)
		named("r3", "6", other, "s2"),            // and a review of it
		named("r4", "7", owner.Patient, "later"), // a review that came before its surgery
		named("r5", "8", other, "later"),         // another of the same surgery
		named("s3", "9", other, ""),              // nothing to do with the patient
		named("r6", "10", other, "s3"),           //
		named("x", "11", "", ""),                 // unreadable
		named("s4", "12", other, ""),             // another's surgery,
		named("r7", "13", owner.Patient, "s4"),   // which a review of the patient names,
		named("r8", "14", other, "s4"),           // and its own review
	)
	read := func(o store.Owner) []string {
		out := []string{}
		f.view(func(r store.Reader) {
			ds, err := r.DeliveriesOf(o)
			require.NoError(f, err)
			for _, d := range ds {
				out = append(out, d.Hash)
			}
		})
		return out
	}
	assert.Equal(f, []string{"1", "2", "3", "4", "5", "6", "7", "8", "12", "13", "14"}, read(owner))
	assert.Empty(f, read(store.Owner{Clinic: "south", Patient: owner.Patient}))
	assert.Empty(f, read(store.Owner{Clinic: owner.Clinic}), "no patient, no deliveries")
}

func deliveryWalls(f *fixture) {
	south := delivery("s1", "h1")
	south.Clinic, south.Held = "south", true
	got := f.deliver(delivery("s1", "h1"), south)
	assert.NotEqual(f, got[0].Seq, got[1].Seq, "record ids of two clinics may collide")
	assert.Equal(f, got[:1], f.deliveries("north", "s1"))
	assert.Equal(f, got[1:], f.deliveries("south", "s1"))
	assert.Empty(f, f.list("north", "held"))
	f.view(func(r store.Reader) {
		ds, err := r.DeliveriesOf(owner)
		require.NoError(f, err)
		assert.Equal(f, got[:1], ds)
	})
}
