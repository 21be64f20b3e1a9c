package hub

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"

	"nailbridge/internal/access"
	"nailbridge/internal/store"
)

// R-HTTP-07, R-HTTP-08, R-HTTP-09, R-HTTP-13, R-HTTP-16: negotiation by
// Accept and _format.
func TestR_HTTP_07_09_13_16_Negotiation(t *testing.T) {
	w := small(t)
	const fhir = "application/fhir+json"
	for accept, media := range map[string]string{
		"": fhir, "*/*": fhir, "application/*": fhir, fhir: fhir, "application/json": "application/json", "text/json": "text/json", "text/*": "text/json",
		"application/fhir+xml;q=0.1, application/fhir+json":   fhir,
		"application/fhir+xml, application/json;q=0.5":        "application/json",
		"application/json;q=0.2, application/fhir+json;q=0.9": fhir,
		"application/fhir+json; fhirVersion=4.0":              fhir,
		"application/json+fhir":                               fhir, // R-HTTP-18
		"text/html,application/xhtml+xml;q=0.9,*/*;q=0.8":     fhir,
		"application/fhir+json;q=0, application/json;q=0.1":   "application/json",
		"application/fhir+json; fhirVersion=3.0, */*;q=0.1":   fhir,
		// RFC 9110 section 12.5.1: the most specific range says the quality.
		"application/fhir+json;q=0, */*":                                         "application/json",
		"*/*, application/fhir+json;q=0":                                         "application/json",
		"application/*;q=0, */*":                                                 "text/json",
		"application/fhir+json;q=0, application/json;q=0, */*":                   "text/json",
		"application/json;q=0.1, */*;q=0.5":                                      fhir,
		"application/fhir+json;q=0.2, application/*;q=0.3":                       "application/json",
		"application/fhir+json; fhirVersion=4.0;q=0, application/fhir+json, */*": "application/json",
		"application/*; charset=utf-8, application/fhir+json;q=0":                "application/json",
		"application/fhir+json;q=0, */*;q=0":                                     "", "*/*;q=0": "", "application/fhir+json;q=nan": "",
		"application/fhir+json; charset=utf-8": fhir, `application/json; charset="UTF-8"`: "application/json", "application/json; charset=latin1": "",
		`text/html; x="a,application/json"`: "", `text/html; x="\",*/*", text/json`: "text/json", `"`: "",
		" ": fhir, ",": fhir, " , ,": fhir, ", text/json,": "text/json", // RFC 9110 section 5.6.1: an empty list asks for nothing
		"text/html, image/gif, image/jpeg, *; q=.2, */*; q=.2": fhir,
		"image/png": "", "application/fhir+xml": "", "application/fhir+turtle": "", "application/fhir+json;q=0": "",
		"application/fhir+json; fhirVersion=3.0": "", "nonsense": "", "*/*;q=x": "",
	} {
		for _, path := range []string{"/CarePlan/c1", "/CarePlan?status=active", "/CarePlan/_history", "/metadata"} {
			r := w.get(path, "Accept", accept)
			if accept == "" {
				r = w.get(path)
			}
			if media == "" {
				r.failed(406, "not-supported")
				continue
			}
			assert.Equal(t, 200, r.Code, accept)
			assert.Equal(t, media+"; charset=utf-8", r.Header().Get("Content-Type"), accept)
			assert.True(t, json.Valid(r.Body.Bytes()))
		}
	}
	want := w.get("/CarePlan/c1").Body.String()
	for _, f := range []string{"json", "application/json", "application/fhir%2Bjson", "application/fhir+json", "application/fhir%2Bjson;%20fhirVersion=4.0",
		"text/json", "JSON", "application/fhir%2Bjson;charset=utf-8", "application/fhir+json;charset=UTF-8;fhirVersion=4.0", "application/json;%20charset=utf-8"} {
		r := w.get("/CarePlan/c1?_format="+f, "Accept", "application/fhir+xml")
		assert.Equal(t, 200, r.Code, f)
		assert.Equal(t, want, r.Body.String(), f)
		assert.Equal(t, "application/fhir+json; charset=utf-8", r.Header().Get("Content-Type"))
	}
	for _, f := range []string{"xml", "application/fhir%2Bxml", "ttl", "html", "application/fhir%2Bjson;fhirVersion=3.0",
		"application/fhir%2Bjson;charset=latin1", "application/fhir%2Bjson;fhirVersion=4.0;fhirVersion=3.0", ";", "json,xml"} {
		w.get("/CarePlan/c1?_format="+f, "Accept", "application/fhir+json").failed(406, "not-supported")
	}
	w.get("/CarePlan/c1?_format=json&_format=xml").failed(400, "invalid")
	assert.Equal(t, 200, w.get("/CarePlan/c1?_format=").Code)
	assert.Equal(t, 200, w.get("/CarePlan/c1", "Accept", "").Code, "an empty header asks for nothing")
	assert.Equal(t, "text/json; charset=utf-8", w.get("/CarePlan/c1", "Accept", "text/html", "Accept", "text/json").Header().Get("Content-Type"), "two headers are one list")
}

// R-OO-01, R-OO-03, R-OO-04, R-OO-08: every status that this side answers with
// is an OperationOutcome, in the media type asked for where that can be given;
// 401 and 403 are given before it (TestRefusalsAreOfThePagesKind), 412, 422 and
// 429 by nothing that is offered.
func TestR_OO_01_03_04_EveryStatusIsAnOutcome(t *testing.T) {
	w := small(t)
	w.limited(w.store, Limits{})
	w.delete(planRef("c2"))
	long := strings.Repeat("a", maxURL)
	for _, c := range []struct {
		status             int
		method, path, body string
		headers            []string
	}{
		{400, "GET", "/CarePlan?date=yesterday", "", nil}, {400, "GET", "/CarePlan?%zz=1", "", nil}, {400, "GET", "/CarePlan/c1?_pretty=1", "", nil},
		{404, "GET", "/CarePlan/none", "", nil}, {404, "GET", "/Nonsense", "", nil}, {404, "GET", "/a/b/c/d/e", "", nil}, {404, "PUT", "/Nonsense/1", "", nil},
		{405, "DELETE", "/CarePlan/c1", "", nil}, {405, "GET", "/CarePlan/_search", "", nil}, {405, "GET", "", "", nil},
		{406, "GET", "/CarePlan/c1?_format=xml", "", nil}, {410, "GET", "/CarePlan/c2", "", nil},
		{413, "POST", "/CarePlan/_search", long, []string{"Content-Type", "application/x-www-form-urlencoded"}},
		{413, "POST", "/CarePlan/$validate", long + strings.Repeat(long, 8), []string{"Content-Type", fhirJSON}},
		{414, "GET", "/CarePlan?" + long, "", nil}, {415, "POST", "/CarePlan/_search", "", []string{"Content-Type", "text/csv"}},
		{415, "POST", "/CarePlan/$validate", "", []string{"Content-Type", "text/csv"}}, {431, "GET", "/CarePlan", "", []string{"X-Long", long}},
	} {
		for accept, media := range map[string]string{"": fhirJSON, "application/json": "application/json", "text/json": "text/json"} {
			r := httptest.NewRequestWithContext(t.Context(), c.method, "/fhir"+c.path, strings.NewReader(c.body))
			got := w.send(r, append([]string{"Accept", accept}, c.headers...)...)
			assert.Equal(t, c.status, got.Code, c.path)
			if strings.Contains(c.path, "_format=") {
				media = fhirJSON // which names no form that could be given
			}
			assert.Equal(t, media+"; charset=utf-8", got.Header().Get("Content-Type"), "%d %s %.60s", c.status, accept, c.path)
			o := parseOutcome(t, got.Body.Bytes())
			for _, i := range o.Issue {
				assert.Contains(t, []string{"error", "fatal"}, i.Severity)
				assert.NotEmpty(t, i.Code)
			}
			assert.Equal(t, "no-store", got.Header().Get("Cache-Control"))
			assert.Empty(t, got.Header().Get("Server"), "R-OO-08: no version of software")
		}
	}
	for path, status := range map[string]int{"/a/b/c/d/e": 404, "/CarePlan/c1": 406, "/CarePlan?" + long: 414} {
		r := w.get(path, "Accept", "image/png")
		assert.Equal(t, status, r.Code)
		assert.Equal(t, fhirJSON+"; charset=utf-8", r.Header().Get("Content-Type"), "nothing asked for can be given")
	}
}

// R-HTTP-02, R-HTTP-24: paths, types and ids are told apart by case; an unknown
// type is 404 with an OperationOutcome in every interaction.
func TestR_HTTP_02_24_PathsAreCaseSensitive(t *testing.T) {
	w := newWorld(t)
	v := w.commit(plan("Ab1", "p1", "active"))[0]
	for _, path := range []string{"/CarePlan/Ab1", "/CarePlan/Ab1/_history", "/CarePlan/Ab1/_history/" + v.VersionID, "/metadata", "/_history"} {
		assert.Equal(t, 200, w.get(path).Code, path)
	}
	for _, path := range []string{"/CarePlan/ab1", "/CarePlan/AB1/_history", "/CarePlan/Ab1/_history/" + strings.ToUpper(v.VersionID)} {
		w.get(path).failed(404, "not-found")
	}
	for _, path := range []string{"/careplan/Ab1", "/CAREPLAN", "/careplan/_history", "/careplan/Ab1/_history", "/Metadata", "/_History", "/CarePlan/Ab1/_History",
		"/Nonsense", "/Nonsense/1", "/Nonsense/_history", "/Nonsense/1/_history", "/Nonsense/1/_history/1"} {
		w.get(path).failed(404, "not-supported")
	}
	w.post("/Nonsense/_search", "").failed(404, "not-supported")
	outside := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/FHIR/CarePlan/Ab1", http.NoBody)
	w.send(outside).failed(404, "not-supported")
}

// R-HTTP-05: whoever asks for nothing else gets application/fhir+json, by every
// interaction.
func TestR_HTTP_05_MediaTypeOfEveryInteraction(t *testing.T) {
	w := small(t)
	for _, path := range []string{"/metadata", "/CarePlan/c1", "/CarePlan/c1/_history/e1-1", "/CarePlan", "/CarePlan/c1/_history", "/CarePlan/_history", "/_history", "/CodeSystem/toes", "/CodeSystem"} {
		for _, accept := range []string{"", "*/*", fhirJSON} {
			r := w.get(path, "Accept", accept)
			assert.Equal(t, 200, r.Code, path)
			assert.Equal(t, []string{fhirJSON + "; charset=utf-8"}, r.Header().Values("Content-Type"), path)
			assert.Equal(t, "nosniff", r.Header().Get("X-Content-Type-Options"))
		}
	}
	assert.Equal(t, fhirJSON+"; charset=utf-8", w.post("/CarePlan/_search", "status=active").Header().Get("Content-Type"))
}

// R-HTTP-10, R-HTTP-14, R-HTTP-28: the body of a search.
func TestR_HTTP_10_14_28_Bodies(t *testing.T) {
	w := small(t)
	for _, ct := range []string{"text/csv", "application/json", "multipart/form-data; boundary=x", "", "application/x-www-form-urlencoded; charset=latin1",
		"application/x-www-form-urlencoded; fhirVersion=5.0"} {
		w.post("/CarePlan/_search", "status=active", "Content-Type", ct).failed(415, "not-supported")
	}
	w.post("/CarePlan/_search", "status=active", "Content-Type", "application/x-www-form-urlencoded", "Content-Encoding", "gzip").failed(415, "not-supported")
	assert.Equal(t, []string{"c3", "c1"}, w.post("/CarePlan/_search?_format=json", "status=active").bundle().ids())
	w.post("/CarePlan/_search?_format=xml", "status=active").failed(406, "not-supported")
	w.post("/CarePlan/_search", "status="+strings.Repeat("a", maxForm)).failed(413, "too-long")
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/fhir/CarePlan/_search", endless{})
	w.send(r, "Content-Type", "application/x-www-form-urlencoded").failed(413, "too-long")
}

// endless is a body that never ends.
type endless struct{}

func (endless) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = 'a'
	}
	return len(b), nil
}

// R-HTTP-15: _pretty changes whitespace only.
func TestR_HTTP_15_Pretty(t *testing.T) {
	w := small(t)
	plain, pretty := w.get("/CarePlan/c1?_pretty=false").Body.String(), w.get("/CarePlan/c1?_pretty=true").Body.String()
	assert.NotEqual(t, plain, pretty)
	assert.JSONEq(t, plain, pretty)
	w.get("/CarePlan/c1?_pretty=yes").failed(400, "value")
}

// R-HTTP-19, R-SRCH-18: HEAD has the headers of GET and no body.
func TestR_HTTP_19_Head(t *testing.T) {
	w := small(t)
	for _, path := range []string{"/metadata", "/CarePlan/c1", "/CarePlan/c1/_history/e1-1", "/CarePlan?status=active", "/CarePlan/_history", "/_history",
		"/CarePlan/c1/_history", "/CarePlan/none", "/Nonsense/x", "/CarePlan?foo=1", "//CarePlan", "/CodeSystem/toes"} {
		get, head := w.get(path), w.call(http.MethodHead, path)
		assert.Equal(t, get.Code, head.Code, path)
		assert.Zero(t, head.Body.Len(), path)
		get.Header().Del(access.RequestID)
		head.Header().Del(access.RequestID)
		if strings.Contains(get.Body.String(), "_page=") { // a token is never the same twice
			continue
		}
		assert.Equal(t, get.Header(), head.Header(), path)
	}
}

// R-HTTP-25, R-CAP-03: writes and what else is not offered is 405 with Allow,
// or 404 where the path itself is unknown.
func TestR_HTTP_25_MethodsNotOffered(t *testing.T) {
	w := small(t)
	for _, c := range []struct{ method, path, allow string }{
		{"POST", "/CarePlan", "GET, HEAD"}, {"PUT", "/CarePlan", "GET, HEAD"}, {"DELETE", "/CarePlan?status=active", "GET, HEAD"},
		{"PUT", "/CarePlan/c1", "GET, HEAD"}, {"PATCH", "/CarePlan/c1", "GET, HEAD"}, {"DELETE", "/CarePlan/c1", "GET, HEAD"},
		{"POST", "/metadata", "GET, HEAD"}, {"DELETE", "/_history", "GET, HEAD"}, {"POST", "/CarePlan/_history", "GET, HEAD"},
		{"GET", "/CarePlan/_search", "POST"}, {"HEAD", "/CarePlan/_search", "POST"}, {"PUT", "/CarePlan/_search", "POST"}, {"OPTIONS", "/CarePlan", "GET, HEAD"},
		{"POST", "", ""}, {"GET", "", ""}, {"BREW", "/CarePlan", "GET, HEAD"},
	} {
		r := w.call(c.method, c.path)
		if c.method != "HEAD" {
			r.failed(405, "not-supported")
		}
		assert.Equal(t, 405, r.Code)
		values, ok := r.Header()["Allow"]
		assert.True(t, ok, "%s %s", c.method, c.path)
		assert.Equal(t, []string{c.allow}, values, "%s %s", c.method, c.path)
	}
	for _, path := range []string{"/Nonsense", "/Nonsense/1", "/careplan"} {
		r := w.call("POST", path)
		r.failed(404, "not-supported")
		assert.Empty(t, r.Header().Get("Allow"))
	}
	for _, path := range []string{"/CarePlan/$export", "/CarePlan/c1/$validate", "/Patient/p1/Medication", "/Patient/p1/Nonsense", "/CarePlan/c1/Goal", "/$export", "/.well-known/smart-configuration"} {
		assert.Equal(t, 404, w.get(path).Code, path)
	}
	assert.Equal(t, []string{"c3", "c1"}, w.found("/CarePlan?status=active"))
}

// Repeated and trailing slashes are other paths: nothing reroutes.
func TestSlashesAreNotRerouted(t *testing.T) {
	w := small(t)
	for _, path := range []string{"//CarePlan/c1", "/CarePlan//c1", "/CarePlan/c1/", "/CarePlan/", "/", "//", "/metadata/", "/CarePlan/c1//_history", "/CarePlan/c1/_history/",
		"/./CarePlan", "/CarePlan/../CarePlan/c1", "/CarePlan/c1%2F_history"} {
		r := w.get(path)
		r.failed(404, "not-supported", "not-found")
		assert.Empty(t, r.Header().Get("Location"), path)
	}
	outside := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "//fhir/CarePlan", http.NoBody)
	w.send(outside).failed(404, "not-supported")
}

// Outside searches there is nothing that could say what was left out: an
// unknown parameter is 400 also under lenient handling.
func TestUnknownParametersOfOtherInteractions(t *testing.T) {
	w := small(t)
	for _, path := range []string{"/CarePlan/c1?_sort=date", "/CarePlan/c1?foo=1", "/metadata?foo=1", "/CarePlan/c1/_history/e1-1?_count=1", "/metadata?_summary=true"} {
		w.get(path, "Prefer", "handling=lenient").failed(400, "not-supported")
	}
	assert.Equal(t, 200, w.get("/metadata?mode=terminology&_format=json").Code) // R-CAP-08
}

// R-OO-01, R-OO-08: a store that cannot answer is 503 with Retry-After and an
// OperationOutcome; nothing of its error leaves.
func TestR_OO_01_08_StoreUnavailable(t *testing.T) {
	w := small(t)
	for _, cause := range []error{store.ErrUnavailable, errors.New("SQLITE_IOERR at /var/lib/marker.db")} {
		w.fault = cause
		for _, path := range []string{"/CarePlan/c1", "/CarePlan/c1/_history/e1-1", "/CarePlan", "/CarePlan/_history", "/_history"} {
			r := w.get(path)
			r.failed(503, "transient")
			assert.Equal(t, "5", r.Header().Get("Retry-After"))
			assert.NotContains(t, r.Body.String(), "marker")
			assert.NotContains(t, r.Body.String(), "SQLITE")
		}
	}
	assert.Equal(t, 200, w.get("/metadata").Code)
	assert.Equal(t, 200, w.get("/CodeSystem/toes").Code)
	w.fault = nil
	assert.Equal(t, 200, w.get("/CarePlan/c1").Code)
}

// A client that leaves is answered by nobody and alarms nobody.
func TestClientThatLeaves(t *testing.T) {
	w := small(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	r := httptest.NewRequestWithContext(ctx, http.MethodGet, "/fhir/CarePlan", http.NoBody)
	w.send(r).failed(503, "transient")
	assert.NotContains(t, w.log.String(), `"level":"ERROR"`)
}

// R-HTTP-06: bodies are UTF-8.
func TestR_HTTP_06_UTF8(t *testing.T) {
	w := small(t)
	r := w.get("/Patient/p1")
	assert.True(t, utf8.Valid(r.Body.Bytes()))
	assert.Contains(t, r.Body.String(), "Müller")
	assert.Contains(t, r.Header().Get("Content-Type"), "charset=utf-8")
}

// R-OO-08: a panic is 500 with a text that says nothing; the log has the
// request's id and not the value.
func TestR_OO_08_Panic(t *testing.T) {
	w := newWorld(t)
	w.store = broken{w.store}
	w.handler = w.serve(secret)
	r := w.get("/CarePlan/c1")
	r.failed(500, "exception")
	assert.NotContains(t, r.Body.String(), "Marker")
	assert.NotContains(t, w.log.String(), "Marker")
	assert.Contains(t, w.log.String(), r.Header().Get(access.RequestID))
	assert.Contains(t, w.log.String(), `"status":500`)
}

// R-OO-09, R-SEC-08, R-SRCH-03: neither answers to wrong requests nor the log
// repeat what a client sent, nor what a resource holds.
func TestR_OO_09_R_SEC_08_NothingLeaks(t *testing.T) {
	w := newWorld(t)
	w.commit(patient("p1", "Marker", "1950-03-01"), patient("Marker-id", "Marker", "1950-03-01"))
	for _, path := range []string{"/Patient?family=Marker", "/Patient?Marker=1&_id=Marker", "/Patient?birthdate=Marker", "/Marker/1", "/Patient/Marker-id",
		"/Patient/Marker-none", "/Patient/p1/_history/Marker", "/Patient?_format=Marker", "/Patient?_count=Marker", "/Patient?_sort=Marker", "/Patient?_page=Marker",
		"/Patient/_history?_since=Marker", "/Patient/p1?Marker=Marker", "/Patient?M%C3%A4rker%20Marker=1", "/Marker//Marker", "/Patient?active=Marker"} {
		for _, method := range []string{"GET", "HEAD", "DELETE"} {
			r := w.call(method, path, access.RequestID, "Marker", "Prefer", "handling=Marker", "Accept", "application/fhir+json;x=Marker")
			if r.Code >= 400 && path != "/Patient?Marker=1&_id=Marker" { // names of parameters are repeated (R-SRCH-06)
				assert.NotContains(t, r.Body.String(), "Marker", path)
			}
		}
	}
	w.post("/Patient/_search", "family=Marker")
	assert.NotContains(t, w.log.String(), "Marker")
	assert.Contains(t, w.log.String(), `"route":"/fhir/:type/_search"`)
	assert.Contains(t, w.log.String(), `"route":"unmatched"`)
}

// R-HTTP-21: each answer has a request id; the client's own comes back beside
// it.
func TestR_HTTP_21_RequestIDs(t *testing.T) {
	w := newWorld(t)
	a, b := w.get("/metadata", access.RequestID, "t-1"), w.get("/metadata")
	assert.Equal(t, "t-1", a.Header().Get(access.CorrelationID))
	assert.NotEmpty(t, a.Header().Get(access.RequestID))
	assert.NotEqual(t, a.Header().Get(access.RequestID), b.Header().Get(access.RequestID))
	assert.Empty(t, b.Header().Get(access.CorrelationID))
}

// R-SEC-12: injection strings in every part of a request are harmless.
func TestR_SEC_12_InjectionIsHarmless(t *testing.T) {
	w := small(t)
	for _, s := range []string{"' OR 1=1 --", "\"; DROP TABLE version; --", "%' OR '1'='1", "<script>alert(1)</script>", "../../etc/passwd", "\r\nX-Evil: 1", "${jndi:ldap://x}", "*", "_%"} {
		e := escape(s)
		for _, path := range []string{"/CarePlan?identifier=" + e, "/CarePlan?status=" + e, "/Patient?family=" + e, "/CarePlan?_id=" + e, "/CodeSystem?url=" + e} {
			r := w.get(path)
			assert.Contains(t, []int{200, 400}, r.Code, path)
			if r.Code == 200 {
				assert.Empty(t, r.bundle().ids(), path)
			}
			assert.Empty(t, r.Header().Get("X-Evil"))
		}
		for _, path := range []string{"/CarePlan?patient=" + e, "/CarePlan?" + e + "=1", "/CarePlan?_page=" + e, "/CarePlan?_sort=" + e} {
			w.get(path).failed(400, "value", "not-supported", "invalid")
		}
		assert.NotContains(t, w.get("/CarePlan?"+e+"=1").Body.String(), "<script>")
	}
	assert.Equal(t, []string{"c3", "c2", "c1"}, w.found("/CarePlan"))
}
