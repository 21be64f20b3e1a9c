package hub

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// validating is a world whose hub offers $validate; what it is asked is told.
func validating(t *testing.T) (w *world, asked *string) {
	t.Helper()
	w = newWorld(t)
	asked = new(string)
	h, err := New(Options{
		Store: w.store, BaseURL: base, Secret: secret, Version: "1.2.3", Released: t0,
		Validator: func(_ context.Context, resource []byte, profiles []string) ([]byte, error) {
			*asked = fmt.Sprintf("%s %v", resource, profiles)
			return []byte(`{"resourceType":"OperationOutcome","text":{"status":"generated","div":"<div/>"},"issue":[{"severity":"information","code":"informational"}]}`), nil
		},
	})
	require.NoError(t, err)
	w.handler = h
	return w, asked
}

// POST [type]/$validate takes a resource, or Parameters with one, and answers
// 200 with an OperationOutcome (R4 resource-operation-validate.html).
func TestValidateOperation(t *testing.T) {
	w, asked := validating(t)
	patient := `{"resourceType":"Patient"}`
	for _, c := range []struct{ path, body, want string }{
		{"/Patient/$validate", patient, patient + " []"},
		{"/Patient/$validate?profile=http://a.example/p", patient, patient + " [http://a.example/p]"},
		{"/Patient/$validate", `{"resourceType":"Parameters","parameter":[{"name":"resource","resource":` + patient +
			`},{"name":"profile","valueUri":"http://a.example/p"},{"name":"mode","valueCode":"create"}]}`, patient + " [http://a.example/p]"},
		{"/Patient/$validate", `no JSON`, "no JSON []"},
	} {
		r := w.post(c.path, c.body, "Content-Type", "application/fhir+json")
		assert.Equal(t, http.StatusOK, r.Code, r.Body.String())
		assert.Contains(t, r.Header().Get("Content-Type"), fhirJSON)
		assert.Equal(t, c.want, *asked, c.path)
	}
	for _, c := range []struct {
		path, body, media string
		status            int
		code              string
	}{
		{"/Patient/$validate", `{"resourceType":"Goal"}`, fhirJSON, 400, "invalid"},
		{"/Patient/$validate", `{"resourceType":"Parameters"}`, fhirJSON, 400, "required"},
		{"/Patient/$validate?mode=delete", patient, fhirJSON, 400, "not-supported"},
		{"/Patient/$validate?purge=1", patient, fhirJSON, 400, "not-supported"},
		{"/Toenail/$validate", patient, fhirJSON, 404, "not-supported"},
		{"/Patient/$validate", patient, "application/fhir+xml", 415, "not-supported"},
		{"/Patient/$validate", strings.Repeat(" ", maxResource+1), fhirJSON, 413, "too-long"},
	} {
		w.post(c.path, c.body, "Content-Type", c.media).failed(c.status, c.code)
	}
	for _, method := range []string{http.MethodGet, http.MethodPut} {
		r := w.call(method, "/Patient/$validate")
		r.failed(405, "not-supported")
		assert.Equal(t, "POST", r.Header().Get("Allow"), method)
	}
}

// The CapabilityStatement names the operation where it is offered, and only there.
func TestValidateIsNamed(t *testing.T) {
	w, _ := validating(t)
	assert.Contains(t, w.get("/metadata").Body.String(), `"operation":[{"name":"validate","definition":"http://hl7.org/fhir/OperationDefinition/Resource-validate"}]`)
	plain := newWorld(t)
	assert.NotContains(t, plain.get("/metadata").Body.String(), "operation")
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/fhir/Patient/$validate", strings.NewReader("{}"))
	rec := httptest.NewRecorder()
	plain.handler.ServeHTTP(rec, r) // not by send: the OpenAPI document is of a hub that offers it
	assert.NotEqual(t, http.StatusOK, rec.Code)
}
