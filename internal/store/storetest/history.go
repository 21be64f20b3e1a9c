package storetest

import (
	"fmt"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
)

var historyTests = []test{
	{"NewestFirst", historyOrder},
	{"PagesUnderABoundStandStill", historyPages},
	{"SinceIncludesTheInstant", historySince},
	{"OfAnUnknownResourceIsNotFound", historyUnknown},
	{"OfNothing", historyEmpty},
}

// names gives each version as "id.number".
func names(vs []store.Version) []string {
	out := []string{}
	for _, v := range vs {
		out = append(out, fmt.Sprintf("%s.%d", v.Ref.ID, v.Number))
	}
	return out
}

func historyOrder(f *fixture) {
	f.putOne(Plan("a", "1"))
	f.putOne(patient("p", 1))
	f.update(func(w store.Writer) {
		f.put(w, Plan("b", "1"))
		f.put(w, Plan("a", "2"))
		f.put(w, patient("p", 2))
	})
	all := f.history(store.HistoryQuery{Count: 10})
	assert.Equal(f, []string{"p.2", "b.1", "a.2", "p.1", "a.1"}, names(all.Versions))
	assert.Equal(f, 5, all.Total)
	assert.Equal(f, []string{"b.1", "a.2", "a.1"}, names(f.history(store.HistoryQuery{Type: "CarePlan", Count: 10}).Versions))
	assert.Equal(f, []string{"a.2", "a.1"}, names(f.history(store.HistoryQuery{Type: "CarePlan", ID: "a", Count: 10}).Versions))
	for i := 1; i < len(all.Versions); i++ {
		assert.LessOrEqual(f, all.Versions[i].Seq, all.Versions[i-1].Seq)
		assert.False(f, all.Versions[i].LastUpdated.After(all.Versions[i-1].LastUpdated))
	}
}

func historyPages(f *fixture) {
	for i := range 4 {
		f.update(func(w store.Writer) {
			f.put(w, Plan("a", fmt.Sprint(i)))
			f.put(w, Plan("b", fmt.Sprint(i)))
			f.put(w, patient("p", i))
		})
	}
	for _, q := range []store.HistoryQuery{{}, {Type: "CarePlan"}, {Type: "CarePlan", ID: "a"}} {
		q.Count = 1000
		whole := f.history(q)
		for _, count := range []int{1, 2, 5} {
			q := q
			q.Count = count
			var got []string
			for more := true; more; {
				p := f.history(q)
				assert.Equal(f, whole.Total, p.Total)
				got = append(got, names(p.Versions)...)
				if more = p.More; more {
					q.After, q.UpTo = keyOf(p.Versions[len(p.Versions)-1]), whole.UpTo
					f.putOne(Plan("a", fmt.Sprint("x", len(got), count, q.Type, q.ID)))
				}
			}
			assert.Equal(f, names(whole.Versions), got)
			q.UpTo = 0
			whole = f.history(store.HistoryQuery{Type: q.Type, ID: q.ID, Count: 1000})
		}
	}
}

// R4 http.html#history, _since: created at or after the instant.
func historySince(f *fixture) {
	f.putOne(Plan("a", "1"))
	two := f.putOne(Plan("a", "2"))
	f.putOne(Plan("a", "3"))
	for _, c := range []struct {
		since time.Time
		want  []string
	}{
		{two.LastUpdated, []string{"a.3", "a.2"}},
		{two.LastUpdated.Add(time.Microsecond), []string{"a.3"}},
		{two.LastUpdated.Add(time.Hour), []string{}},
		{two.LastUpdated.Add(-time.Hour), []string{"a.3", "a.2", "a.1"}},
	} {
		for _, q := range []store.HistoryQuery{{}, {Type: "CarePlan"}, {Type: "CarePlan", ID: "a"}} {
			q.Since, q.Count = c.since, 10
			p := f.history(q)
			assert.Equal(f, c.want, names(p.Versions))
			assert.Equal(f, len(c.want), p.Total)
		}
	}
}

func historyUnknown(f *fixture) {
	f.putOne(Plan("a", "1"))
	f.view(func(r store.Reader) {
		_, err := r.History(store.HistoryQuery{Type: "CarePlan", ID: "b", Count: 10})
		assert.ErrorIs(f, err, store.ErrNotFound)
	})
}

func historyEmpty(f *fixture) {
	p := f.history(store.HistoryQuery{Count: 10})
	assert.Empty(f, p.Versions)
	assert.Zero(f, p.Total)
	assert.NotEmpty(f, p.Epoch)
	assert.False(f, p.More)
	f.view(func(r store.Reader) {
		require.Zero(f, r.Head().Seq)
		require.True(f, r.Head().LastUpdated.IsZero())
	})
}
