package storetest

import (
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
)

var clinicTests = []test{
	{"FlagsAreReplacedPerOwner", flagsReplaced},
	{"FlagByID", flagByID},
	{"ActivitiesAreReplacedPerOwner", activitiesReplaced},
	{"D1_6_EndedBefore", endedBefore},
	{"D1_6_AFactIsStoredOnce", facts},
	{"AcknowledgementsAreKept", acks},
	{"StaffStatementsPerSource", staff},
	{"OutboxInOrder", outbox},
	{"MarksPerClinic", clinicMarks},
	{"OwnersAndClinics", owners},
}

var (
	second = store.Owner{Clinic: "north", Patient: "mrn|2"}
	south  = store.Owner{Clinic: "south", Patient: "mrn|1"}
)

func flagsReplaced(f *fixture) {
	mine := []store.Flag{
		{ID: "b", Owner: owner, Case: "s1", Code: "x", Level: "critical", InputsHash: "h", Open: true, JSON: []byte(`{}`)},
		{ID: "a", Owner: owner, Case: "s1", Code: "y", Level: "note"},
	}
	theirs := []store.Flag{{ID: "c", Owner: second, Open: true}}
	f.update(func(w store.Writer) {
		require.NoError(f, w.ReplaceFlags(owner, []store.Flag{{ID: "old"}}))
		require.NoError(f, w.ReplaceFlags(second, theirs))
		require.NoError(f, w.ReplaceFlags(south, []store.Flag{{ID: "d", Open: true}}))
		require.NoError(f, w.ReplaceFlags(owner, mine))
	})
	f.view(func(r store.Reader) {
		got, err := r.Flags(owner)
		require.NoError(f, err)
		assert.Equal(f, mine, got, "in the order given")
		got, err = r.ClinicFlags("north", false)
		require.NoError(f, err)
		assert.ElementsMatch(f, append(mine, theirs...), got)
		got, err = r.ClinicFlags("north", true)
		require.NoError(f, err)
		assert.ElementsMatch(f, []store.Flag{mine[0], theirs[0]}, got)
	})
	f.update(func(w store.Writer) { require.NoError(f, w.ReplaceFlags(owner, nil)) })
	f.view(func(r store.Reader) {
		got, err := r.ClinicFlags("north", false)
		require.NoError(f, err)
		assert.Equal(f, theirs, got)
	})
}

func flagByID(f *fixture) {
	f.update(func(w store.Writer) {
		require.NoError(f, w.ReplaceFlags(owner, []store.Flag{{ID: "a", Open: true}}))
		require.NoError(f, w.ReplaceFlags(second, []store.Flag{{ID: "a"}, {ID: "b"}}))
	})
	f.view(func(r store.Reader) {
		got, err := r.Flag("north", "a")
		require.NoError(f, err)
		assert.Equal(f, owner, got.Owner, "the open one of two patients counts")
		got, err = r.Flag("north", "b")
		require.NoError(f, err)
		assert.Equal(f, second, got.Owner)
		_, err = r.Flag("south", "a")
		assert.ErrorIs(f, err, store.ErrNotFound)
		_, err = r.Flag("north", "c")
		assert.ErrorIs(f, err, store.ErrNotFound)
	})
}

func activitiesReplaced(f *fixture) {
	early := store.Activity{Owner: owner, Case: "s1", ID: "b", Status: "scheduled", Start: t0, End: t0.Add(time.Hour), Open: true, JSON: []byte(`{}`)}
	late := early
	late.ID, late.End = "a", t0.Add(2*time.Hour)
	theirs := early
	theirs.Owner = south
	f.update(func(w store.Writer) {
		require.NoError(f, w.ReplaceActivities(owner, []store.Activity{{ID: "old"}}))
		require.NoError(f, w.ReplaceActivities(south, []store.Activity{theirs}))
		require.NoError(f, w.ReplaceActivities(owner, []store.Activity{late, early}))
	})
	f.view(func(r store.Reader) {
		got, err := r.Activities("north")
		require.NoError(f, err)
		assert.Equal(f, []store.Activity{early, late}, got, "by the end of the window")
		got, err = r.Activities("south")
		require.NoError(f, err)
		assert.Equal(f, []store.Activity{theirs}, got)
	})
}

func endedBefore(f *fixture) {
	end := t0.Add(time.Hour)
	activity := func(id string, end time.Time, open bool) store.Activity {
		return store.Activity{Case: "s1", ID: id, End: end, Open: open}
	}
	f.update(func(w store.Writer) {
		require.NoError(f, w.ReplaceActivities(owner, []store.Activity{
			activity("late", end, true), activity("open", end.Add(-time.Minute), true),
			activity("closed", end, false), activity("endless", time.Time{}, true),
			activity("known", end, true), activity("moved", end, true), activity("future", end.Add(1), true),
		}))
		require.NoError(f, w.ReplaceActivities(south, []store.Activity{activity("known", end, true)}))
		require.NoError(f, w.PutFact(store.Fact{Owner: owner, Case: "s1", Activity: "known", End: end}))
		require.NoError(f, w.PutFact(store.Fact{Owner: owner, Case: "s1", Activity: "moved", End: end.Add(-time.Hour)}))
		require.NoError(f, w.PutFact(store.Fact{Owner: owner, Case: "s2", Activity: "late", End: end}))
	})
	ended := func(t time.Time) []string {
		var out []string
		f.view(func(r store.Reader) {
			as, err := r.EndedBefore(t)
			require.NoError(f, err)
			for _, a := range as {
				out = append(out, a.Owner.Clinic+" "+a.ID)
			}
		})
		return out
	}
	assert.Equal(f, []string{"north open"}, ended(end.Add(-1)))
	assert.Equal(f, []string{"north open", "north late", "north moved", "south known"}, ended(end), "at its end it has ended")
	assert.Equal(f, []string{"north open", "north late", "north moved", "south known"}, ended(end.In(time.FixedZone("", -3600))))
}

func facts(f *fixture) {
	fact := store.Fact{Owner: owner, Case: "s1", Activity: "a", End: t0}
	moved := fact
	moved.End = t0.Add(time.Hour)
	f.update(func(w store.Writer) {
		require.NoError(f, w.PutFact(fact))
		require.NoError(f, w.PutFact(moved))
		require.NoError(f, w.PutFact(fact))
	})
	f.view(func(r store.Reader) {
		got, err := r.Facts(owner)
		require.NoError(f, err)
		assert.Equal(f, []store.Fact{fact, moved}, got)
		got, err = r.Facts(south)
		require.NoError(f, err)
		assert.Empty(f, got)
	})
}

func acks(f *fixture) {
	want := []store.Ack{
		{Owner: owner, Case: "s1", Flag: "f", InputsHash: "old", JSON: []byte(`{}`), Stale: true},
		{Owner: owner, Case: "s1", Flag: "f", InputsHash: "new", JSON: []byte(`{}`)},
	}
	f.update(func(w store.Writer) {
		for _, a := range want {
			require.NoError(f, w.PutAck(a))
		}
	})
	f.view(func(r store.Reader) {
		got, err := r.Acks(owner)
		require.NoError(f, err)
		assert.Equal(f, want, got)
		got, err = r.Acks(second)
		require.NoError(f, err)
		assert.Empty(f, got)
	})
}

func staff(f *fixture) {
	say := func(key, text string) store.Statement { return store.Statement{Key: key, JSON: []byte(text)} }
	f.update(func(w store.Writer) {
		require.NoError(f, w.ReplaceStaff("north", "r2", []store.Statement{say("k", "two"), say("l", "gone")}))
		require.NoError(f, w.ReplaceStaff("north", "r1", []store.Statement{say("k", "one")}))
		require.NoError(f, w.ReplaceStaff("north", "r2", []store.Statement{say("k", "two, amended")}))
		require.NoError(f, w.ReplaceStaff("south", "r1", []store.Statement{say("k", "other")}))
	})
	read := func(key string) [][]byte {
		var got [][]byte
		f.view(func(r store.Reader) {
			var err error
			got, err = r.Staff("north", key)
			require.NoError(f, err)
		})
		return got
	}
	assert.Equal(f, [][]byte{[]byte("one"), []byte("two, amended")}, read("k"))
	assert.Empty(f, read("l"), "its source says it no more")
	f.update(func(w store.Writer) { require.NoError(f, w.ReplaceStaff("north", "r1", nil)) })
	assert.Equal(f, [][]byte{[]byte("two, amended")}, read("k"))
}

func outbox(f *fixture) {
	for _, s := range []string{"1", "2", "3"} {
		f.update(func(w store.Writer) {
			require.NoError(f, w.PutEvent("north", "change", []byte(s)))
			require.NoError(f, w.PutEvent("south", "flag", []byte("of south "+s)))
			require.NoError(f, w.PutEvent("south", "flag", []byte("of south again "+s)))
		})
	}
	f.view(func(r store.Reader) {
		first, err := r.Outbox("north", 0, 2)
		require.NoError(f, err)
		require.Len(f, first, 2)
		assert.Equal(f, "change", first[0].Kind)
		rest, err := r.Outbox("north", first[1].Seq, 10)
		require.NoError(f, err)
		require.Len(f, rest, 1)
		assert.Equal(f, []byte("3"), rest[0].JSON)
		assert.Equal(f, []int64{1, 2, 3}, []int64{first[0].Seq, first[1].Seq, rest[0].Seq}, "no gap tells of another clinic")
		south, err := r.Outbox("south", 0, 10)
		require.NoError(f, err)
		assert.Len(f, south, 6)
		none, err := r.Outbox("west", 0, 10)
		require.NoError(f, err)
		assert.Empty(f, none)
	})
}

func clinicMarks(f *fixture) {
	read := func(clinic string) (out string) {
		f.view(func(r store.Reader) {
			var err error
			out, err = r.Mark(clinic, "folded")
			require.NoError(f, err)
		})
		return out
	}
	assert.Empty(f, read("north"))
	for _, value := range []string{"one", "two"} {
		f.update(func(w store.Writer) {
			require.NoError(f, w.SetMark("north", "folded", value))
			require.NoError(f, w.SetMark("north", "other", "x"))
		})
		assert.Equal(f, value, read("north"))
	}
	assert.Empty(f, read("south"))
}

// owners are those whom a delivery names, refused and waiting ones too, and
// those who have resources.
func owners(f *fixture) {
	refused, nobody, theirs := delivery("r", "1"), delivery("n", "2"), delivery("s", "3")
	refused.Refused, refused.Patient = true, second.Patient
	nobody.Patient = ""
	theirs.Clinic = "south"
	f.deliver(delivery("s1", "1"), refused, nobody, theirs)
	lone := store.Owner{Clinic: "north", Patient: "mrn|0"}
	f.update(func(w store.Writer) {
		_, err := w.Put(lone, "", Checked(f, patient("p", 1)), nil)
		require.NoError(f, err)
		_, err = w.Put(store.Owner{Clinic: "north"}, "", Checked(f, patient("q", 1)), nil)
		require.NoError(f, err)
		_, err = w.Put(store.Owner{Clinic: "east", Patient: "mrn|0"}, "", Checked(f, patient("e", 1)), nil)
		require.NoError(f, err)
	})
	f.view(func(r store.Reader) {
		got, err := r.Owners("north")
		require.NoError(f, err)
		assert.Equal(f, []store.Owner{lone, owner, second}, got)
		clinics, err := r.Clinics()
		require.NoError(f, err)
		assert.Equal(f, []string{"east", "north", "south"}, clinics)
		got, err = r.Owners("west")
		require.NoError(f, err)
		assert.Empty(f, got)
	})
}
