package access_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
)

func TestOnlyLoopbackIsListenedOn(t *testing.T) {
	for _, addr := range []string{"127.0.0.1:8470", "127.8.0.1:0", "[::1]:8470", "localhost:8470", "LOCALHOST:1"} {
		assert.NoError(t, access.Loopback(addr), addr)
	}
	for _, addr := range []string{":8470", "0.0.0.0:8470", "[::]:8470", "192.0.2.1:8470", "bridge.example:8470", "localhost.example:1", "127.0.0.1.example:1"} {
		assert.ErrorIs(t, access.Loopback(addr), access.ErrNotLoopback, addr)
	}
	for _, addr := range []string{"", "127.0.0.1", "::1", "8470"} {
		assert.Error(t, access.Loopback(addr), addr)
	}
}

// A page in a browser on the same machine reaches the bridge under a name of
// its own (DNS rebinding) or with its own Origin; neither is served.
func TestHostAndOriginAreChecked(t *testing.T) {
	reached := false
	h := access.Guard("https://fhir.bridge.example/fhir", http.HandlerFunc(func(http.ResponseWriter, *http.Request) { reached = true }))
	for _, c := range []struct {
		host, origin string
		served       bool
	}{
		{"127.0.0.1:8470", "", true},
		{"localhost:8470", "", true},
		{"[::1]:8470", "", true},
		{"[::1]", "", true},
		{"fhir.bridge.example", "", true},
		{"FHIR.Bridge.Example:443", "", true},
		{"127.0.0.1:8470", "http://127.0.0.1:8470", true},
		{"fhir.bridge.example", "https://fhir.bridge.example", true},
		{"evil.example:8470", "", false},
		{"127.0.0.1.evil.example", "", false},
		{"localhost:8470.evil.example", "", false},
		{"localhost:evil.example", "", false},
		{"fhir.bridge.example.evil.example", "", false},
		{"192.0.2.1:8470", "", false},
		{"", "", false},
		{"127.0.0.1:8470", "null", false},
		{"127.0.0.1:8470", "http://127.0.0.1:3000", false},
		{"127.0.0.1:8470", "https://evil.example", false},
		{"127.0.0.1:8470", "file://127.0.0.1:8470", false},
		{"127.0.0.1:8470", "http://127.0.0.1:8470, https://evil.example", false},
		{"fhir.bridge.example", "http://localhost", false},
		{"127.0.0.1:8470", "http://127.0.0.1:8470 and http://127.0.0.1:8470", false},
	} {
		reached = false
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/records/north/S-1", nil)
		r.Host = c.host
		if c.origin != "" {
			r.Header["Origin"] = strings.Split(c.origin, " and ")
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		assert.Equal(t, c.served, reached, "%s %s", c.host, c.origin)
		if !c.served {
			assert.Equal(t, http.StatusForbidden, w.Code)
			assert.NotContains(t, w.Body.String(), "evil", "what was sent is not repeated")
		}
	}
}

// D2, R-OO-01: on /fhir always an OperationOutcome, elsewhere RFC 9457.
func TestRefusalsAreOfThePagesKind(t *testing.T) {
	h := access.Guard("", http.NotFoundHandler())
	for path, want := range map[string][2]string{
		"/fhir": {"application/fhir+json", "OperationOutcome"}, "/fhir/Patient": {"application/fhir+json", "OperationOutcome"},
		"/records": {"application/problem+json", ""}, "/fhirs": {"application/problem+json", ""}, "/metrics": {"application/problem+json", ""},
	} {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, path, nil)
		r.Host = "evil.example"
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		assert.Equal(t, want[0], w.Header().Get("Content-Type"), path)
		var tree map[string]any
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), &tree))
		if want[1] != "" {
			assert.Equal(t, want[1], tree["resourceType"], path)
			continue
		}
		assert.EqualValues(t, 403, tree["status"], path)
	}
}

// R-HTTP-21, R-OO-10: what is refused before a door sees it has a request id
// too, with the client's own beside it; an id that is there already stays.
func TestR_HTTP_21_RefusalsHaveARequestID(t *testing.T) {
	h := access.Guard("https://bridge.example/fhir", access.Require(nobody{}, http.NotFoundHandler()))
	ids := map[string]bool{}
	for _, path := range []string{"/fhir/CarePlan", "/records", "/nowhere"} {
		for host, status := range map[string]int{"127.0.0.1": 401, "evil.example": 403} {
			r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, http.NoBody)
			r.Host = host
			r.Header.Set(access.RequestID, "t-1")
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			assert.Equal(t, status, w.Code)
			assert.Regexp(t, `^[0-9a-f]{16}$`, w.Header().Get(access.RequestID))
			assert.Equal(t, "t-1", w.Header().Get(access.CorrelationID))
			ids[w.Header().Get(access.RequestID)] = true
			assert.Equal(t, w.Header().Get(access.RequestID), access.Identify(w, r))
		}
	}
	assert.Len(t, ids, 6, "each has its own")
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/fhir/CarePlan", http.NoBody)
	r.Header.Set(access.RequestID, strings.Repeat("a", 129))
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	assert.Empty(t, w.Header().Values(access.CorrelationID), "an id without end is not given back")
}

// nobody is a checker without keys.
type nobody struct{}

func (nobody) Find(string) (access.Caller, bool) { return access.Caller{}, false }
