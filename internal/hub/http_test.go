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
	"github.com/stretchr/testify/require"

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
	for _, f := range []string{"json", "application/json", "application/fhir%2Bjson", "application/fhir+json", "application/fhir%2Bjson;%20fhirVersion=4.0"} {
		r := w.get("/CarePlan/c1?_format="+f, "Accept", "application/fhir+xml")
		assert.Equal(t, 200, r.Code, f)
		assert.Equal(t, want, r.Body.String(), f)
		assert.Equal(t, "application/fhir+json; charset=utf-8", r.Header().Get("Content-Type"))
	}
	for _, f := range []string{"xml", "application/fhir%2Bxml", "ttl", "html", "application/fhir%2Bjson;fhirVersion=3.0"} {
		w.get("/CarePlan/c1?_format="+f, "Accept", "application/fhir+json").failed(406, "not-supported")
	}
	w.get("/CarePlan/c1?_format=json&_format=xml").failed(400, "invalid")
	assert.Equal(t, 200, w.get("/CarePlan/c1?_format=").Code)
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
		get.Header().Del(requestIDHeader)
		head.Header().Del(requestIDHeader)
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
		{"GET", "/CarePlan/_search", "POST"}, {"HEAD", "/CarePlan/_search", "POST"}, {"OPTIONS", "/CarePlan", "GET, HEAD"},
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
		r.failed(404, r.issueCode())
		assert.Empty(t, r.Header().Get("Location"), path)
	}
	outside := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "//fhir/CarePlan", http.NoBody)
	w.send(outside).failed(404, "not-supported")
}

func (r reply) issueCode() string {
	var o outcomeJSON
	require.NoError(r.t, json.Unmarshal(r.Body.Bytes(), &o))
	require.NotEmpty(r.t, o.Issue)
	return o.Issue[0].Code
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
	assert.Contains(t, w.log.String(), r.Header().Get(requestIDHeader))
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
			r := w.call(method, path, requestIDHeader, "Marker", "Prefer", "handling=Marker", "Accept", "application/fhir+json;x=Marker")
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
	a, b := w.get("/metadata", requestIDHeader, "t-1"), w.get("/metadata")
	assert.Equal(t, "t-1", a.Header().Get(correlationIDHeader))
	assert.NotEmpty(t, a.Header().Get(requestIDHeader))
	assert.NotEqual(t, a.Header().Get(requestIDHeader), b.Header().Get(requestIDHeader))
	assert.Empty(t, b.Header().Get(correlationIDHeader))
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
			w.get(path).failed(400, w.get(path).issueCode())
		}
		assert.NotContains(t, w.get("/CarePlan?"+e+"=1").Body.String(), "<script>")
	}
	assert.Equal(t, []string{"c3", "c2", "c1"}, w.found("/CarePlan"))
}
