package hub

import (
	"encoding/json"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
)

// R-READ-01, R-READ-02, R-READ-03, R-HTTP-05: read serves the stored bytes of
// the current version, with its version and time in the headers.
func TestR_READ_01_02_03_Read(t *testing.T) {
	w := newWorld(t)
	w.commit(plan("c1", "p1", "active"))
	v := w.commit(plan("c1", "p1", "completed"))[0]
	r := w.get("/CarePlan/c1")
	assert.Equal(t, http.StatusOK, r.Code)
	assert.Equal(t, string(v.Body), r.Body.String())
	var body struct {
		ID     string
		Status string
		Meta   struct{ VersionID, LastUpdated string }
	}
	require.NoError(t, json.Unmarshal(r.Body.Bytes(), &body))
	assert.Equal(t, "c1", body.ID)
	assert.Equal(t, "completed", body.Status)
	assert.Equal(t, `W/"`+body.Meta.VersionID+`"`, r.Header().Get("ETag"))
	assert.Equal(t, "2026-03-02T09:00:02.000Z", body.Meta.LastUpdated)
	assert.Equal(t, "Mon, 02 Mar 2026 09:00:02 GMT", r.Header().Get("Last-Modified"))
	assert.Equal(t, "application/fhir+json; charset=utf-8", r.Header().Get("Content-Type"))
	assert.Equal(t, "private, no-store", r.Header().Get("Cache-Control"))
}

// R-READ-04, R-READ-06, R-HTTP-02, R-HTTP-24: what is not there.
func TestR_READ_04_06_NotFound(t *testing.T) {
	w := newWorld(t)
	w.commit(plan("Ab1", "p1", "active"))
	w.get("/CarePlan/never").failed(404, "not-found")
	w.get("/CarePlan/ab1").failed(404, "not-found")
	w.get("/careplan/Ab1").failed(404, "not-supported")
	w.get("/Nonsense/1").failed(404, "not-supported")
	w.get("/Nonsense").failed(404, "not-supported")
	for _, id := range []string{"a_b", strings.Repeat("a", 65), "a%20b", "%00", "$export", "'--"} {
		w.get("/CarePlan/"+id).failed(404, "not-found")
		w.get("/CarePlan/Ab1/_history/"+id).failed(404, "not-found")
	}
	assert.Equal(t, 200, w.get("/CarePlan/Ab1").Code)
}

// R-READ-07, R-READ-08, R-READ-09, R-READ-10: vread gives exactly the version
// asked for, and an old version never changes.
func TestR_READ_07_09_10_VRead(t *testing.T) {
	w := newWorld(t)
	first := w.commit(plan("c1", "p1", "active"))[0]
	path := "/CarePlan/c1/_history/" + first.VersionID
	before := w.get(path)
	assert.Equal(t, string(first.Body), before.Body.String())
	last := first
	for _, s := range []string{"on-hold", "active", "completed"} {
		last = w.commit(plan("c1", "p1", s))[0]
	}
	assert.Equal(t, before.Body.String(), w.get(path).Body.String())
	assert.Equal(t, etag(first.VersionID), w.get(path).Header().Get("ETag"))
	assert.Equal(t, w.get("/CarePlan/c1").Body.String(), w.get("/CarePlan/c1/_history/"+last.VersionID).Body.String())
	w.get("/CarePlan/c1/_history/999").failed(404, "not-found")
	w.get("/CarePlan/c2/_history/"+first.VersionID).failed(404, "not-found")
}

// D3.1, R-READ-05, R-READ-09: sharing declined later: read and every vread are
// 410, and a condition on the version does not tell more.
func TestD3_1_R_READ_05_DeclinedLaterIsGone(t *testing.T) {
	w := newWorld(t)
	v1 := w.commit(plan("c1", "p1", "active"))[0]
	v2 := w.commit(plan("c1", "p1", "completed"))[0]
	w.delete(planRef("c1"))
	w.get("/CarePlan/c1").failed(410, "deleted")
	w.get("/CarePlan/c1", "If-None-Match", etag(v2.VersionID)).failed(410, "deleted")
	for _, v := range []store.Version{v1, v2} {
		w.get("/CarePlan/c1/_history/"+v.VersionID).failed(410, "deleted")
	}
	h := w.get("/CarePlan/c1/_history").bundle()
	require.Len(t, h.Entry, 1)
	assert.Equal(t, "DELETE", h.Entry[0].Request.Method)
	assert.Empty(t, h.Entry[0].Resource)
	tag := strings.TrimSuffix(strings.TrimPrefix(h.Entry[0].Response.ETag, `W/"`), `"`)
	w.get("/CarePlan/c1/_history/"+tag).failed(410, "deleted")
}

// D1.5: the versions before a masked one are 410.
func TestD1_5_MaskedVersionsAreGone(t *testing.T) {
	w := newWorld(t)
	v1 := w.commit(plan("c1", "p1", "active"))[0]
	w.commit(plan("c1", "p1", "entered-in-error"))
	w.change(func(tx store.Writer) error { return tx.Mask(planRef("c1")) })
	w.get("/CarePlan/c1/_history/"+v1.VersionID).failed(410, "deleted")
	assert.Equal(t, 200, w.get("/CarePlan/c1").Code)
	assert.Len(t, w.get("/CarePlan/c1/_history").bundle().Entry, 1)
}

// R-READ-11, R-READ-12: If-None-Match is compared weakly, in lists and as *.
func TestR_READ_11_12_IfNoneMatch(t *testing.T) {
	w := newWorld(t)
	v := w.commit(plan("c1", "p1", "active"))[0]
	for tag, status := range map[string]int{
		etag(v.VersionID): 304, `"` + v.VersionID + `"`: 304, "*": 304, `W/"other", ` + etag(v.VersionID): 304,
		`W/"other"`: 200, v.VersionID: 200, `W/""`: 200,
	} {
		r := w.get("/CarePlan/c1", "If-None-Match", tag)
		assert.Equal(t, status, r.Code, tag)
		assert.Equal(t, etag(v.VersionID), r.Header().Get("ETag"))
		assert.Equal(t, status == 304, r.Body.Len() == 0, tag)
	}
	// Two headers are one list.
	assert.Equal(t, 304, w.get("/CarePlan/c1", "If-None-Match", `W/"x"`, "If-None-Match", etag(v.VersionID)).Code)
}

// R-READ-13: If-Modified-Since, and not beside If-None-Match.
func TestR_READ_13_IfModifiedSince(t *testing.T) {
	w := newWorld(t)
	w.commit(plan("c1", "p1", "active"))
	last := w.get("/CarePlan/c1").Header().Get("Last-Modified")
	assert.Equal(t, 304, w.get("/CarePlan/c1", "If-Modified-Since", last).Code)
	assert.Equal(t, 200, w.get("/CarePlan/c1", "If-Modified-Since", "Mon, 02 Mar 2026 09:00:00 GMT").Code)
	assert.Equal(t, 200, w.get("/CarePlan/c1", "If-Modified-Since", "yesterday").Code)
	assert.Equal(t, 200, w.get("/CarePlan/c1", "If-Modified-Since", last, "If-None-Match", `W/"x"`).Code)
}

// beside commits in the second of the last commit.
func (w *world) beside(contents ...string) []store.Version {
	w.Helper()
	w.now = w.now.Add(-time.Second + 100*time.Millisecond)
	return w.commit(contents...)
}

// R-READ-13, RFC 9110 section 8.8.2.2: where a second had two versions its date
// tells nothing: a client that holds the earlier one gets the later.
func TestR_READ_13_TwoVersionsInOneSecond(t *testing.T) {
	w := newWorld(t)
	w.commit(plan("c1", "p1", "active"), plan("c2", "p1", "active"))
	first := w.get("/CarePlan/c1")
	date := first.Header().Get("Last-Modified")
	assert.Equal(t, 304, w.get("/CarePlan/c1", "If-Modified-Since", date).Code)
	w.beside(plan("c1", "p1", "completed"))
	again := w.get("/CarePlan/c1", "If-Modified-Since", date)
	assert.Equal(t, 200, again.Code)
	assert.Equal(t, date, again.Header().Get("Last-Modified"), "the second is the same")
	assert.Contains(t, again.Body.String(), "completed")
	assert.Equal(t, 200, w.get("/CarePlan/c1", "If-Modified-Since", "Mon, 01 Jan 2029 00:00:00 GMT").Code)
	assert.Equal(t, 304, w.get("/CarePlan/c2", "If-Modified-Since", date).Code, "another resource does not count")
	tag := strings.Trim(strings.TrimPrefix(first.Header().Get("ETag"), "W/"), `"`)
	assert.Equal(t, 304, w.get("/CarePlan/c1/_history/"+tag, "If-Modified-Since", date).Code, "a version has one content for ever")

	w.commit(plan("c1", "p1", "active"))
	last := w.get("/CarePlan/c1").Header().Get("Last-Modified")
	assert.Equal(t, 304, w.get("/CarePlan/c1", "If-Modified-Since", last).Code)
	assert.Equal(t, 200, w.get("/CarePlan/c1", "If-Modified-Since", date).Code)
}

// D1.5, R-READ-13: the version before is hidden by now; who read it in the same
// second must hear that it was an error.
func TestD1_5_R_READ_13_AfterAMask(t *testing.T) {
	w := newWorld(t)
	w.commit(plan("c1", "p1", "active"))
	date := w.get("/CarePlan/c1").Header().Get("Last-Modified")
	w.beside(plan("c1", "p1", "entered-in-error"))
	w.change(func(tx store.Writer) error { return tx.Mask(planRef("c1")) })
	require.Len(t, w.get("/CarePlan/c1/_history").bundle().Entry, 1, "the history alone would not tell")
	r := w.get("/CarePlan/c1", "If-Modified-Since", date)
	assert.Equal(t, 200, r.Code)
	assert.Contains(t, r.Body.String(), "entered-in-error")
	assert.Equal(t, 304, w.get("/CarePlan/c1", "If-None-Match", r.Header().Get("ETag")).Code)
}

// D3.1, R-READ-13: shared, declined and shared again within a second.
func TestD3_1_R_READ_13_SharedAgain(t *testing.T) {
	w := newWorld(t)
	w.commit(plan("c1", "p1", "active"))
	date := w.get("/CarePlan/c1").Header().Get("Last-Modified")
	w.now = w.now.Add(-time.Second + 100*time.Millisecond)
	w.delete(planRef("c1"))
	w.get("/CarePlan/c1", "If-Modified-Since", date).failed(410, "deleted")
	w.beside(plan("c1", "p1", "completed"))
	assert.Equal(t, 200, w.get("/CarePlan/c1", "If-Modified-Since", date).Code)
}

// D8.3, R-READ-13: a client may hold a version that a restore has lost, with a
// later date than that of the version which stands again.
func TestD8_3_R_READ_13_AfterARestore(t *testing.T) {
	w := newWorld(t)
	w.commit(plan("c1", "p1", "active"))
	backup := filepath.Join(t.TempDir(), "backup")
	require.NoError(t, w.store.(*sqlite.DB).Backup(t.Context(), backup, sqlite.Taken{Namespace: "n"}))
	w.commit(plan("c1", "p1", "completed"))
	lost := w.get("/CarePlan/c1")
	dir := t.TempDir()
	_, err := sqlite.Restore(t.Context(), backup, sqlite.Options{Dir: dir, NewEpoch: func() string { return "e2" }}, "n", w.now, nil)
	require.NoError(t, err)
	w.store = w.open(dir, "e3")
	w.handler = w.serve(secret)
	r := w.get("/CarePlan/c1", "If-Modified-Since", lost.Header().Get("Last-Modified"))
	assert.Equal(t, 200, r.Code)
	assert.Contains(t, r.Body.String(), `"active"`)
	assert.Equal(t, 304, w.get("/CarePlan/c1", "If-None-Match", r.Header().Get("ETag")).Code)
	assert.Equal(t, 200, w.get("/CarePlan/c1", "If-None-Match", lost.Header().Get("ETag")).Code)
	w.commit(plan("c1", "p1", "on-hold"))
	date := w.get("/CarePlan/c1").Header().Get("Last-Modified")
	assert.Equal(t, 304, w.get("/CarePlan/c1", "If-Modified-Since", date).Code, "known since the restore")
}

// foretold is a store of one history.
type foretold struct {
	store.Published
	page store.Page
}

func (f foretold) History(store.HistoryQuery) (store.Page, error) { return f.page, nil }

// R-READ-13: the date counts only where the version before is seen, and was of
// an earlier second.
func TestR_READ_13_WhatADateTells(t *testing.T) {
	v := func(id string, n int64, ms int64) store.Version {
		return store.Version{VersionID: id, Number: n, LastUpdated: time.UnixMilli(ms)}
	}
	third := v("e2-3", 3, 7000)
	for name, c := range map[string]struct {
		epoch string
		seen  []store.Version
		want  bool
	}{
		"an earlier second":          {"e2", []store.Version{third, v("e2-2", 2, 6999)}, true},
		"an earlier epoch's":         {"e2", []store.Version{third, v("e1-2", 2, 5000)}, true},
		"the same second":            {"e2", []store.Version{third, v("e2-2", 2, 7000)}, false},
		"hidden":                     {"e2", []store.Version{third}, false},
		"hidden between two":         {"e2", []store.Version{third, v("e2-1", 1, 5000)}, false},
		"restored since":             {"e3", []store.Version{third, v("e2-2", 2, 5000)}, false},
		"an epoch of the same start": {"e", []store.Version{third, v("e2-2", 2, 5000)}, false},
		"another is current":         {"e2", []store.Version{v("e2-4", 4, 9000), third}, false},
		"nothing is seen":            {"e2", nil, false},
	} {
		got, err := tells(foretold{page: store.Page{Epoch: c.epoch, Versions: c.seen}}, third)
		require.NoError(t, err)
		assert.Equal(t, c.want, got, name)
	}
	first := v("e2-1", 1, 7000)
	got, err := tells(foretold{page: store.Page{Epoch: "e2", Versions: []store.Version{first}}}, first)
	require.NoError(t, err)
	assert.True(t, got, "the first has none before it")
}

// R-READ-13: the date of an artifact, and of the statement of what is offered,
// may stay while settings change their content: their tag alone tells.
func TestR_READ_13_DatesOfArtifactsTellNothing(t *testing.T) {
	w := newWorld(t, codeSystem)
	for _, path := range []string{"/CodeSystem/toes", "/metadata"} {
		r := w.get(path)
		assert.NotEmpty(t, r.Header().Get("Last-Modified"))
		assert.Equal(t, 200, w.get(path, "If-Modified-Since", r.Header().Get("Last-Modified")).Code, path)
		assert.Equal(t, 304, w.get(path, "If-None-Match", r.Header().Get("ETag")).Code, path)
	}
	var s capabilityStatement
	require.NoError(t, json.Unmarshal(w.get("/metadata").Body.Bytes(), &s))
	for _, x := range s.Rest[0].Resource { // and clients are told so (capabilitystatement.html)
		want := map[bool]string{true: "not-match", false: "full-support"}[isArtifact(x.Type)]
		assert.Equal(t, want, x.ConditionalRead, x.Type)
	}
}

const (
	codeSystem = `{"resourceType":"CodeSystem","id":"toes",` + told + `,"url":"https://nailbridge.example/fhir/CodeSystem/toes","version":"1","name":"Toes",
		"status":"active","date":"2026-01-15","content":"complete","concept":[{"code":"big"}]}`
	undatedSystem = `{"resourceType":"CodeSystem","id":"acts",` + told + `,"url":"https://nailbridge.example/fhir/CodeSystem/acts","version":"2","name":"Acts",
		"status":"draft","content":"complete","concept":[{"code":"cut"}]}`
	planDefinition = `{"resourceType":"PlanDefinition","id":"partial",` + told + `,"url":"https://nailbridge.example/fhir/PlanDefinition/partial","version":"1",
		"name":"Partial","status":"active","date":"2026-01-15"}`
)

// D8.2, R-READ-17: what resources point to can be read and found by its URL.
func TestArtifactsAreReadAndFound(t *testing.T) {
	w := newWorld(t, codeSystem, undatedSystem, planDefinition)
	r := w.get("/CodeSystem/toes")
	require.Equal(t, 200, r.Code)
	var body struct {
		URL  string
		Meta struct{ VersionID, LastUpdated string }
	}
	require.NoError(t, json.Unmarshal(r.Body.Bytes(), &body))
	assert.Equal(t, "2026-01-15T00:00:00.000Z", body.Meta.LastUpdated)
	assert.Equal(t, etag(body.Meta.VersionID), r.Header().Get("ETag"))
	assert.Equal(t, "no-cache", r.Header().Get("Cache-Control"))
	assert.Equal(t, 304, w.get("/CodeSystem/toes", "If-None-Match", etag(body.Meta.VersionID)).Code)
	assert.Equal(t, r.Body.String(), w.get("/CodeSystem/toes/_history/"+body.Meta.VersionID).Body.String())
	w.get("/CodeSystem/toes/_history/other").failed(404, "not-found")
	w.get("/CodeSystem/none").failed(404, "not-found")
	w.get("/CodeSystem/_history").failed(404, "not-supported")
	w.get("/CodeSystem/none/_history").failed(404, "not-found")

	for query, want := range map[string][]string{
		"/CodeSystem?url=" + escape(body.URL):      {"toes"},
		"/CodeSystem?url=" + escape(body.URL+"|1"): {"toes"}, // as it is referred to (search.html#uri)
		"/CodeSystem?url=" + escape(body.URL+"|2"): {},
		"/CodeSystem?url=urn:none":                 {},
		"/CodeSystem?version=2":                    {"acts"},
		"/CodeSystem?name=to&status=active":        {"toes"},
		"/CodeSystem?_id=acts,toes":                {"acts", "toes"},
		"/CodeSystem?_sort=_lastUpdated":           {"toes", "acts"},
		"/CodeSystem?date=2026-01":                 {"toes"},
		"/CodeSystem?_lastUpdated=gt2026-02":       {"acts"}, // no date of its own: that of the release
		"/PlanDefinition":                          {"partial"},
		"/ValueSet":                                {},
		"/PlanDefinition?_id=partial&_id=none":     {},
	} {
		assert.Equal(t, want, w.found(query), query)
	}
	first := w.get("/CodeSystem?_count=1").bundle()
	second := w.follow(first.link("next")).bundle()
	assert.Equal(t, []string{"acts", "toes"}, append(first.ids(), second.ids()...))
	assert.Empty(t, second.link("next"))
	assert.Equal(t, []string{"acts"}, w.follow(second.link("previous")).bundle().ids())

	// A token over other artifacts than those of now starts over.
	w.handler = w.serve(secret, parse(t, undatedSystem))
	o := w.follow(first.link("next")).failed(410, "processing")
	assert.Contains(t, o.Issue[0].Diagnostics, "definitions were changed")
}
