package storetest

import (
	"bytes"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

var eraseTests = []test{
	{"NothingOfTheErasedIsLeft", eraseLeavesNothing},
	{"D3_1_OneDeleteEntryAResource", eraseEntries},
	{"OthersAreUntouched", eraseOthers},
	{"D1_5_NoMergeNamesTheErased", eraseMerges},
	{"TheErasedComesAgainWithHigherVersions", eraseThenAgain},
	{"ATombstoneIsKept", tombstone},
	{"NobodyIsNotErased", eraseNobody},
	{"D8_3_ArrivedSaysWhatIsHere", arrived},
}

// erasing erases the owner of the tests.
func erasing() store.Erasing {
	return store.Erasing{
		Owner: owner, Sources: []string{"patient:" + owner.Patient}, Blank: []byte(`{"blank":true}`),
		Unread: func(body []byte) bool { return bytes.Contains(body, []byte("theirs")) },
	}
}

func (f *fixture) erase() (b store.Belongings, made []store.Version) {
	f.Helper()
	f.update(func(w store.Writer) {
		_, err := w.Stamp(f.now)
		require.NoError(f, err)
		b, made, err = w.Erase(erasing())
		require.NoError(f, err)
	})
	return b, made
}

// belong stores something of every kind of an owner, as record id and resource.
func (f *fixture) belong(o store.Owner, record, id string) {
	f.Helper()
	f.update(func(w store.Writer) {
		_, err := w.Stamp(f.now)
		require.NoError(f, err)
		for _, d := range []store.Delivery{
			{Clinic: o.Clinic, Record: record, Patient: o.Patient, Hash: "h", Held: true, Received: t0},
			{Clinic: o.Clinic, Record: record, Hash: "unread", Refused: true, Answer: "refused"},
		} {
			_, err = w.PutDelivery(d)
			require.NoError(f, err)
		}
		_, err = w.Put(o, record, Checked(f, Plan(id, "of "+o.Patient)), nil)
		require.NoError(f, err)
		require.NoError(f, w.ReplaceFlags(o, []store.Flag{{ID: id, Open: true}}))
		require.NoError(f, w.ReplaceActivities(o, []store.Activity{{ID: id, Open: true, End: t0}}))
		require.NoError(f, w.PutFact(store.Fact{Owner: o, Activity: "other", End: t0}))
		require.NoError(f, w.PutAck(store.Ack{Owner: o, Flag: id}))
		require.NoError(f, w.ReplaceStaff(o.Clinic, "patient:"+o.Patient, []store.Statement{{Key: "k-" + id, JSON: []byte(`1`)}}))
		require.NoError(f, w.PutEvent(o.Clinic, "change", []byte(`{"resources":["CarePlan/`+id+`/_history/1"]}`)))
		require.NoError(f, w.PutEvent(o.Clinic, "flag", []byte(`{"case":"`+record+`"}`)))
	})
}

// left counts what is stored of an owner.
func (f *fixture) left(o store.Owner, record, id string) map[string]int {
	f.Helper()
	out := map[string]int{}
	f.view(func(r store.Reader) {
		ds, err := r.Deliveries(o.Clinic, record)
		require.NoError(f, err)
		held, err := r.Owned(o)
		require.NoError(f, err)
		flags, err := r.Flags(o)
		require.NoError(f, err)
		facts, err := r.Facts(o)
		require.NoError(f, err)
		acks, err := r.Acks(o)
		require.NoError(f, err)
		staff, err := r.Staff(o.Clinic, "k-"+id)
		require.NoError(f, err)
		as, err := r.Activities(o.Clinic)
		require.NoError(f, err)
		es, err := r.Outbox(o.Clinic, 0, 100)
		require.NoError(f, err)
		owners, err := r.Owners(o.Clinic)
		require.NoError(f, err)
		out = map[string]int{"deliveries": len(ds), "resources": len(held), "flags": len(flags), "facts": len(facts),
			"acks": len(acks), "staff": len(staff)}
		for _, a := range as {
			if a.Owner == o {
				out["activities"]++
			}
		}
		for _, e := range es {
			if bytes.Contains(e.JSON, []byte(record)) || bytes.Contains(e.JSON, []byte("/"+id+"/")) {
				out["events"]++
			}
		}
		for _, x := range owners {
			if x == o {
				out["owner"]++
			}
		}
	})
	return out
}

var allOf = map[string]int{"deliveries": 2, "resources": 1, "flags": 1, "facts": 1, "acks": 1, "staff": 1, "activities": 1, "events": 2, "owner": 1}

func eraseLeavesNothing(f *fixture) {
	f.belong(owner, "rec-1", "a")
	f.update(func(w store.Writer) {
		for _, body := range []string{"of nobody", "theirs"} {
			_, err := w.PutDelivery(store.Delivery{Clinic: owner.Clinic, Hash: body, Body: []byte(body), Refused: true, Answer: "refused"})
			require.NoError(f, err)
		}
	})
	require.Equal(f, allOf, f.left(owner, "rec-1", "a"))
	b, _ := f.erase()
	assert.Len(f, b.Deliveries, 3)
	assert.Equal(f, 1, b.Nobodys)
	assert.Equal(f, []string{"rec-1"}, b.Records)
	assert.Equal(f, []resource.Ref{planRef("a")}, b.Resources)
	for what, n := range f.left(owner, "rec-1", "a") {
		assert.Zero(f, n, what)
	}
	f.view(func(r store.Reader) {
		ds, err := r.DeliveriesList(owner.Clinic, "refused")
		require.NoError(f, err)
		require.Len(f, ds, 1)
		assert.Equal(f, "of nobody", string(ds[0].Body))
		es, err := r.Outbox(owner.Clinic, 0, 10)
		require.NoError(f, err)
		require.Len(f, es, 2, "numbers stay")
		assert.JSONEq(f, `{"blank":true}`, string(es[0].JSON))
	})
}

func eraseEntries(f *fixture) {
	first := f.putOne(Plan("a", "one"), code("status", "s", "active"))
	second := f.putOne(Plan("a", "two"), code("status", "s", "active"))
	f.putOne(Plan("b", "declined"))
	f.update(func(w store.Writer) {
		_, err := w.Stamp(f.now)
		require.NoError(f, err)
		_, err = w.Delete(owner, planRef("b"))
		require.NoError(f, err)
	})
	_, made := f.erase()
	require.Len(f, made, 1, "the other entry is there")
	assert.Equal(f, planRef("a"), made[0].Ref)
	assert.EqualValues(f, 3, made[0].Number)
	for _, v := range []store.Version{first, second, made[0]} {
		_, err := f.vread(planRef("a"), v.VersionID)
		assert.ErrorIs(f, err, store.ErrGone, v.VersionID)
	}
	_, err := f.read(planRef("a"))
	assert.ErrorIs(f, err, store.ErrGone)
	for _, id := range []string{"a", "b"} {
		h := f.history(store.HistoryQuery{Type: "CarePlan", ID: id, Count: 10})
		require.Len(f, h.Versions, 1, id)
		assert.True(f, h.Versions[0].Deleted)
		assert.Empty(f, h.Versions[0].Body)
	}
	assert.Zero(f, f.search(query(is("status", "", "active"))).Total)
	_, again := f.erase()
	assert.Empty(f, again)
}

func eraseOthers(f *fixture) {
	for _, o := range []store.Owner{{Clinic: owner.Clinic, Patient: "mrn|other"}, {Clinic: "elsewhere", Patient: owner.Patient}} {
		f.belong(o, "rec-"+o.Clinic, o.Clinic)
		was := f.left(o, "rec-"+o.Clinic, o.Clinic)
		require.Equal(f, allOf, was)
		f.erase()
		assert.Equal(f, was, f.left(o, "rec-"+o.Clinic, o.Clinic), o.Clinic)
		_, err := f.read(planRef(o.Clinic))
		assert.NoError(f, err)
	}
}

func eraseThenAgain(f *fixture) {
	f.putOne(Plan("a", "one"))
	f.erase()
	v := f.putOne(Plan("a", "again"))
	assert.EqualValues(f, 3, v.Number, "no version id is given out twice (D8.3)")
	got, err := f.read(planRef("a"))
	require.NoError(f, err)
	assert.Equal(f, v, got)
	f.view(func(r store.Reader) {
		held, err := r.Owned(owner)
		require.NoError(f, err)
		assert.Len(f, held, 1)
	})
}

func tombstone(f *fixture) {
	one := store.Erasure{Subject: "s", Reason: "order", Who: "A", At: t0}
	two := store.Erasure{Subject: "s", Reason: "mistake", Who: "B", At: t0.Add(time.Hour)}
	f.update(func(w store.Writer) {
		for _, e := range []store.Erasure{one, two, one, {Subject: "t", At: t0}} {
			require.NoError(f, w.PutErasure(e))
		}
	})
	f.view(func(r store.Reader) {
		got, err := r.Erasures("s")
		require.NoError(f, err)
		assert.Equal(f, []store.Erasure{two, one}, got)
		got, err = r.Erasures("")
		require.NoError(f, err)
		assert.Len(f, got, 3)
		got, err = r.Erasures("none")
		require.NoError(f, err)
		assert.Empty(f, got)
	})
}

// What belongs to the clinic, or stands for those erased, is no patient's.
func eraseNobody(f *fixture) {
	f.view(func(r store.Reader) {
		_, err := r.Belongings(store.Owner{Clinic: owner.Clinic}, nil)
		assert.Error(f, err)
	})
}

func arrived(f *fixture) {
	f.update(func(w store.Writer) {
		for i, at := range []time.Time{t0.Add(time.Hour), t0} {
			_, err := w.PutDelivery(store.Delivery{Clinic: "here", Record: "r", Hash: string(rune('a' + i)), Received: at})
			require.NoError(f, err)
		}
	})
	f.view(func(r store.Reader) {
		n, last, err := r.Arrived("here")
		require.NoError(f, err)
		assert.Equal(f, 2, n)
		assert.Equal(f, t0.Add(time.Hour), last)
		n, last, err = r.Arrived("nowhere")
		require.NoError(f, err)
		assert.Zero(f, n)
		assert.True(f, last.IsZero())
	})
}
