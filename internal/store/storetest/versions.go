package storetest

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping/resource"
)

var versionTests = []test{
	{"PutServesTheContentWithItsMeta", putServes},
	{"D8_3_VersionIdsCarryTheEpochAndCountUp", versionIDs},
	{"SameContentMakesNoVersion", putSame},
	{"EarlierContentAgainMakesAVersion", putBack},
	{"OneVersionOfAResourcePerTransaction", putTwice},
	{"LastUpdatedRisesWithEveryCommit", lastUpdatedRises},
	{"OneStampPerTransaction", stampOnce},
	{"UnknownIsNotFound", unknown},
	{"VReadGivesEarlierVersions", vread},
	{"D3_1_DeleteHidesAndLeavesOneEntry", deleteHides},
	{"D3_1_AgreedAgainGivesHigherVersions", agreedAgain},
	{"D1_5_MaskHidesEarlierVersions", maskHides},
	{"OfAnotherOwnerIsRefused", otherOwner},
	{"WithoutAStampIsRefused", unstamped},
	{"UncheckedIsRefused", unchecked},
	{"OwnedGivesContentAsPut", owned},
	{"Exists", exists},
}

func (f *fixture) read(ref resource.Ref) (v store.Version, err error) {
	f.view(func(r store.Reader) { v, err = r.Read(ref) })
	return v, err
}

func (f *fixture) vread(ref resource.Ref, id string) (v store.Version, err error) {
	f.view(func(r store.Reader) { v, err = r.VRead(ref, id) })
	return v, err
}

func putServes(f *fixture) {
	put := f.putOne(Plan("a", "one"))
	got, err := f.read(planRef("a"))
	require.NoError(f, err)
	assert.Equal(f, put, got)
	assert.True(f, got.First)
	assert.False(f, got.Deleted)
	var body struct {
		Title string
		Meta  struct{ VersionID, LastUpdated string }
	}
	require.NoError(f, json.Unmarshal(got.Body, &body))
	assert.Equal(f, "titled one", body.Title)
	assert.Equal(f, got.VersionID, body.Meta.VersionID)
	assert.Equal(f, got.LastUpdated.Format(resource.LastUpdatedLayout), body.Meta.LastUpdated)
}

func versionIDs(f *fixture) {
	var epoch string
	f.view(func(r store.Reader) { epoch = r.Head().Epoch })
	require.NotEmpty(f, epoch)
	for n := 1; n <= 3; n++ {
		a := f.putOne(Plan("a", fmt.Sprint(n)))
		assert.Equal(f, fmt.Sprintf("%s-%d", epoch, n), a.VersionID)
		assert.EqualValues(f, n, a.Number)
		assert.Equal(f, n == 1, a.First)
	}
	b := f.putOne(Plan("b", ""))
	assert.Equal(f, epoch+"-1", b.VersionID, "each resource counts for itself")
}

func putSame(f *fixture) {
	first := f.putOne(Plan("a", "one"), code("status", "s", "active"))
	assert.Equal(f, first, f.putOne(Plan("a", "one"), code("status", "s", "active")))
	assert.Equal(f, 1, f.history(store.HistoryQuery{Type: "CarePlan", ID: "a", Count: 10}).Total)
	assert.Equal(f, []string{"a"}, ids(f.search(store.Query{Type: "CarePlan", Count: 10})))
}

func putBack(f *fixture) {
	f.putOne(Plan("a", "one"))
	f.putOne(Plan("a", "two"))
	assert.EqualValues(f, 3, f.putOne(Plan("a", "one")).Number)
}

func putTwice(f *fixture) {
	f.putOne(Plan("a", "one"), code("status", "s", "one"))
	f.update(func(w store.Writer) {
		f.put(w, Plan("a", "two"), code("status", "s", "two"))
		v := f.put(w, Plan("a", "three"), code("status", "s", "three"))
		assert.EqualValues(f, 2, v.Number)
	})
	h := f.history(store.HistoryQuery{Count: 10})
	require.Len(f, h.Versions, 2)
	assert.Contains(f, string(h.Versions[0].Body), "three")
	for status, n := range map[string]int{"one": 0, "two": 0, "three": 1} {
		assert.Equal(f, n, f.search(query(is("status", "", status))).Total, status)
	}
	f.update(func(w store.Writer) {
		f.put(w, Plan("a", "four"))
		v, err := w.Delete(owner, planRef("a"))
		require.NoError(f, err)
		assert.EqualValues(f, 3, v.Number)
	})
	_, err := f.read(planRef("a"))
	assert.ErrorIs(f, err, store.ErrGone)
	assert.Len(f, f.history(store.HistoryQuery{Count: 10}).Versions, 1)
}

func lastUpdatedRises(f *fixture) {
	last := store.Stamp{}
	for i, now := range []time.Time{
		t0, t0, t0.Add(400 * time.Microsecond), // a clock that stands
		t0.Add(-time.Hour),  // a clock put back
		t0.Add(time.Second), // and going on
	} {
		var s store.Stamp
		require.NoError(f, f.store.Update(f.ctx, func(w store.Writer) (err error) {
			s, err = w.Stamp(now)
			f.put(w, Plan("a", fmt.Sprint(i)))
			return err
		}))
		assert.Equal(f, last.Seq+1, s.Seq)
		assert.True(f, s.LastUpdated.After(last.LastUpdated), "%v after %v", s.LastUpdated, last.LastUpdated)
		assert.Zero(f, s.LastUpdated.Nanosecond()%int(time.Millisecond))
		v, err := f.read(planRef("a"))
		require.NoError(f, err)
		assert.Equal(f, s, store.Stamp{Epoch: s.Epoch, Seq: v.Seq, LastUpdated: v.LastUpdated})
		last = s
	}
	assert.Equal(f, t0.Add(time.Second), last.LastUpdated, "the clock's own time once it is past the last")
}

func stampOnce(f *fixture) {
	var head store.Stamp
	s := f.update(func(w store.Writer) {
		again, err := w.Stamp(f.now.Add(time.Hour))
		require.NoError(f, err)
		head = w.Head()
		assert.Equal(f, head, again)
	})
	assert.Equal(f, s, head)
	f.view(func(r store.Reader) { assert.Equal(f, s, r.Head()) })
	f.deliver(delivery("s1", "h1"))
	f.view(func(r store.Reader) { assert.Equal(f, s, r.Head(), "a commit that no hub sees takes no place") })
}

func unknown(f *fixture) {
	_, err := f.read(planRef("a"))
	assert.ErrorIs(f, err, store.ErrNotFound)
	a, b := f.putOne(Plan("a", "one")), f.putOne(Plan("b", "one"))
	f.putOne(Plan("b", "two"))
	_, err = f.read(resource.Ref{Type: "Goal", ID: "a"})
	assert.ErrorIs(f, err, store.ErrNotFound)
	for _, id := range []string{"", "1", a.VersionID + "0", "0" + a.VersionID, b.VersionID[:len(b.VersionID)-1] + "2", "x' OR 1"} {
		_, err = f.vread(planRef("a"), id)
		assert.ErrorIs(f, err, store.ErrNotFound, id)
	}
	f.update(func(w store.Writer) {
		_, err := w.Delete(owner, planRef("c"))
		assert.ErrorIs(f, err, store.ErrNotFound)
		assert.ErrorIs(f, w.Mask(planRef("c")), store.ErrNotFound)
	})
}

func vread(f *fixture) {
	one := f.putOne(Plan("a", "one"))
	two := f.putOne(Plan("a", "two"))
	for _, want := range []store.Version{one, two} {
		got, err := f.vread(planRef("a"), want.VersionID)
		require.NoError(f, err)
		assert.Equal(f, want, got)
	}
	epoch := strings.TrimSuffix(one.VersionID, "-1")
	for _, none := range []string{"", "1", "-1", epoch, epoch + "-", epoch + "-01", epoch + "-+1", epoch + "-0x1", epoch + "-3", "x" + one.VersionID,
		one.VersionID + " ", epoch + "-99999999999999999999", strings.ToUpper(epoch) + "X-1"} {
		_, err := f.vread(planRef("a"), none)
		assert.ErrorIs(f, err, store.ErrNotFound, "%q", none)
	}
}

func deleteHides(f *fixture) {
	one := f.putOne(Plan("a", "one"), code("status", "s", "active"))
	two := f.putOne(Plan("a", "two"), code("status", "s", "active"))
	bound := two.Seq
	var gone store.Version
	f.update(func(w store.Writer) {
		var err error
		gone, err = w.Delete(owner, planRef("a"))
		require.NoError(f, err)
		again, err := w.Delete(owner, planRef("a"))
		require.NoError(f, err)
		assert.Equal(f, gone, again)
	})
	assert.True(f, gone.Deleted)
	assert.EqualValues(f, 3, gone.Number)
	assert.Nil(f, gone.Body)
	_, err := f.read(planRef("a"))
	assert.ErrorIs(f, err, store.ErrGone)
	for _, v := range []store.Version{one, two, gone} {
		_, err := f.vread(planRef("a"), v.VersionID)
		assert.ErrorIs(f, err, store.ErrGone)
	}
	for _, q := range []store.HistoryQuery{{}, {Type: "CarePlan"}, {Type: "CarePlan", ID: "a"}} {
		q.Count = 10
		p := f.history(q)
		assert.Equal(f, []store.Version{gone}, p.Versions, "one DELETE entry")
		assert.Equal(f, 1, p.Total)
		q.UpTo = bound
		assert.Empty(f, f.history(q).Versions, "an old token shows nothing hidden")
	}
	for _, upTo := range []int64{0, bound} {
		for _, m := range [][]searchparam.Condition{nil, {is("status", "s", "active")}, {is("_id", "", "a")}} {
			p := f.search(store.Query{Type: "CarePlan", Match: m, UpTo: upTo, Count: 10})
			assert.Empty(f, p.Versions)
			assert.Zero(f, p.Total)
		}
	}
}

func agreedAgain(f *fixture) {
	f.putOne(Plan("a", "one"))
	f.update(func(w store.Writer) {
		_, err := w.Delete(owner, planRef("a"))
		require.NoError(f, err)
	})
	v := f.putOne(Plan("a", "one"), code("status", "s", "active"))
	assert.EqualValues(f, 3, v.Number)
	got, err := f.read(planRef("a"))
	require.NoError(f, err)
	assert.Equal(f, v, got)
	h := f.history(store.HistoryQuery{Type: "CarePlan", ID: "a", Count: 10})
	require.Len(f, h.Versions, 2, "the first version stays hidden")
	assert.True(f, h.Versions[1].Deleted)
	assert.Equal(f, []string{"a"}, ids(f.search(query(is("status", "s", "active")))))
}

func maskHides(f *fixture) {
	one := f.putOne(Plan("a", "one"), code("status", "s", "active"))
	var two store.Version
	f.update(func(w store.Writer) {
		two = f.put(w, Plan("a", "masked"), code("status", "s", "entered-in-error"))
		require.NoError(f, w.Mask(planRef("a")))
	})
	got, err := f.read(planRef("a"))
	require.NoError(f, err)
	assert.Equal(f, two, got)
	_, err = f.vread(planRef("a"), one.VersionID)
	assert.ErrorIs(f, err, store.ErrGone)
	assert.Equal(f, []store.Version{two}, f.history(store.HistoryQuery{Count: 10}).Versions)
	q := query(is("status", "s", "active"))
	q.UpTo = one.Seq
	assert.Empty(f, f.search(q).Versions, "under an old bound too")
}

func otherOwner(f *fixture) {
	f.putOne(Plan("a", "one"))
	for _, o := range []store.Owner{{Clinic: "south", Patient: owner.Patient}, {Clinic: owner.Clinic, Patient: "mrn|2"}} {
		for name, change := range map[string]func(w store.Writer) error{
			"put":    func(w store.Writer) error { _, err := w.Put(o, "", Checked(f, Plan("a", "two")), nil); return err },
			"same":   func(w store.Writer) error { _, err := w.Put(o, "", Checked(f, Plan("a", "one")), nil); return err },
			"delete": func(w store.Writer) error { _, err := w.Delete(o, planRef("a")); return err },
		} {
			f.refused(name, change)
		}
	}
	v, err := f.read(planRef("a"))
	require.NoError(f, err)
	assert.EqualValues(f, 1, v.Number)
}

// refused runs a misuse, whose transaction must not be stored even if its
// error is dropped.
func (f *fixture) refused(name string, change func(w store.Writer) error) {
	f.Helper()
	err := f.store.Update(f.ctx, func(w store.Writer) error {
		if _, err := w.Stamp(f.now); err != nil {
			return err
		}
		if _, err := w.Put(owner, "", Checked(f, Plan("with", "it")), nil); err != nil {
			return err
		}
		assert.Error(f, change(w), name)
		return nil
	})
	assert.ErrorIs(f, err, store.ErrUnavailable, name)
	_, err = f.read(planRef("with"))
	assert.ErrorIs(f, err, store.ErrNotFound, name)
}

func unstamped(f *fixture) {
	err := f.store.Update(f.ctx, func(w store.Writer) error {
		_, err := w.Put(owner, "", Checked(f, Plan("a", "one")), nil)
		return err
	})
	assert.ErrorIs(f, err, store.ErrUnavailable)
	_, err = f.read(planRef("a"))
	assert.ErrorIs(f, err, store.ErrNotFound)
}

func unchecked(f *fixture) {
	f.refused("zero", func(w store.Writer) error { _, err := w.Put(owner, "", validate.Checked{}, nil); return err })
}

func owned(f *fixture) {
	contents := []string{
		Plan("a", "one"),
		// Members out of order, spaces, and a meta of its own.
		`{"resourceType":"CarePlan", "id":"b","status":"active","intent":"plan","subject":{"reference":"Patient/p"},` + narrative + `}`,
		`{"id":"c","intent":"plan","meta":{"source":"urn:x?a=1&b=2"},"resourceType":"CarePlan","status":"active","subject":{"reference":"Patient/p"},` + narrative + `}`,
		`{"id":"d","intent":"plan","meta":{"source":"urn:y"},"resourceType":"CarePlan","status":"active","subject":{"reference":"Patient/p"},` + narrative + `}`,
	}
	f.update(func(w store.Writer) {
		for _, c := range contents {
			f.put(w, c)
		}
		f.put(w, Plan("e", "gone"))
		_, err := w.Put(store.Owner{Clinic: owner.Clinic}, "", Checked(f, patient("x", 1)), nil)
		require.NoError(f, err)
	})
	var gone store.Version
	f.update(func(w store.Writer) {
		for _, c := range contents {
			assert.EqualValues(f, 1, f.put(w, c).Number, "unchanged: %s", c)
		}
		var err error
		gone, err = w.Delete(owner, planRef("e"))
		require.NoError(f, err)
		_, err = w.Put(owner, "moved", Checked(f, contents[0]), nil)
		require.NoError(f, err)
	})
	f.view(func(r store.Reader) {
		hs, err := r.Owned(owner)
		require.NoError(f, err)
		require.Len(f, hs, 5)
		for i, c := range contents {
			assert.Equal(f, c, string(hs[i].Content.JSON()))
			assert.Equal(f, hs[i].Ref, hs[i].Content.Ref())
			assert.EqualValues(f, 1, hs[i].Version)
		}
		assert.Equal(f, "moved", hs[0].Case)
		assert.Equal(f, "case", hs[1].Case)
		assert.Equal(f, store.Held{Ref: planRef("e"), Case: "case", Version: 2, VersionID: gone.VersionID, Deleted: true}, hs[4])
		clinic, err := r.Owned(store.Owner{Clinic: owner.Clinic})
		require.NoError(f, err)
		require.Len(f, clinic, 1)
		assert.Equal(f, "x", clinic[0].Ref.ID)
	})
}

func exists(f *fixture) {
	f.putOne(Plan("a", "one"))
	f.putOne(Plan("b", "one"))
	f.update(func(w store.Writer) {
		_, err := w.Delete(owner, planRef("b"))
		require.NoError(f, err)
	})
	f.view(func(r store.Reader) {
		for id, want := range map[string]bool{"a": true, "b": false, "c": false} {
			got, err := r.Exists(planRef(id))
			require.NoError(f, err)
			assert.Equal(f, want, got, id)
		}
	})
}
