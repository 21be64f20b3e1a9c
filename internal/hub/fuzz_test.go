package hub

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/storetest"
	"nailbridge/mapping/resource"
)

// unseen marks what no answer may hold: content that is hidden, of another
// clinic, or of the store's own errors.
const unseen = "Marker"

// guarded is a hub of the clinic north over a store that holds a little of each
// kind, and resources marked unseen: one declined since, one that was an error,
// and one of another clinic.
func guarded(t testing.TB) http.Handler {
	w := newWorld(t)
	w.commit(patient("p1", "Müller", "1950-03-01"), plan("c1", "p1", "active"), patient("gone", unseen, "1950"), titled("error", "p1", "active", unseen))
	w.commit(plan("c1", "p1", "completed"), patient("p2", "O'Neill", "1960"), plan("c2", "p2", "active"), plan("error", "p1", "entered-in-error"))
	w.delete(resource.Ref{Type: "Patient", ID: "gone"})
	w.change(func(tx store.Writer) error { return tx.Mask(planRef("error")) })
	x, err := newHub(Options{Store: w.store, BaseURL: base, Secret: secret})
	require.NoError(t, err)
	w.change(func(tx store.Writer) error {
		content := patient("south", unseen, "1950")
		rows, err := x.index.Rows(parse(t, content))
		require.NoError(t, err)
		_, err = tx.Put(store.Owner{Clinic: "south", Patient: "urn:mrn|1"}, "case", storetest.Checked(t, content), rows)
		return err
	})
	h, err := New(Options{
		Store: w.store, BaseURL: base, Secret: secret, Released: t0, Static: []resource.Resource{parse(t, codeSystem), parse(t, undatedSystem)},
		Scope: func(context.Context) store.Scope { return store.Scope{Clinics: []string{"north"}} },
		Validator: func(context.Context, []byte, []string) ([]byte, error) {
			return outcome([]issue{{"information", "informational", "seen"}}), nil
		},
	})
	require.NoError(t, err)
	return h
}

// fuzzed are the statuses that a request may be answered with while the store
// works: none of a fault of ours.
var fuzzed = []int{200, 304, 400, 404, 405, 406, 410, 413, 414, 415, 431}

// harmless holds an answer to what every request is promised: no fault of ours,
// an OperationOutcome of errors or a resource in JSON, nothing that is unseen,
// and no header that a client could have written (R-SEC-12, R-OO-01, R-OO-09).
// It gives the body without its content coding.
func harmless(t testing.TB, r *http.Request, rec *httptest.ResponseRecorder) []byte {
	t.Helper()
	require.Contains(t, fuzzed, rec.Code, "%s", rec.Body)
	for name, values := range rec.Header() {
		require.NotContains(t, name, "Evil")
		for _, v := range values {
			require.False(t, strings.ContainsAny(v, "\r\n"), name)
		}
	}
	if r.Method == http.MethodHead || rec.Code == http.StatusNotModified {
		require.Zero(t, rec.Body.Len())
		return nil
	}
	body := rec.Body.Bytes()
	if rec.Header().Get("Content-Encoding") == "gzip" {
		body = []byte(unzip(t, body))
	}
	require.True(t, json.Valid(body), "%s", body)
	if rec.Code >= 400 {
		for _, i := range parseOutcome(t, body).Issue {
			require.Equal(t, "error", i.Severity)
		}
	}
	return body
}

// FuzzRequest sends any method, path, query, headers and body to a hub whose
// store holds a little, some of it not to be seen.
func FuzzRequest(f *testing.F) {
	add := func(method uint8, target, accept, prefer, condition, since, coding, media, body string) {
		f.Add(method, target, accept, prefer, condition, since, coding, media, body)
	}
	const form = "application/x-www-form-urlencoded"
	add(0, "CarePlan/c1", "application/fhir+json;q=0, */*", "", `W/"e1-1", *`, "Mon, 02 Mar 2026 09:00:01 GMT", "gzip;q=0.5, *;q=0", "", "")
	add(0, "CarePlan?patient=p1&_count=1&_sort=-_lastUpdated&foo=", "text/*", "handling=lenient", "", "", "identity;q=0,*", "", "")
	add(1, "_history?_since=2026-03-02T09:00:00Z&_count=1", `application/json;charset="utf-8", ,`, "", "", "", "", "", "")
	add(2, "CarePlan/_search?status=active", "*/*", "", "", "", "x-gzip", form+";charset=utf-8", "patient=p1&%zz")
	add(2, "Patient/$validate?mode=create", "", "", "", "", "", fhirJSON+";fhirVersion=4.0", `{"resourceType":"Parameters","parameter":[{"name":"resource"}]}`)
	add(0, "Patient/gone/_history/e1-1", "", "", "*", "", "", "", "")
	add(0, "Patient/south", "", "", "", "", "", "", "")
	add(0, "Patient?family="+unseen+"&birthdate=1950", "", "", "", "", "", "", "")
	add(0, "CarePlan/c1%2F..%2F_history//%00/'--?_page=AAAA", "", "", "", "", "", "", "")
	add(3, "CarePlan/c1", "", "", "", "", "", "application/json-patch+json", "[]")
	add(0, "metadata?mode=full&_format=application/fhir+json;charset=utf-8&_pretty=true", "", "", `"x,y"`, "yesterday", "", "", "")
	h := guarded(f)
	methods := []string{"GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "BREW"}
	f.Fuzz(func(t *testing.T, method uint8, target, accept, prefer, condition, since, coding, media, body string) {
		u, err := url.ParseRequestURI("/fhir/" + target)
		if err != nil {
			return // net/http answers it
		}
		r := httptest.NewRequestWithContext(t.Context(), methods[int(method)%len(methods)], "/", strings.NewReader(body))
		r.URL = u
		for name, v := range map[string]string{"Accept": accept, "Prefer": prefer, "If-None-Match": condition, "If-Modified-Since": since, "Accept-Encoding": coding,
			"Content-Type": media, access.RequestID: condition} {
			if strings.ContainsFunc(v, func(c rune) bool { return c < ' ' && c != '\t' || c == 0x7f }) {
				return // net/http answers it
			}
			if v != "" {
				r.Header.Set(name, v)
			}
		}
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, r)
		got := string(harmless(t, r, rec))
		if !strings.Contains(target+body, unseen) { // which self and the names of parameters may repeat
			require.NotContains(t, got, unseen)
		}
		require.NotContains(t, got, `"family":"`+unseen)
		require.NotContains(t, got, "Patient/south")
	})
}

// FuzzSearchQuery sends any query string to a search of artifacts, and of a type
// that the store holds: the answer is a Bundle, 400, 406 or 410, and the self
// link of a Bundle gives the same again.
func FuzzSearchQuery(f *testing.F) {
	for _, s := range []string{"url=urn:x&_count=1", "_sort=-_lastUpdated&status=active,draft", "_lastUpdated=ge2026", "patient=%zz&status=active", "_format=xml",
		"_page=AAAA", "status=&foo=1", `name=a\,b`, "_count=99999999999999999999", "identifier=%7C", "_summary=count&_total=none", "_count=", "patient=p1,Patient/p2",
		"activity-date=ge2026-03-09&subject:Patient=p1", "identifier=urn:plans|no-c1&_total=none", "_id=c1,c2&_count=1", "category=%27%20OR%201=1--"} {
		f.Add(s, false)
		f.Add(s, true)
	}
	h := guarded(f)
	ask := func(t *testing.T, typ, rawQuery string, lenient bool) *httptest.ResponseRecorder {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/fhir/"+typ, http.NoBody)
		r.URL.RawQuery = rawQuery
		if lenient {
			r.Header.Set("Prefer", "handling=lenient")
		}
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, r)
		return rec
	}
	f.Fuzz(func(t *testing.T, rawQuery string, lenient bool) {
		for _, typ := range []string{"CodeSystem", "CarePlan", "Patient"} {
			rec := ask(t, typ, rawQuery, lenient)
			if rec.Code != 200 {
				require.Contains(t, []int{400, 406, 410, 414}, rec.Code)
				reply{rec, t}.failed(rec.Code, "value", "not-supported", "invalid", "too-costly", "too-long", "processing")
				continue
			}
			b := reply{rec, t}.bundle()
			self, err := http.NewRequestWithContext(t.Context(), http.MethodGet, b.link("self"), http.NoBody)
			require.NoError(t, err)
			again := reply{ask(t, typ, self.URL.RawQuery, false), t}.bundle()
			require.Equal(t, b.ids(), again.ids())
			require.NotContains(t, b.ids(), "south")
			require.NotContains(t, b.ids(), "gone")
			require.True(t, json.Valid(rec.Body.Bytes()))
		}
	})
}

// injections are strings that have broken other servers.
var injections = []string{"' OR 1=1 --", "\"; DROP TABLE version; --", "%' OR '1'='1", "') UNION SELECT body FROM version --", "<script>alert(1)</script>", "../../etc/passwd",
	"..\\..\\boot.ini", "\r\nX-Evil: 1", "${jndi:ldap://x}", "{{7*7}}", "$(id)", "`id`", "*", "_%", "\x00", "\u202e", "\xff\xfe", "-1", "1e999", "[]", "a,b|c$d\\",
	strings.Repeat("[", 9000), "Patient/south", "urn:mrn|mrn-south"}

// R-SEC-12: injection strings in every parameter of every type, in URL and form,
// are a literal value that nothing has, or 400.
func TestR_SEC_12_InjectionInEveryParameter(t *testing.T) {
	h := guarded(t)
	ask := func(method, target, body string) (*httptest.ResponseRecorder, []byte) {
		r := httptest.NewRequestWithContext(t.Context(), method, "/fhir/"+target, strings.NewReader(body))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, r)
		return rec, harmless(t, r, rec)
	}
	asked := map[string]bool{} // by string
	for k, typ := range searchparam.Types() {
		names := append([]string{"_count", "_sort", "_summary", "_total", "_page", "_format", "_pretty", "_since", "_include", "_has:a:b:c"}, injections...)
		for i, d := range searchparam.Definitions(typ) {
			names = append(names, d.Name, d.Name+":"+injections[i%len(injections)])
		}
		for i, name := range names {
			for j, s := range injections {
				if (i+j+k)%8 > 0 { // each string in each parameter, over the types
					continue
				}
				pair := escape(name) + "=" + escape(s)
				rec, body := ask("GET", typ+"?"+pair, "")
				asked[s] = true
				if i%4 == 0 {
					post, _ := ask("POST", typ+"/_search", pair)
					require.Equal(t, rec.Code, post.Code, pair)
				}
				if rec.Code == 200 {
					require.Empty(t, reply{rec, t}.bundle().ids(), "%s?%s", typ, pair)
					require.NotContains(t, string(body), unseen)
				}
			}
		}
	}
	assert.Len(t, asked, len(injections))
}

// R-SEC-12: and so they are in every part of a path and in every header that is
// read.
func TestR_SEC_12_InjectionInPathsAndHeaders(t *testing.T) {
	h := guarded(t)
	ask := func(r *http.Request) *httptest.ResponseRecorder {
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, r)
		require.NotContains(t, string(harmless(t, r, rec)), unseen)
		return rec
	}
	for _, s := range injections {
		for _, path := range []string{"/*", "/*/c1", "/CarePlan/*", "/CarePlan/*/_history", "/CarePlan/c1/*", "/CarePlan/c1/_history/*", "/CarePlan/*/_history/*",
			"/*/_history", "/*/_search", "/CarePlan/c1/_history/e1-1/*"} {
			for _, method := range []string{"GET", "HEAD", "POST", "DELETE"} {
				r := httptest.NewRequestWithContext(t.Context(), method, "/fhir"+strings.ReplaceAll(path, "*", url.PathEscape(s)), http.NoBody)
				require.NotEqual(t, 200, ask(r).Code, "%s %s", method, path)
			}
		}
		for _, name := range []string{"Accept", "Accept-Encoding", "Prefer", "If-None-Match", "If-Modified-Since", "If-Match", access.RequestID, access.CorrelationID,
			"X-Intermediary", "X-Forwarded-For", "X-Forwarded-Host", "Range", "Content-Type", "Accept-Charset", "User-Agent", "Referer"} {
			for _, path := range []string{"/CarePlan/c1", "/CarePlan", "/_history", "/metadata"} {
				r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/fhir"+path, http.NoBody)
				r.Header[name] = []string{s}
				rec := ask(r)
				require.Contains(t, []int{200, 304, 406}, rec.Code, "%s: %q", name, s)
				if name == access.RequestID {
					require.True(t, slices.Contains([]string{"", s}, rec.Header().Get(access.CorrelationID)))
				}
			}
		}
	}
}
