package hub

import (
	"encoding/json"
	"fmt"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store/sqlite"
)

// changes lists "method url etag" of a history's entries.
func (b bundleJSON) changes() []string {
	out := []string{}
	for _, e := range b.Entry {
		out = append(out, e.Request.Method+" "+e.Request.URL+" "+e.Response.ETag)
	}
	return out
}

// R-HIST-01, R-HIST-02, R-HIST-03, R-HIST-04, R-HIST-05: instance, type and system
// history, newest first, deletions included, each entry with request and response.
func TestR_HIST_01_02_03_04_05_History(t *testing.T) {
	w := newWorld(t)
	w.commit(patient("p1", "A", "1950"), plan("c1", "p1", "active"))
	w.commit(plan("c1", "p1", "completed"))
	w.commit(plan("c2", "p1", "active"))
	w.delete(planRef("c2"))
	for path, want := range map[string][]string{
		"/CarePlan/c1/_history": {`PUT CarePlan/c1 W/"e1-2"`, `PUT CarePlan/c1 W/"e1-1"`},
		"/CarePlan/_history":    {`DELETE CarePlan/c2 W/"e1-2"`, `PUT CarePlan/c1 W/"e1-2"`, `PUT CarePlan/c1 W/"e1-1"`},
		"/_history":             {`DELETE CarePlan/c2 W/"e1-2"`, `PUT CarePlan/c1 W/"e1-2"`, `PUT Patient/p1 W/"e1-1"`, `PUT CarePlan/c1 W/"e1-1"`},
		"/Procedure/_history":   {},
	} {
		r := w.get(path)
		b := r.bundle()
		assert.Equal(t, "history", b.Type)
		assert.Equal(t, want, b.changes(), path)
		assert.Equal(t, len(want), *b.Total, path)
		assert.Equal(t, base+path, b.link("self"))
		assert.Equal(t, len(want) > 0, strings.Contains(r.Body.String(), `"entry"`))
		last := "9999"
		for _, e := range b.Entry {
			assert.Empty(t, e.Search.Mode)
			assert.LessOrEqual(t, e.Response.LastModified, last)
			last = e.Response.LastModified
			assert.Equal(t, base+"/"+e.Request.URL, e.FullURL)
			checkChange(t, e.Request.Method, e.Response, e.Resource)
		}
	}
	b := w.get("/CarePlan/_history").bundle()
	assert.Equal(t, []string{"204", "200", "201"}, []string{b.Entry[0].Response.Status, b.Entry[1].Response.Status, b.Entry[2].Response.Status})
	w.get("/CarePlan/never/_history").failed(404, "not-found") // R-HIST-14
	w.get("/Nonsense/_history").failed(404, "not-supported")
}

func checkChange(t *testing.T, method string, response *entryResponse, body json.RawMessage) {
	t.Helper()
	if method == http.MethodDelete {
		assert.Empty(t, body)
		return
	}
	var r struct {
		Meta struct{ VersionID, LastUpdated string }
	}
	require.NoError(t, json.Unmarshal(body, &r))
	assert.Equal(t, etag(r.Meta.VersionID), response.ETag)
	assert.Equal(t, r.Meta.LastUpdated, response.LastModified)
}

// R-HIST-06, R-HIST-09, R-HIST-11: every version once, over pages, also those
// of one transaction and while others write.
func TestR_HIST_06_09_11_Pages(t *testing.T) {
	w := newWorld(t)
	var batch []string
	for i := range 40 {
		batch = append(batch, plan(fmt.Sprintf("c%02d", i), "p1", "active"))
	}
	w.commit(batch...)
	for i := range 30 {
		w.commit(plan("c00", "p1", []string{"completed", "active"}[i%2]))
	}
	var all []string
	pages := w.walk("/CarePlan/c00/_history?_count=7", func(int) { w.commit(plan("c00", "p1", "on-hold"), plan("c01", "p1", "on-hold")) })
	for _, p := range pages {
		assert.LessOrEqual(t, len(p.Entry), 7)
		assert.Equal(t, 31, *p.Total)
		all = append(all, p.changes()...)
	}
	assert.Len(t, all, 31)
	slices.Sort(all)
	assert.Len(t, slices.Compact(all), 31)

	all = nil
	n := 0
	for _, p := range w.walk("/_history?_count=10", func(int) { n++; w.commit(titled("c02", "p1", "active", fmt.Sprint(n))) }) {
		all = append(all, p.changes()...)
	}
	total := len(all)
	slices.Sort(all)
	assert.Len(t, slices.Compact(all), total)
	assert.GreaterOrEqual(t, total, 71)
	assert.Empty(t, w.get("/CarePlan/_history?_count=0").bundle().Entry)
}

// R-HIST-07, R-HIST-10: _since is an instant, inclusive, sent once.
func TestR_HIST_07_10_Since(t *testing.T) {
	w := newWorld(t)
	for _, s := range []string{"active", "on-hold", "completed"} {
		w.commit(plan("c1", "p1", s))
	}
	for since, want := range map[string]int{
		"2026-03-02T09:00:02.000Z":        2,
		"2026-03-02T09:00:02.001Z":        1,
		"2026-03-02T10:00:02%2B01:00":     2,
		"2026-03-02T09:00:00Z":            3,
		"2026-03-02T09:00:03.000000001Z":  0,
		"2026-03-02T09:00:01.9999-00:00":  2,
		"2026-03-02T09:00:02Z&_count=500": 2,
	} {
		b := w.get("/CarePlan/c1/_history?_since=" + since).bundle()
		assert.Len(t, b.Entry, want, since)
		assert.Len(t, w.follow(b.link("self")).bundle().Entry, want, since)
	}
	for _, q := range []string{"_since=2026-03-02", "_since=2026-03-02T09:00Z", "_since=2026-03-02T09:00:00", "_since=yesterday",
		"_since=2026-03-02T10:00:02+01:00", "_since=2026-13-02T10:00:02Z", "_count=x"} {
		w.get("/CarePlan/_history?"+q).failed(400, "value")
	}
	w.get("/CarePlan/_history?_since=2026-03-02T09:00:00Z&_since=2026-03-02T09:00:00Z").failed(400, "invalid")
	w.get("/CarePlan/_history?_count=1&_count=1").failed(400, "invalid")
	w.get("/CarePlan/_history?_at=2026").failed(400, "not-supported")
	w.get("/CarePlan/_history?status=active", "Prefer", "handling=lenient").failed(400, "not-supported")
}

// R-HIST-12: a hub that polls from the last instant it saw misses nothing.
func TestR_HIST_12_PollMissesNothing(t *testing.T) {
	w := newWorld(t)
	seen := map[string]bool{}
	since := "2026-01-01T00:00:00Z"
	written := 0
	for i := range 20 {
		for j := range i % 4 {
			w.commit(titled(fmt.Sprintf("c%d", (i+j)%5), "p1", "active", fmt.Sprintf("%d-%d", i, j)))
			written++
		}
		pages := w.walk("/_history?_count=2&_since="+since, func(int) {})
		for _, p := range pages {
			for _, c := range p.changes() {
				seen[c] = true
			}
		}
		if len(pages[0].Entry) > 0 {
			since = pages[0].Entry[0].Response.LastModified
		}
	}
	assert.Len(t, seen, written)
}

// R-HIST-15, R-HTTP-25, R-READ-10: nothing here changes a version.
func TestR_HIST_15_HistoryIsReadOnly(t *testing.T) {
	w := newWorld(t)
	v := w.commit(plan("c1", "p1", "active"))[0]
	for _, m := range []string{http.MethodPut, http.MethodDelete, http.MethodPatch, http.MethodPost} {
		r := w.call(m, "/CarePlan/c1/_history/"+v.VersionID)
		r.failed(405, "not-supported")
		assert.Equal(t, "GET, HEAD", r.Header().Get("Allow"))
	}
	assert.Equal(t, string(v.Body), w.get("/CarePlan/c1/_history/"+v.VersionID).Body.String())
}

// Bundle.total of a history (fhir-requirements, open decision 12; bdl-1): a feed
// is not counted again for each of its pages. It is told of one resource, where
// the first page is the whole walk, and to who asks for no entries.
func TestR_HIST_09_TotalIsToldWhereItIsCheap(t *testing.T) {
	w := many(t, 9)
	w.commit(plan("c000", "p1", "completed"))
	for _, path := range []string{"/CarePlan/_history", "/_history"} {
		for _, p := range w.walk(path+"?_count=4", func(int) {}) {
			assert.Nil(t, p.Total, path)
		}
		for _, count := range []string{"0", "10", "500"} {
			assert.Equal(t, 10, *w.get(path + "?_count=" + count).bundle().Total, path)
		}
	}
	for _, p := range w.walk("/CarePlan/c000/_history?_count=1", func(int) {}) {
		assert.Equal(t, 2, *p.Total)
	}
}

// R-HIST-04: http.html#delete lets a PUT bring a deleted resource back to life,
// and an update that creates is 201 (http.html#upsert); ids are never given by
// us on a POST. So is what a patient agreed to share again (D3.1).
func TestR_HIST_04_SharedAgainIsCreatedAgain(t *testing.T) {
	w := newWorld(t)
	w.commit(plan("c1", "p1", "active"))
	w.delete(planRef("c1"))
	w.commit(plan("c1", "p1", "active"))
	w.commit(plan("c1", "p1", "completed"))
	for _, path := range []string{"/CarePlan/c1/_history", "/CarePlan/_history", "/_history"} {
		var got []string
		for _, e := range w.get(path).bundle().Entry {
			got = append(got, e.Request.Method+" "+e.Response.Status+" "+e.Response.ETag)
		}
		assert.Equal(t, []string{`PUT 200 W/"e1-4"`, `PUT 201 W/"e1-3"`, `DELETE 204 W/"e1-2"`}, got, path)
	}
}

// D8.3: _since is what a hub goes on from. One that was told changes of a lost
// interval is told so and starts over; nobody else is, and links keep their
// answer.
func TestD8_3_SinceALostIntervalIsGone(t *testing.T) {
	w := newWorld(t)
	w.commit(plan("c1", "p1", "active"), plan("c2", "p1", "active"))
	link := w.get("/_history?_count=1&_since=2026-03-02T09:00:01Z").bundle().link("next")
	backup, dir := filepath.Join(t.TempDir(), "backup"), t.TempDir()
	require.NoError(t, w.store.(*sqlite.DB).Backup(t.Context(), backup, sqlite.Taken{At: w.now}))
	kept := w.get("/_history").bundle().Entry[0].Response.LastModified
	w.commit(plan("c1", "p1", "completed"))
	lost := w.get("/_history").bundle().Entry[0].Response.LastModified

	o := sqlite.Options{Dir: dir, NewEpoch: func() string { return "e2" }}
	_, err := sqlite.Restore(t.Context(), backup, o, "", w.now.Add(time.Minute), nil)
	require.NoError(t, err)
	w.store = w.open(dir, "")
	w.handler = w.serve(secret)
	w.commit(plan("c1", "p1", "completed")) // sent again, by a clock that stands behind
	for _, path := range []string{"/_history", "/CarePlan/_history", "/CarePlan/c1/_history"} {
		o := w.get(path+"?_since="+lost).failed(410, "processing")
		assert.Contains(t, o.Issue[0].Diagnostics, "start over")
		assert.Contains(t, w.get(path+"?_since="+kept).bundle().changes(), `PUT CarePlan/c1 W/"e2-2"`)
	}
	w.follow(link).failed(410, "processing")
	now := w.get("/_history").bundle()
	assert.Equal(t, `PUT CarePlan/c1 W/"e2-2"`, now.changes()[0])
	assert.Equal(t, now.changes()[:1], w.get("/_history?_since="+now.Entry[0].Response.LastModified).bundle().changes())
	// A search of the same instant is a question with an answer: what came after.
	assert.Equal(t, []string{"c1"}, w.found("/CarePlan?_lastUpdated=gt"+lost))
}
