package main

import (
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// before makes the store what a release without a search parameter left: no rows
// of it, and none named in the mark.
func (b *bench) before(param string) {
	typ, name, _ := strings.Cut(param, ".")
	for _, v := range b.app.clinics {
		require.NoError(b.t, b.app.store.Update(b.t.Context(), func(w store.Writer) error {
			made := v.Index.Made()
			delete(made.Each, param)
			mark, err := json.Marshal(made)
			require.NoError(b.t, err)
			owners, err := w.Owners(v.Settings.Clinic.ID)
			require.NoError(b.t, err)
			for _, o := range append(owners, store.Owner{Clinic: v.Settings.Clinic.ID}) {
				require.NoError(b.t, w.Reindex(o, func(r resource.Resource) ([]searchparam.Row, error) {
					rows, err := v.Index.Rows(r)
					return slices.DeleteFunc(rows, func(x searchparam.Row) bool { return r.Type() == typ && strings.HasPrefix(x.Param, name) }), err
				}))
			}
			return w.SetMark(v.Settings.Clinic.ID, "indexed", string(mark))
		}))
	}
}

func (b *bench) declares(typ, name string) bool {
	var s struct {
		Rest []struct {
			Resource []struct {
				Type        string
				SearchParam []struct{ Name string }
			}
		}
	}
	w := b.get("/fhir/metadata")
	require.Equal(b.t, http.StatusOK, w.Code)
	require.NoError(b.t, json.Unmarshal(w.Body.Bytes(), &s))
	for _, r := range s.Rest[0].Resource {
		for _, p := range r.SearchParam {
			if r.Type == typ && p.Name == name {
				return true
			}
		}
	}
	return false
}

// path is a link of a bundle as the bench asks for it.
func (b *bundle) path(relation string) string {
	for _, l := range b.Link {
		if l.Relation == relation {
			u, _ := url.Parse(l.URL)
			return u.RequestURI()
		}
	}
	return ""
}

// A search parameter that a release brings is indexed while hubs read what they
// read before, and is offered, and declared, only when every resource has its rows
// (R-CAP-01: the CapabilityStatement says what is done).
func TestAParameterIsOfferedWhenItsRowsAreMade(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	_, err := b.app.clinics.outdated(t.Context(), b.app.store)
	require.NoError(t, err)
	for _, name := range []string{"01-both-borders", "03-total-avulsion", "14-overdue"} {
		b.send(name)
	}
	const due = "CarePlan?review-due=ge2020-01-01"
	want := b.search(due)
	require.NotEmpty(t, want.Entry)
	sorted := b.search("Observation?_sort=date&_count=5")
	bare := b.search("Observation?_count=5")
	etag := b.get("/fhir/metadata").Header().Get("ETag")
	b.before("CarePlan.review-due")

	b.under(func(*config.File) {})
	b.app.ready.Store(true)
	stale, err := b.app.clinics.outdated(t.Context(), b.app.store)
	require.NoError(t, err)
	require.False(t, stale, "nothing has to be folded again: hubs go on reading")
	require.NoError(t, b.app.withhold(t.Context()))

	refused := b.get("/fhir/" + due)
	assert.Equal(t, http.StatusBadRequest, refused.Code)
	assert.Contains(t, refused.Body.String(), "not a search parameter of CarePlan here")
	assert.Equal(t, http.StatusBadRequest, b.get("/fhir/CarePlan?_sort=review-due").Code)
	assert.False(t, b.declares("CarePlan", "review-due"))
	assert.True(t, b.declares("CarePlan", "status"))
	assert.Empty(t, b.get("/fhir/metadata").Header().Get("Last-Modified"))
	assert.NotEqual(t, etag, b.get("/fhir/metadata").Header().Get("ETag"))
	assert.Equal(t, http.StatusOK, b.get("/ready").Code)
	assert.NotEmpty(t, b.search("CarePlan?status=active").Entry)
	assert.Equal(t, http.StatusOK, b.get(sorted.path("next")).Code, "the definitions are the same")
	b.send("12-abandoned") // records are taken, with their rows

	b.app.index(t.Context())
	assert.True(t, b.declares("CarePlan", "review-due"))
	assert.Equal(t, etag, b.get("/fhir/metadata").Header().Get("ETag"))
	assert.Equal(t, want.Total, b.search(due).Total)
	assert.Equal(t, http.StatusOK, b.get(bare.path("next")).Code)
	assert.Contains(t, b.log.String(), "all search parameters are offered")
	missing, err := b.app.clinics.unindexed(t.Context())
	require.NoError(t, err)
	assert.Empty(t, missing)
	b.app.index(t.Context()) // nothing is left to do
}

// What belongs to a patient is found by parameters: while one of them is withheld
// the compartment would lack resources, and waits; all else is served.
func TestACompartmentWaitsForItsParameters(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	b.app.ready.Store(true)
	b.send("01-both-borders")
	patient := "/fhir/Patient/" + idOf(t, b.search("Patient").Entry[0].FullURL)
	b.app.offer.Withhold([]string{"Goal.patient"})
	for _, path := range []string{patient + "/Goal", patient + "/*"} {
		w := b.get(path)
		assert.Equal(t, http.StatusServiceUnavailable, w.Code, path)
		assert.NotEmpty(t, w.Header().Get("Retry-After"))
	}
	assert.Equal(t, http.StatusOK, b.get(patient+"/CarePlan").Code)
	assert.Equal(t, http.StatusBadRequest, b.get("/fhir/Goal?patient.birthdate=1980").Code, "nor is it chained through")
	assert.Equal(t, http.StatusBadRequest, b.get("/fhir/Goal?_include=Goal:patient").Code)
	assert.Equal(t, http.StatusOK, b.get("/fhir/Goal?_lastUpdated=ge2020").Code)
	b.app.offer.Withhold(nil)
	assert.Equal(t, http.StatusOK, b.get(patient+"/*").Code)
}
