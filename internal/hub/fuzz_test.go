package hub

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/mapping/resource"
)

// FuzzSearchQuery sends any query string to a search of artifacts, which needs
// no store: the answer is a Bundle, 400 or 406, and the self link of a Bundle
// gives the same again.
func FuzzSearchQuery(f *testing.F) {
	for _, s := range []string{"url=urn:x&_count=1", "_sort=-_lastUpdated&status=active,draft", "_lastUpdated=ge2026", "patient=%zz&status=active", "_format=xml",
		"_page=AAAA", "status=&foo=1", `name=a\,b`, "_count=99999999999999999999", "identifier=%7C", "_summary=count&_total=none"} {
		f.Add(s, false)
		f.Add(s, true)
	}
	h, err := New(Options{Store: broken{}, BaseURL: base, Secret: secret, Released: t0,
		Static: []resource.Resource{parse(f, codeSystem), parse(f, undatedSystem)}})
	require.NoError(f, err)
	ask := func(t *testing.T, rawQuery string, lenient bool) *httptest.ResponseRecorder {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/fhir/CodeSystem", http.NoBody)
		r.URL.RawQuery = rawQuery
		if lenient {
			r.Header.Set("Prefer", "handling=lenient")
		}
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, r)
		return rec
	}
	f.Fuzz(func(t *testing.T, rawQuery string, lenient bool) {
		rec := ask(t, rawQuery, lenient)
		if rec.Code != 200 && rec.Code != 400 && rec.Code != 406 {
			t.Fatalf("status %d", rec.Code)
		}
		if rec.Code != 200 {
			reply{rec, t}.failed(rec.Code, reply{rec, t}.issueCode())
			return
		}
		b := reply{rec, t}.bundle()
		self, err := http.NewRequestWithContext(t.Context(), http.MethodGet, b.link("self"), http.NoBody)
		require.NoError(t, err)
		again := reply{ask(t, self.URL.RawQuery, false), t}.bundle()
		require.Equal(t, b.ids(), again.ids())
		require.True(t, json.Valid(rec.Body.Bytes()))
	})
}
