package storetest

import (
	"slices"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

var scopeTests = []test{
	{"ShowsItsClinicsAlone", scopeShows},
	{"HidesHistoryAndCounts", scopeHistory},
	{"OfNothingShowsNothing", scopeOfNothing},
}

var (
	planOf  = searchparam.Row{Param: "status", Kind: searchparam.Token, System: "urn:s", Code: "active"}
	actives = []searchparam.Condition{{Param: "status", Kind: searchparam.Token, Any: []searchparam.Alternative{{System: "urn:s", Code: "active"}}}}
)

// twoClinics puts plans n1 and n2 of one clinic and s1 of another, s1 twice.
// It gives the id of the first version of each.
func (f *fixture) twoClinics() map[string]string {
	f.Helper()
	first := map[string]string{}
	put := func(o store.Owner, id, title string) {
		f.update(func(w store.Writer) {
			v, err := w.Put(o, "case", Checked(f, Plan(id, title)), []searchparam.Row{planOf})
			require.NoError(f, err)
			if v.First {
				first[id] = v.VersionID
			}
		})
	}
	put(owner, "n1", "a")
	put(south, "s1", "a")
	put(owner, "n2", "a")
	put(south, "s1", "b")
	return first
}

// within runs fn on what a snapshot shows of some clinics.
func (f *fixture) within(fn func(store.Published), clinics ...string) {
	f.Helper()
	f.view(func(r store.Reader) { fn(r.Within(store.Scope{Clinics: clinics})) })
}

func scopeShows(f *fixture) {
	first := f.twoClinics()
	for _, c := range []struct {
		clinics []string
		shown   []string
	}{
		{[]string{"north"}, []string{"n1", "n2"}},
		{[]string{"south"}, []string{"s1"}},
		{[]string{"north", "south"}, []string{"n1", "n2", "s1"}},
		{[]string{"elsewhere"}, []string{}},
	} {
		f.within(func(p store.Published) {
			for _, match := range [][]searchparam.Condition{nil, actives} {
				page, err := p.Search(store.Query{Type: "CarePlan", Match: match, Ascending: true, Count: 10})
				require.NoError(f, err)
				assert.Equal(f, c.shown, ids(page), c.clinics)
				assert.Equal(f, len(c.shown), page.Total, c.clinics)
			}
			for _, id := range []string{"n1", "n2", "s1"} {
				v, err := p.Read(planRef(id))
				_, vErr := p.VRead(planRef(id), first[id])
				_, hErr := p.History(store.HistoryQuery{Type: "CarePlan", ID: id, Count: 10})
				if !assert.Equal(f, slices.Contains(c.shown, id), err == nil, "%v %s", c.clinics, id) || err != nil {
					assert.ErrorIs(f, err, store.ErrNotFound)
					assert.ErrorIs(f, vErr, store.ErrNotFound)
					assert.ErrorIs(f, hErr, store.ErrNotFound)
					assert.Zero(f, v.Ref)
					continue
				}
				require.NoError(f, hErr)
				v, err = p.VRead(planRef(id), v.VersionID)
				require.NoError(f, err)
				assert.Equal(f, planRef(id), v.Ref)
			}
		}, c.clinics...)
	}
}

func scopeHistory(f *fixture) {
	f.twoClinics()
	f.update(func(w store.Writer) {
		_, err := w.Delete(south, planRef("s1"))
		require.NoError(f, err)
	})
	for clinic, want := range map[string][]string{"north": {"n2.1", "n1.1"}, "south": {"s1.3"}} {
		f.within(func(p store.Published) {
			for _, q := range []store.HistoryQuery{{}, {Type: "CarePlan"}} {
				q.Count = 10
				page, err := p.History(q)
				require.NoError(f, err)
				assert.Equal(f, want, names(page.Versions), clinic)
				assert.Equal(f, len(want), page.Total, clinic)
			}
			_, err := p.Read(planRef("s1"))
			if clinic == "south" {
				assert.ErrorIs(f, err, store.ErrGone)
			} else {
				assert.ErrorIs(f, err, store.ErrNotFound, "that it was withdrawn is not told either")
			}
		}, clinic)
	}
}

func scopeOfNothing(f *fixture) {
	f.twoClinics()
	f.within(func(p store.Published) {
		page, err := p.Search(store.Query{Type: "CarePlan", Count: 10})
		require.NoError(f, err)
		assert.Empty(f, page.Versions)
		assert.Zero(f, page.Total)
		_, err = p.Read(resource.Ref{Type: "CarePlan", ID: "n1"})
		assert.ErrorIs(f, err, store.ErrNotFound)
	})
}
