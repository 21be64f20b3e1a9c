package storetest

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// runModel drives a store and a model, a plain list of versions, through the
// same random commits, with searches and histories walked page by page in
// between, and compares every answer. What a condition means is
// searchparam.Condition.Holds; the store's index has no part in the model.
func runModel(t *testing.T, open Factory) {
	rapid.Check(t, func(rt *rapid.T) {
		s := open(t)
		m := &model{t: t, store: s, now: t0}
		require.NoError(t, s.View(t.Context(), func(r store.Reader) error { m.epoch = r.Head().Epoch; return nil }))
		rt.Repeat(map[string]func(*rapid.T){
			"commit":  m.commit,
			"search":  m.startSearch,
			"history": m.startHistory,
			"page":    m.nextPage,
			"read":    m.read,
		})
		require.NoError(t, s.Close())
	})
}

// model is what a store should hold.
type model struct {
	t        testing.TB
	store    store.Store
	epoch    string
	now      time.Time
	head     store.Stamp
	versions []modelVersion
	walks    []*walk
}

type modelVersion struct {
	store.Version
	content string
	rows    []searchparam.Row
	hidden  bool
}

// walk is a search or history under way.
type walk struct {
	search  *store.Query
	history *store.HistoryQuery
	upTo    int64
	after   *store.Key
}

func (m *model) update(rt *rapid.T, fn func(w store.Writer) error) {
	require.NoError(rt, m.store.Update(m.t.Context(), fn))
}

func (m *model) view(rt *rapid.T, fn func(r store.Reader) error) {
	require.NoError(rt, m.store.View(m.t.Context(), fn))
}

var modelRef = rapid.Custom(func(t *rapid.T) resource.Ref {
	return resource.Ref{
		Type: rapid.SampledFrom([]string{"CarePlan", "Patient"}).Draw(t, "type"),
		ID:   rapid.SampledFrom([]string{"a", "b", "c", "d"}).Draw(t, "id"),
	}
})

// commit makes a transaction of some changes, with the clock going on,
// standing or back.
func (m *model) commit(rt *rapid.T) {
	m.now = m.now.Add(time.Duration(rapid.IntRange(-2000, 3000).Draw(rt, "clock")) * time.Microsecond)
	m.update(rt, func(w store.Writer) error {
		s, err := w.Stamp(m.now)
		require.NoError(rt, err)
		require.Equal(rt, m.head.Seq+1, s.Seq)
		require.True(rt, s.LastUpdated.After(m.head.LastUpdated))
		m.head = s
		for range rapid.IntRange(1, 4).Draw(rt, "changes") {
			m.change(rt, w)
		}
		return nil
	})
}

func (m *model) change(rt *rapid.T, w store.Writer) {
	ref := modelRef.Draw(rt, "ref")
	switch rapid.SampledFrom([]string{"put", "put", "put", "put", "delete", "mask"}).Draw(rt, "change") {
	case "put":
		m.put(rt, w, ref)
	case "delete":
		m.delete(rt, w, ref)
	case "mask":
		err := w.Mask(ref)
		if m.current(ref) == nil {
			require.ErrorIs(rt, err, store.ErrNotFound)
			return
		}
		require.NoError(rt, err)
		m.hideBefore(ref)
	}
}

func (m *model) put(rt *rapid.T, w store.Writer, ref resource.Ref) {
	n := rapid.IntRange(0, 3).Draw(rt, "content")
	content := Plan(ref.ID, fmt.Sprint(n))
	if ref.Type == "Patient" {
		content = patient(ref.ID, n)
	}
	rows := modelRows.Draw(rt, "rows")
	got, err := w.Put(owner, "", Checked(m.t, content), rows)
	require.NoError(rt, err)
	if cur := m.current(ref); cur != nil && !cur.Deleted && cur.content == content {
		require.Equal(rt, cur.Version, got)
		return
	}
	m.add(rt, modelVersion{Version: got, content: content, rows: rows}, ref, false)
	require.NotEmpty(rt, got.Body)
}

func (m *model) delete(rt *rapid.T, w store.Writer, ref resource.Ref) {
	got, err := w.Delete(owner, ref)
	cur := m.current(ref)
	switch {
	case cur == nil:
		require.ErrorIs(rt, err, store.ErrNotFound)
		return
	case cur.Deleted:
		require.Equal(rt, cur.Version, got)
		return
	}
	require.NoError(rt, err)
	m.add(rt, modelVersion{Version: got}, ref, true)
	m.hideBefore(ref)
}

// add checks and keeps a version that the store made.
func (m *model) add(rt *rapid.T, v modelVersion, ref resource.Ref, deleted bool) {
	number := int64(1)
	if cur := m.current(ref); cur != nil {
		number = cur.Number + 1
		if cur.Seq == m.head.Seq { // replaced in its own transaction
			number = cur.Number
			m.versions = slices.DeleteFunc(m.versions, func(x modelVersion) bool { return x.Ref == ref && x.Number == number })
		}
	}
	require.Equal(rt, store.Version{
		Ref: ref, Number: number, VersionID: fmt.Sprintf("%s-%d", m.epoch, number), Seq: m.head.Seq,
		LastUpdated: m.head.LastUpdated, Deleted: deleted, First: number == 1, Body: v.Body,
	}, v.Version)
	m.versions = append(m.versions, v)
}

// current is the last version of a resource, nil when there is none.
func (m *model) current(ref resource.Ref) *modelVersion {
	for i := len(m.versions) - 1; i >= 0; i-- {
		if m.versions[i].Ref == ref {
			return &m.versions[i]
		}
	}
	return nil
}

func (m *model) hideBefore(ref resource.Ref) {
	n := m.current(ref).Number
	for i := range m.versions {
		if m.versions[i].Ref == ref && m.versions[i].Number < n {
			m.versions[i].hidden = true
		}
	}
}

func (m *model) startSearch(rt *rapid.T) {
	q := store.Query{
		Type:      rapid.SampledFrom([]string{"CarePlan", "Patient"}).Draw(rt, "type"),
		Match:     rapid.SliceOfN(m.condition(0), 0, 2).Draw(rt, "match"),
		Ascending: rapid.Bool().Draw(rt, "ascending"),
		Sort:      rapid.SliceOfN(modelSort, 0, 2).Draw(rt, "sort"),
		Count:     rapid.IntRange(1, 3).Draw(rt, "count"),
	}
	m.walks = append(m.walks, &walk{search: &q})
	m.page(rt, len(m.walks)-1)
}

func (m *model) startHistory(rt *rapid.T) {
	q := store.HistoryQuery{Count: rapid.IntRange(1, 3).Draw(rt, "count"), NoTotal: rapid.Bool().Draw(rt, "noTotal")}
	if rapid.Bool().Draw(rt, "ofType") {
		q.Type = "CarePlan"
	}
	if rapid.Bool().Draw(rt, "since") {
		q.Since = m.instant().Draw(rt, "instant")
	}
	m.walks = append(m.walks, &walk{history: &q})
	m.page(rt, len(m.walks)-1)
}

func (m *model) nextPage(rt *rapid.T) {
	if len(m.walks) == 0 {
		rt.Skip("no walk under way")
	}
	m.page(rt, rapid.IntRange(0, len(m.walks)-1).Draw(rt, "walk"))
}

// page reads the next page of a walk and compares it with the model's: what
// stood under the bound, less what was hidden since.
func (m *model) page(rt *rapid.T, i int) {
	wk := m.walks[i]
	var got store.Page
	m.view(rt, func(r store.Reader) (err error) {
		if wk.search != nil {
			q := *wk.search
			q.UpTo, q.After, q.Epoch = wk.upTo, wk.after, m.epoch
			got, err = r.Search(q)
			return err
		}
		q := *wk.history
		q.UpTo, q.After, q.Epoch = wk.upTo, wk.after, m.epoch
		got, err = r.History(q)
		return err
	})
	if wk.upTo == 0 {
		wk.upTo = m.head.Seq // 0 again while the store is empty: now
	}
	want, count := m.expected(wk)
	total := len(want)
	if wk.history != nil && wk.history.NoTotal {
		total = 0
	}
	require.Equal(rt, total, got.Total)
	require.Equal(rt, wk.upTo, got.UpTo)
	rest := want
	if wk.after != nil {
		rest = slices.DeleteFunc(slices.Clone(want), func(v store.Version) bool { return m.order(wk, v, *wk.after) <= 0 })
	}
	m.back(rt, wk, want[:len(want)-len(rest)])
	require.Equal(rt, len(rest) > count, got.More)
	rest = rest[:min(count, len(rest))]
	require.Equal(rt, names(rest), names(got.Versions))
	if len(rest) > 0 {
		require.Equal(rt, rest, got.Versions)
	}
	if !got.More {
		m.walks = slices.Delete(m.walks, i, i+1)
		return
	}
	wk.after = keyOf(rest[len(rest)-1])
	if wk.search != nil {
		wk.after = &got.Keys[len(got.Keys)-1]
	}
}

// back reads a search the other way round from where it stands.
func (m *model) back(rt *rapid.T, wk *walk, before []store.Version) {
	if wk.search == nil || wk.after == nil {
		return
	}
	q := *wk.search
	q.UpTo, q.After, q.Epoch, q.Reverse, q.Count = wk.upTo, wk.after, m.epoch, true, 100
	before = slices.DeleteFunc(slices.Clone(before), func(v store.Version) bool { return m.order(wk, v, *wk.after) == 0 })
	slices.Reverse(before)
	m.view(rt, func(r store.Reader) error {
		got, err := r.Search(q)
		require.Equal(rt, names(before), names(got.Versions))
		return err
	})
}

// order compares a version with a key in the order of the walk.
func (m *model) order(wk *walk, v store.Version, k store.Key) int {
	if wk.search != nil {
		for i, s := range wk.search.Sort {
			a, b := m.sortValue(v, s), k.Sort[i]
			missing := func(v store.SortValue) int {
				if v.Int == nil && v.Text == nil {
					return 1
				}
				return 0
			}
			if c := cmp.Compare(missing(a), missing(b)); c != 0 {
				return c
			}
			c := 0
			switch {
			case a.Int != nil:
				c = cmp.Compare(*a.Int, *b.Int)
			case a.Text != nil:
				c = cmp.Compare(*a.Text, *b.Text)
			}
			if s.Descending {
				c = -c
			}
			if c != 0 {
				return c
			}
		}
	}
	c := cmp.Or(cmp.Compare(v.Seq, k.Seq), cmp.Compare(v.Ref.Type, k.Ref.Type), cmp.Compare(v.Ref.ID, k.Ref.ID))
	if wk.search != nil && wk.search.Ascending {
		return c
	}
	return -c
}

// sortValue is the least or the greatest of a version's values.
func (m *model) sortValue(v store.Version, k store.SortKey) (out store.SortValue) {
	switch k.Param {
	case "_id":
		return store.SortValue{Text: &v.Ref.ID}
	case "_lastUpdated":
		return store.SortValue{Int: &v.Seq}
	}
	i := slices.IndexFunc(m.versions, func(x modelVersion) bool { return x.Ref == v.Ref && x.Number == v.Number })
	for _, r := range m.versions[i].rows {
		if r.Param != k.Param {
			continue
		}
		if r.Kind == searchparam.Date {
			n := int64(math.MinInt64)
			if !r.Lo.IsZero() {
				n = r.Lo.UnixMicro()
			}
			if k.Descending {
				if n = math.MaxInt64; !r.Hi.IsZero() {
					n = r.Hi.UnixMicro()
				}
			}
			if out.Int == nil || k.Descending == (n > *out.Int) {
				out.Int = &n
			}
			continue
		}
		s := r.Code
		switch r.Kind {
		case searchparam.String:
			s = r.Text
		case searchparam.Quantity:
			s = r.Number
		}
		if out.Text == nil || k.Descending == (s > *out.Text) {
			out.Text = &s
		}
	}
	return out
}

// keyOf is the key of a version in a walk.
func (m *model) keyOf(wk *walk, v store.Version) store.Key {
	k := *keyOf(v)
	if wk.search != nil {
		for _, s := range wk.search.Sort {
			k.Sort = append(k.Sort, m.sortValue(v, s))
		}
	}
	return k
}

// expected is the whole walk as the model has it now.
func (m *model) expected(wk *walk) (out []store.Version, count int) {
	for _, v := range m.versions {
		switch {
		case v.Seq > wk.upTo || v.hidden:
		case wk.history != nil:
			if (wk.history.Type == "" || wk.history.Type == v.Ref.Type) && !v.LastUpdated.Before(wk.history.Since) {
				told := v.Version
				told.Revived = m.revived(v)
				out = append(out, told)
			}
		case v.Ref.Type == wk.search.Type && !v.Deleted && m.latest(v, wk.upTo) && m.holds(v, wk.search.Match, wk.upTo):
			out = append(out, v.Version)
		}
	}
	slices.SortFunc(out, func(a, b store.Version) int { return m.order(wk, a, m.keyOf(wk, b)) })
	if wk.history != nil {
		return out, wk.history.Count
	}
	return out, wk.search.Count
}

// latest reports whether no later version of the resource stands under the
// bound.
func (m *model) latest(v modelVersion, upTo int64) bool {
	return !slices.ContainsFunc(m.versions, func(x modelVersion) bool {
		return x.Ref == v.Ref && x.Number > v.Number && x.Seq <= upTo
	})
}

// revived reports whether the version before it is a DELETE entry.
func (m *model) revived(v modelVersion) bool {
	return slices.ContainsFunc(m.versions, func(x modelVersion) bool {
		return x.Ref == v.Ref && x.Number == v.Number-1 && x.Deleted
	})
}

// indexed is every row of a version.
func (v modelVersion) indexed() []searchparam.Row {
	return append([]searchparam.Row{
		{Param: "_id", Kind: searchparam.Token, Code: v.Ref.ID},
		{Param: "_lastUpdated", Kind: searchparam.Date, Lo: v.LastUpdated, Hi: v.LastUpdated.Add(time.Millisecond)},
	}, v.rows...)
}

func (m *model) holds(v modelVersion, match []searchparam.Condition, upTo int64) bool {
	target := func(ref string) []searchparam.Row {
		for _, x := range m.versions {
			if x.Ref.String() == ref && x.Seq <= upTo && !x.Deleted && !x.hidden && m.latest(x, upTo) {
				return x.indexed()
			}
		}
		return nil
	}
	for _, c := range match {
		if !c.Holds(v.indexed(), target) {
			return false
		}
	}
	return true
}

// read compares what is read of one resource, each version of it too.
func (m *model) read(rt *rapid.T) {
	ref := modelRef.Draw(rt, "ref")
	m.view(rt, func(r store.Reader) error {
		require.Equal(rt, m.head.Seq, r.Head().Seq)
		got, err := r.Read(ref)
		cur := m.current(ref)
		if cur == nil {
			require.ErrorIs(rt, err, store.ErrNotFound)
			return nil
		}
		m.same(rt, *cur, got, err)
		for _, v := range m.versions {
			if v.Ref == ref {
				got, err := r.VRead(ref, v.VersionID)
				m.same(rt, v, got, err)
			}
		}
		return nil
	})
}

func (m *model) same(rt *rapid.T, want modelVersion, got store.Version, err error) {
	if want.Deleted || want.hidden {
		require.ErrorIs(rt, err, store.ErrGone)
		return
	}
	require.NoError(rt, err)
	require.Equal(rt, want.Version, got)
}
