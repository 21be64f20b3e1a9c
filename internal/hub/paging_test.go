package hub

import (
	"encoding/base64"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
)

func httptestRequest(w *world, method, path, rawQuery string) *http.Request {
	r := httptest.NewRequestWithContext(w.Context(), method, path, http.NoBody)
	r.URL.RawQuery = rawQuery
	return r
}

// many commits n plans, three to a transaction, so that pages cut commits.
func many(t *testing.T, n int) *world {
	w := newWorld(t)
	for i := 0; i < n; i += 3 {
		var batch []string
		for j := i; j < min(i+3, n); j++ {
			batch = append(batch, plan(fmt.Sprintf("c%03d", j), "p1", "active"))
		}
		w.commit(batch...)
	}
	return w
}

// walk follows next links to the end; between runs before each step.
func (w *world) walk(path string, between func(page int)) []bundleJSON {
	w.Helper()
	out := []bundleJSON{w.get(path).bundle()}
	for {
		next := out[len(out)-1].link("next")
		if next == "" {
			return out
		}
		require.Less(w, len(out), 1000, "the walk does not end")
		between(len(out))
		out = append(out, w.follow(next).bundle())
	}
}

func idsOf(pages []bundleJSON) []string {
	var out []string
	for _, p := range pages {
		out = append(out, p.ids()...)
	}
	return out
}

// R-PAGE-01, R-PAGE-02, R-PAGE-05, R-PAGE-08, R-PAGE-12: pages of at most
// _count, in both orders, forth and back, with one total.
func TestR_PAGE_01_05_08_12_Walk(t *testing.T) {
	w := many(t, 25)
	for _, sort := range []string{"", "&_sort=_lastUpdated", "&_sort=-_lastUpdated"} {
		pages := w.walk("/CarePlan?patient=p1&_count=7&_total=accurate"+sort, func(int) {})
		require.Len(t, pages, 4)
		ids := idsOf(pages)
		assert.Len(t, ids, 25)
		sorted := slices.Clone(ids)
		slices.Sort(sorted)
		assert.Len(t, slices.Compact(sorted), 25)
		if sort == "&_sort=_lastUpdated" {
			assert.True(t, slices.IsSorted(ids), ids)
		}
		assert.Empty(t, pages[0].link("previous"))
		for i, p := range pages {
			assert.LessOrEqual(t, len(p.Entry), 7)
			assert.Equal(t, 25, *p.Total)
			assert.Equal(t, pages[0].link("self"), strings.Split(p.link("self"), "&_page=")[0])
			assert.Equal(t, p.ids(), w.follow(p.link("self")).bundle().ids(), "self of page %d", i)
		}
		// Back again.
		back := pages[3]
		for i := 2; i >= 0; i-- {
			back = w.follow(back.link("previous")).bundle()
			assert.Equal(t, pages[i].ids(), back.ids(), "page %d", i)
			assert.Equal(t, i > 0, back.link("previous") != "", "page %d", i)
			assert.Equal(t, pages[i+1].ids(), w.follow(back.link("next")).bundle().ids())
		}
	}
}

// R-PAGE-12, R-PAGE-13: matches are counted where that is asked for; else the
// total is told where it shows by itself, on a first page that is the whole answer.
func TestR_PAGE_12_13_TotalsAreAskedFor(t *testing.T) {
	w := many(t, 9)
	for query, want := range map[string]any{
		"_count=3": nil, "_count=3&_total=none": nil, "_total=none": nil, "_count=8": nil,
		"": 9, "_count=9": 9, "_count=3&_total=accurate": 9, "_count=3&_total=estimate": 9, "_count=0": 9, "_summary=count": 9,
		"_id=c001": 1, "_id=none": 0,
	} {
		total := w.get("/CarePlan?" + query).bundle().Total
		if want == nil {
			assert.Nil(t, total, query)
		} else if assert.NotNil(t, total, query) {
			assert.Equal(t, want, *total, query)
		}
	}
	pages := w.walk("/CarePlan?_count=8", func(int) {})
	require.Len(t, pages, 2)
	assert.Nil(t, pages[1].Total, "the last page is not the whole answer")
	assert.Nil(t, w.follow(pages[1].link("previous")).bundle().Total)
}

// R-PAGE-07, R-HIST-11: while others write, a walk gives every resource that
// did not change exactly once, and nothing that came later.
func TestR_PAGE_07_StableUnderWrites(t *testing.T) {
	for _, sort := range []string{"", "&_sort=_lastUpdated"} {
		w := many(t, 60)
		random := rand.New(rand.NewPCG(1, 2))
		changed := map[string]bool{}
		pages := w.walk("/CarePlan?status=active,completed&_count=7"+sort, func(page int) {
			for range 3 {
				id := fmt.Sprintf("c%03d", random.IntN(60))
				changed[id] = true
				w.commit(plan(id, "p1", "completed"), plan(fmt.Sprintf("n%d-%d", page, random.IntN(1e9)), "p1", "active"))
			}
		})
		times := map[string]int{}
		for _, id := range idsOf(pages) {
			times[id]++
			assert.False(t, strings.HasPrefix(id, "n"), "came later: %s", id)
		}
		for i := range 60 {
			id := fmt.Sprintf("c%03d", i)
			assert.LessOrEqual(t, times[id], 1, id)
			if !changed[id] {
				assert.Equal(t, 1, times[id], id)
			}
		}
	}
}

// D3.1 within a walk: what is declined between two pages is on no later page.
func TestD3_1_DeclinedDuringAWalk(t *testing.T) {
	w := many(t, 9)
	pages := w.walk("/CarePlan?_sort=_lastUpdated&_count=3", func(page int) {
		if page == 1 {
			for _, id := range []string{"c003", "c004", "c005"} {
				w.delete(planRef(id))
			}
		}
	})
	assert.Equal(t, []string{"c000", "c001", "c002", "c006", "c007", "c008"}, idsOf(pages))
}

// R-PAGE-06, R-PAGE-10, R-SEC-08: a link holds a token only, the token shows
// nothing, and a changed one is refused.
func TestR_PAGE_06_10_TokensAreOpaque(t *testing.T) {
	w := many(t, 9)
	w.commit(patient("p1", "Marker", "1950-03-01"))
	b := w.get("/CarePlan?patient=p1&identifier=no-c001,no-c002,no-c003&_count=1").bundle()
	next := b.link("next")
	text, ok := strings.CutPrefix(next, base+"/CarePlan?_page=")
	require.True(t, ok, next)
	assert.NotContains(t, text, "&")
	raw, err := base64.RawURLEncoding.DecodeString(text)
	require.NoError(t, err)
	for _, clear := range []string{"p1", "no-c00", "patient", "CarePlan", "c00"} {
		assert.NotContains(t, string(raw), clear)
	}
	assert.Equal(t, 200, w.get("/CarePlan?_page="+text).Code)
	for i := range len(text) {
		changed := []byte(text)
		changed[i] = 'A' + (changed[i]-'A'+1)%26
		if string(changed) != text {
			w.get("/CarePlan?_page="+string(changed)).failed(400, "invalid")
		}
	}
	for _, bad := range []string{text[1:], text[:len(text)-1], text + "A", "x", escape("ü")} {
		w.get("/CarePlan?_page="+bad).failed(400, "invalid")
	}
	// Of another walk, type or deployment.
	w.get("/Procedure?_page="+text).failed(400, "invalid")
	w.get("/CarePlan/_history?_page="+text).failed(400, "invalid")
	w.get("/CarePlan?_page="+text+"&_page="+text).failed(400, "invalid")
	w.get("/CarePlan?_page="+text+"&status=active").failed(400, "invalid")
	w.handler = w.serve([]byte("another secret of 32 bytes......"))
	w.get("/CarePlan?_page="+text).failed(400, "invalid")
}

// R-PAGE-09, D8.3: tokens outlive a restart; after a restored backup they are
// 410 and say what to do.
func TestD8_3_R_PAGE_09_TokensAndRestores(t *testing.T) {
	w := many(t, 9)
	next := w.get("/CarePlan?_count=4").bundle().link("next")
	change := w.get("/CarePlan/_history?_count=4").bundle().link("next")
	want := w.follow(next).bundle().ids()
	w.handler = w.serve(secret)
	assert.Equal(t, want, w.follow(next).bundle().ids())

	w.store = w.open(t.TempDir(), "e2")
	w.handler = w.serve(secret)
	for _, l := range []string{next, change} {
		o := w.follow(l).failed(410, "processing")
		assert.Contains(t, o.Issue[0].Diagnostics, "start over")
	}
}

// A walk by one meaning of its criteria does not go on by another, and is told to
// start over also while the parameter is withheld, as it is indexed anew; one
// without criteria goes on.
func TestPagesEndWhereParametersChange(t *testing.T) {
	w := many(t, 9)
	found, all := w.get("/CarePlan?status=active&_count=4").bundle().link("next"), w.get("/CarePlan?_count=4").bundle().link("next")
	var withheld searchparam.Offer
	withheld.Withhold([]string{"CarePlan.status"})
	for _, o := range []*searchparam.Offer{nil, &withheld} {
		h, err := New(Options{Store: w.store, BaseURL: base, Secret: secret, Zone: time.FixedZone("another", 3600), Offer: o})
		require.NoError(t, err)
		w.handler = h
		assert.Equal(t, 200, w.follow(all).Code)
		assert.Contains(t, w.follow(found).failed(410, "processing").Issue[0].Diagnostics, "parameters were changed: start over")
	}
}

// The form of the answer that a client names in the query goes along the
// links; criteria do not.
func TestLinksKeepTheFormat(t *testing.T) {
	w := many(t, 6)
	b := w.get("/CarePlan?status=active&_count=2&_format=json", "Accept", "text/html").bundle()
	next := b.link("next")
	assert.NotContains(t, next, "status")
	assert.Contains(t, next, "_format=json")
	path := strings.TrimPrefix(next, base)
	assert.Len(t, w.get(path, "Accept", "text/html").bundle().ids(), 2)
}

// An epoch or a bound from nowhere is never guessed from a token of a store
// without commits.
func TestEmptyStoreHasNoPages(t *testing.T) {
	w := newWorld(t)
	b := w.get("/CarePlan?_count=1").bundle()
	assert.Len(t, b.Link, 1)
	assert.NoError(t, w.store.View(t.Context(), func(r store.Reader) error {
		assert.Zero(t, r.Head().Seq)
		return nil
	}))
}
