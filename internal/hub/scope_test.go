package hub

import (
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
	"nailbridge/internal/store/storetest"
)

// clinicsOf carries the clinics of a request's client in these tests.
type clinicsOf struct{}

// as answers a request below /fhir of a client that may see some clinics.
func (w *world) as(path string, clinics ...string) reply {
	w.Helper()
	return w.send(httptest.NewRequestWithContext(context.WithValue(w.Context(), clinicsOf{}, clinics), http.MethodGet, "/fhir"+path, http.NoBody))
}

// Clinics are walls: a client sees its own clinics, and can tell nothing of
// another from a read, a version, a count, a history or a page link.
func TestClinicsAreWalls(t *testing.T) {
	w := newWorld(t)
	south := store.Owner{Clinic: "south", Patient: "urn:mrn|1"}
	var err error
	w.handler, err = New(Options{
		Store: w.store, BaseURL: base, Secret: secret, Log: slog.New(slog.DiscardHandler),
		Scope: func(ctx context.Context) store.Scope {
			clinics, _ := ctx.Value(clinicsOf{}).([]string)
			return store.Scope{Clinics: clinics}
		},
	})
	require.NoError(t, err)
	x, err := newHub(Options{Store: w.store, BaseURL: base, Secret: secret})
	require.NoError(t, err)
	put := func(o store.Owner, id string) {
		w.change(func(tx store.Writer) error {
			content := storetest.Plan(id, "plan")
			rows, err := x.index.Rows(parse(t, content))
			require.NoError(t, err)
			_, err = tx.Put(o, "case", storetest.Checked(t, content), rows)
			return err
		})
	}
	put(owner, "n1")
	put(south, "s1")
	put(owner, "n2")
	put(owner, "n3")

	nobody := w.as("/CarePlan/unknown", "north").Body.String()
	for _, path := range []string{"/CarePlan/s1", "/CarePlan/s1/_history", "/CarePlan/s1/_history/e1-1"} {
		assert.Equal(t, http.StatusOK, w.as(path, "south").Code, path)
		theirs := w.as(path, "north")
		assert.Equal(t, http.StatusNotFound, theirs.Code, path)
		assert.Equal(t, nobody, theirs.Body.String(), "%s: as of a resource that never was", path)
		assert.Empty(t, theirs.Header().Get("ETag"), path)
	}
	for _, path := range []string{"/CarePlan", "/CarePlan?status=active", "/CarePlan/_history", "/_history"} {
		for clinic, total := range map[string]string{"north": `"total":3,`, "south": `"total":1,`, "elsewhere": `"total":0,`} {
			got := w.as(path, clinic)
			require.Equal(t, http.StatusOK, got.Code, path)
			assert.Contains(t, got.Body.String(), total, "%s of %s", path, clinic)
			if clinic != "south" {
				assert.NotContains(t, got.Body.String(), "s1", path)
			}
		}
		assert.Contains(t, w.as(path).Body.String(), `"total":0,`, "%s of a client without clinics", path)
	}

	for _, path := range []string{"/CarePlan?_id=n1,n2,n3&_count=1", "/CarePlan/_history?_count=1"} {
		next := strings.TrimPrefix(w.as(path, "north").bundle().link("next"), base)
		assert.Equal(t, http.StatusOK, w.as(next, "north").Code, path)
		theirs := w.as(next, "south")
		assert.Equal(t, http.StatusBadRequest, theirs.Code, "%s: a page link is for the client that it was made for", path)
		assert.NotContains(t, theirs.Body.String(), "n1", "its criteria show nowhere")
	}
}
