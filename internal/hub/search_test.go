package hub

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/terms"
)

// small is a store with two patients and three plans.
func small(t *testing.T) *world {
	w := newWorld(t, codeSystem)
	w.commit(patient("p1", "Müller", "1950-03-01"), plan("c1", "p1", "active"))
	w.commit(plan("c2", "p1", "completed"))
	w.commit(patient("p2", "Quiñones", "1960"), plan("c3", "p2", "active"))
	return w
}

// R-SRCH-01, R-PAGE-12, R-PAGE-14, R-PAGE-15: a searchset, also when empty,
// with total, fullUrl and mode.
func TestR_SRCH_01_Searchset(t *testing.T) {
	w := small(t)
	empty := w.get("/Procedure?patient=none")
	b := empty.bundle()
	assert.Equal(t, "searchset", b.Type)
	assert.Equal(t, 0, *b.Total)
	assert.NotContains(t, empty.Body.String(), `"entry"`)

	r := w.get("/CarePlan?patient=p1")
	b = r.bundle()
	assert.Equal(t, 2, *b.Total)
	assert.Equal(t, []string{"c2", "c1"}, b.ids())
	for _, e := range b.Entry {
		assert.Equal(t, "match", e.Search.Mode)
		id := e.FullURL[strings.LastIndex(e.FullURL, "/")+1:]
		assert.Equal(t, base+"/CarePlan/"+id, e.FullURL)
		// Stored bytes, as read gives them.
		assert.Equal(t, w.get("/CarePlan/"+id).Body.String(), string(e.Resource))
	}
	assert.Equal(t, base+"/CarePlan?patient=p1", b.link("self"))
	assert.Empty(t, b.link("next"))
	assert.Empty(t, r.Header().Get("ETag"))
}

// The parameters of the main job over the real index: R-SP-01, R-SP-02, R-SP-03,
// R-SP-06, R-SP-07, R-SP-15, R-SP-22, R-SP-24, R-SRCH-12, R-PROF-04.
func TestR_SP_ParametersOverTheStore(t *testing.T) {
	w := small(t)
	w.commit(`{"resourceType":"Procedure","id":"x1",`+told+`,"status":"completed","subject":{"reference":"Patient/p1"},"partOf":[{"reference":"Procedure/x0"}],
		"code":{"coding":[`+local("nail-procedure", "partial-avulsion", "Partial nail avulsion")+`]},
		"encounter":{"reference":"Encounter/e1"},"basedOn":[{"reference":"CarePlan/c1"}],"performedDateTime":"2026-03-02T10:15:00+01:00"}`,
		`{"resourceType":"Provenance","id":"v1",`+told+`,"target":[{"reference":"CarePlan/c1/_history/e1-1"}],"recorded":"2026-03-02T09:00:00.500Z",
		"agent":[{"who":{"reference":"Device/b1"}}]}`,
		`{"resourceType":"DetectedIssue","id":"d1",`+told+`,"meta":{"tag":[`+local("tag", "open", "Open flag")+`]},"status":"final",
		"patient":{"reference":"Patient/p1"},"identifiedDateTime":"2026-03-20","implicated":[{"reference":"CarePlan/c1"}]}`)
	const (
		tags = terms.CanonicalBase + "/CodeSystem/tag%7C"
		acts = terms.CanonicalBase + "/CodeSystem/nail-procedure%7C"
	)
	for query, want := range map[string][]string{
		"/CarePlan?_id=c1":                                                {"c1"},
		"/CarePlan?_id=C1":                                                {},
		"/CarePlan?_id=c1,c2":                                             {"c2", "c1"},
		"/CarePlan?identifier=urn:plans%7Cno-c3":                          {"c3"},
		"/CarePlan?identifier=no-c3":                                      {"c3"},
		"/CarePlan?identifier=%7Cno-c3":                                   {},
		"/CarePlan?identifier=urn:plans%7C":                               {"c3", "c2", "c1"},
		"/CarePlan?_tag=" + tags + "open":                                 {"c3", "c1"},
		"/CarePlan?_tag:missing=false":                                    {"c3", "c2", "c1"},
		"/Procedure?_tag:missing=true":                                    {"x1"},
		"/CarePlan?patient=p1":                                            {"c2", "c1"},
		"/CarePlan?patient=Patient/p1":                                    {"c2", "c1"},
		"/CarePlan?patient=" + escape(base+"/Patient/p1"):                 {"c2", "c1"},
		"/CarePlan?patient=p1&status=active":                              {"c1"},
		"/CarePlan?status=active,completed&patient=p1":                    {"c2", "c1"},
		"/CarePlan?status=active&status=completed":                        {},
		"/CarePlan?category=nail-surgery-follow-up&date=ge2026-01-01":     {"c3", "c2", "c1"},
		"/CarePlan?activity-date=ge2026-03-08&activity-date=le2026-03-12": {"c3", "c2", "c1"},
		"/CarePlan?activity-date=gt2026-03-11":                            {},
		"/CarePlan?_lastUpdated=gt2026-03-02T09:00:01Z":                   {"c3", "c2"},
		"/CarePlan?_lastUpdated=le2026-03-02T09:00:01Z":                   {"c1"},
		"/CarePlan?_lastUpdated=ge2026-03-02T09:00:02.000Z":               {"c3", "c2"},
		"/CarePlan?_sort=_lastUpdated":                                    {"c1", "c2", "c3"},
		"/CarePlan?_sort=-_lastUpdated&_count=1":                          {"c3"},
		"/Patient?family=muller":                                          {"p1"},
		"/Patient?family=M%C3%BCller":                                     {"p1"},
		"/Patient?birthdate=1960&name=quin":                               {"p2"},
		"/Procedure?code=" + acts + "partial-avulsion":                    {"x1"},
		"/Procedure?code=partial-avulsion&date=2026-03-02":                {"x1"},
		"/Procedure?date=2026-03-02T09:15Z":                               {"x1"},
		"/Procedure?date=2026-03":                                         {"x1"},
		"/Procedure?date=2026-03-03":                                      {},
		"/Procedure?encounter=Encounter/e1&status=completed":              {"x1"},
		"/Procedure?based-on=CarePlan/c1&part-of=Procedure/x0":            {"x1"},
		"/Provenance?target=CarePlan/c1":                                  {"v1"},
		"/Provenance?target=CarePlan/c1&recorded=ge2026-03-02":            {"v1"},
		"/DetectedIssue?_tag=open&identified=2026-03-20&implicated=c1":    {"d1"},
		"/Observation?subject=Patient/none":                               {}, // R-SRCH-10
		"/Observation?code=urn:unknown%7C1":                               {},
	} {
		assert.Equal(t, want, w.found(query), query)
	}
}

// R-SRCH-02: POST _search means the same as GET, with parameters in URL and
// body together. R-PAGE-11: its links work by GET.
func TestR_SRCH_02_PostSearch(t *testing.T) {
	w := small(t)
	assert.Equal(t, w.get("/CarePlan?patient=p1&status=active").Body.String(), w.post("/CarePlan/_search", "patient=p1&status=active").Body.String())
	assert.Equal(t, w.get("/CarePlan?patient=p1&status=active").Body.String(), w.post("/CarePlan/_search?patient=p1", "status=active").Body.String())
	assert.Equal(t, []string{"c3", "c2", "c1"}, w.post("/CarePlan/_search", "").bundle().ids())
	assert.Equal(t, []string{"c1"}, w.post("/CarePlan/_search", "patient=p1&status=active\r\n",
		"Content-Type", "application/x-www-form-urlencoded; charset=UTF-8").bundle().ids())
	b := w.post("/CarePlan/_search", "status=active&_count=1").bundle()
	assert.Equal(t, []string{"c1"}, w.follow(b.link("next")).bundle().ids())
}

// R-SRCH-04, R-PAGE-04, R-PAGE-26: self lists the parameters as used, and
// running it again gives the same.
func TestR_SRCH_04_Self(t *testing.T) {
	w := small(t)
	for query, self := range map[string]string{
		"/CarePlan":                                        "/CarePlan",
		"/CarePlan?status=active&foo=1":                    "/CarePlan?status=active",
		"/CarePlan?_count=100000&status=active":            "/CarePlan?status=active&_count=500",
		"/CarePlan?_count=99999999999999999999999":         "/CarePlan?_count=500",
		"/CarePlan?status=&patient=Patient%2Fp1":           "/CarePlan?patient=Patient/p1",
		"/CarePlan?_sort=_lastUpdated":                     "/CarePlan?_sort=_lastUpdated",
		"/CarePlan?_sort=nothing":                          "/CarePlan",
		"/CarePlan?_sort=-date,_id":                        "/CarePlan?_sort=-date,_id",
		"/CarePlan?_include=CarePlan:patient&_include=x:y": "/CarePlan?_include=CarePlan:patient",
		"/CarePlan?identifier=urn:plans%7Cno-c3":           "/CarePlan?identifier=urn:plans%7Cno-c3",
		"/CarePlan?_format=application/fhir%2Bjson&_id=a":  "/CarePlan?_id=a&_format=application/fhir%2Bjson",
	} {
		b := w.get(query, "Prefer", "handling=lenient").bundle()
		assert.Equal(t, base+self, b.link("self"), query)
		assert.Equal(t, b.ids(), w.follow(b.link("self")).bundle().ids(), query)
	}
}

// D8.1 over R-SRCH-05, R-SRCH-06, R-SRCH-07: an unknown parameter is 400 and
// named, also with handling=strict; lenient leaves it out and says so.
func TestD8_1_R_SRCH_05_06_UnknownParameter(t *testing.T) {
	w := small(t)
	for _, prefer := range []string{"", "handling=strict", "return=minimal"} {
		o := w.get("/CarePlan?patient=p1&foo=bar", "Prefer", prefer).failed(400, "not-supported")
		assert.Contains(t, o.Issue[0].Diagnostics, "foo")
		assert.NotContains(t, o.Issue[0].Diagnostics, "bar")
	}
	for _, q := range []string{"_include=CarePlan:nothing", "_revinclude=AuditEvent:entity", "_has:Observation:patient:code=1", "patient.nothing=1",
		"_sort=nothing", "_sort=code-value-quantity", "_elements=nothing", "_include:iterate=CarePlan:goal", "_filter=a", "_query=nope", "_text=a", "_contained=true", "_page="} {
		w.get("/CarePlan?patient=p1&"+q).failed(400, "not-supported")
	}
	for _, prefer := range [][]string{{"Prefer", "handling=lenient"}, {"Prefer", "return=minimal, handling=lenient"},
		{"Prefer", "return=minimal", "Prefer", `handling="lenient"`}, {"Prefer", "respond-async; handling=lenient"}} {
		b := w.get("/CarePlan?patient=p1&foo=bar", prefer...).bundle()
		assert.Equal(t, []string{"c2", "c1"}, b.ids())
		assert.Equal(t, base+"/CarePlan?patient=p1", b.link("self"))
	}
	b := w.get("/CarePlan?patient=p1&foo=bar", "Prefer", "handling=lenient").bundle()
	assert.Equal(t, 2, *b.Total) // R-OO-07: total is not affected
	last := b.Entry[len(b.Entry)-1]
	assert.Equal(t, "outcome", last.Search.Mode)
	var o outcomeJSON
	require.NoError(t, json.Unmarshal(last.Resource, &o))
	require.Len(t, o.Issue, 1)
	assert.Equal(t, "warning", o.Issue[0].Severity)
	assert.Contains(t, o.Issue[0].Diagnostics, "foo")
}

// R-SRCH-08: when nothing was left to search by, the answer says so.
func TestR_SRCH_08_EveryFilterIgnored(t *testing.T) {
	w := small(t)
	w.get("/Patient?idnetifier=x").failed(400, "not-supported")
	b := w.get("/Patient?idnetifier=x", "Prefer", "handling=lenient").bundle()
	assert.Contains(t, string(b.Entry[len(b.Entry)-1].Resource), "every Patient")
	// R-SRCH-11: an empty value is ignored, which is said too.
	b = w.get("/CarePlan?patient=").bundle()
	assert.Len(t, b.ids(), 3)
	assert.Contains(t, string(b.Entry[len(b.Entry)-1].Resource), "every CarePlan")
	b = w.get("/CarePlan?patient=p1&status=").bundle()
	assert.Equal(t, []string{"c2", "c1"}, b.ids())
	assert.NotContains(t, string(b.Entry[len(b.Entry)-1].Resource), "every CarePlan")
}

// R-SRCH-09, R-SRCH-10, R-OO-02: what is wrong is 400 also under lenient
// handling, with every fault at once.
func TestR_SRCH_09_10_R_OO_02_WrongQueries(t *testing.T) {
	w := small(t)
	for query, code := range map[string]string{
		"date:exact=2024": "not-supported", "status:foo=x": "not-supported", "status:text=active": "not-supported", "patient:missing=maybe": "value",
		"_summary=some": "value", "_summary=true&_elements=title": "value", "_summary=text&_include=CarePlan:patient": "value",
		"performer.name=x": "not-supported", "_include=Goal:patient": "value", "_sort=_id,date,status,category,intent": "value",
		"date=23May2009": "value", "date=2024-05-01T10": "value", "_lastUpdated=now": "value", "patient=%20": "value",
		"_sort=,date": "value", "_sort=-": "value", "_sort=date,": "value",
		"_count=-1": "value", "_count=ten": "value", "_count=1&_count=2": "value", "_total=maybe": "value",
		"status=a%7Cb%7Cc": "value",
	} {
		for _, prefer := range []string{"handling=strict", "handling=lenient"} {
			w.get("/CarePlan?"+query, "Prefer", prefer).failed(400, code)
		}
	}
	assert.Len(t, w.get("/CarePlan?date=a&status:x=b&foo=c&_count=d").failed(400, "value").Issue, 4)
}

// A malformed query is 400 and never a wider search: Gin's own reading would
// drop the parameter.
func TestMalformedQueryIsNeverWider(t *testing.T) {
	w := small(t)
	for _, q := range []string{"patient=%zz&status=active", "status=active&patient=%", "status=active&%zz", "patient=%ff&status=active"} {
		r := httptestRequest(w, http.MethodGet, "/fhir/CarePlan", q)
		w.send(r).failed(400, "invalid")
		w.post("/CarePlan/_search", q).failed(400, "invalid")
		w.send(httptestRequest(w, http.MethodGet, "/fhir/CarePlan/c1", q)).failed(400, "invalid")
		w.send(httptestRequest(w, http.MethodGet, "/fhir/CarePlan/_history", q)).failed(400, "invalid")
	}
}

// R-SRCH-20, R-SRCH-21, D3.1: hidden resources and old versions match nothing
// and are not counted.
func TestR_SRCH_20_21_D3_1_HiddenNeverMatches(t *testing.T) {
	w := small(t)
	w.commit(plan("c2", "p1", "active"))
	assert.Equal(t, []string{}, w.found("/CarePlan?status=completed"))
	w.delete(planRef("c1"))
	for _, q := range []string{"_id=c1", "identifier=no-c1", "patient=p1&_lastUpdated=le2026-03-02T09:00:01Z"} {
		b := w.get("/CarePlan?" + q).bundle()
		assert.Empty(t, b.ids(), q)
		assert.Equal(t, 0, *b.Total, q)
	}
}

// R-SRCH-22: a write is found as soon as it is committed.
func TestR_SRCH_22_AtOnce(t *testing.T) {
	w := newWorld(t)
	for i := range 200 {
		id := fmt.Sprintf("c%d", i)
		w.commit(plan(id, "p1", "active"))
		require.Equal(t, []string{id}, w.found("/CarePlan?identifier=no-"+id))
	}
}

// R-PAGE-03, and of R-PAGE-24 two forms: _count=0 and _summary=count give the total
// alone.
func TestR_PAGE_03_CountZero(t *testing.T) {
	w := small(t)
	for _, q := range []string{"_count=0", "_summary=count", "_count=0&_total=none", "_count=7&_summary=count"} {
		b := w.get("/CarePlan?status=active&" + q).bundle()
		assert.Equal(t, 2, *b.Total, q)
		assert.Empty(t, b.Entry, q)
		require.Len(t, b.Link, 1, q)
		assert.Equal(t, base+"/CarePlan?status=active&"+q, b.Link[0].URL)
	}
	assert.Nil(t, w.get("/CarePlan?_total=none").bundle().Total)
	assert.NotNil(t, w.get("/CarePlan?_total=accurate&_summary=false").bundle().Total)
}

// The greatest list of values that Parse lets through is answered by the
// index, also where a bare id may mean many types.
func TestLongestListsAreAnswered(t *testing.T) {
	w := small(t)
	list := "c1" + strings.Repeat(",x", 255)
	assert.Equal(t, []string{"c1"}, w.post("/CarePlan/_search", "_id="+list).bundle().ids())
	w.post("/CarePlan/_search", "_id="+list+",x").failed(400, "too-costly")
	assert.Equal(t, 200, w.post("/DetectedIssue/_search", "implicated=c1"+strings.Repeat(",x", 7)).Code)
	w.post("/DetectedIssue/_search", "implicated="+list).failed(400, "too-costly")
	assert.Equal(t, 200, w.post("/CarePlan/_search", strings.Repeat("category=a,b,c,d&", 64)).Code)
	assert.Equal(t, 200, w.post("/CarePlan/_search", "patient.identifier:not="+list).Code, "negated, and through a chain")
	w.post("/CarePlan/_search", strings.Repeat("patient.family=a&", 8)).failed(400, "too-costly")
}
