package pull

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// server answers searches out of a table of paths with queries; anything else
// is 404.
func server(t *testing.T, answers map[string]string) (*httptest.Server, *[]string) {
	t.Helper()
	var asked []string
	var s *httptest.Server
	s = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked = append(asked, r.Header.Get("Authorization"))
		body, ok := answers[r.URL.RequestURI()]
		if !ok {
			body, ok = answers[r.URL.Path]
		}
		if !ok {
			http.Error(w, "no", http.StatusNotFound)
			return
		}
		fmt.Fprint(w, strings.ReplaceAll(body, "BASE", s.URL))
	}))
	t.Cleanup(s.Close)
	return s, &asked
}

// empties answers every type with an empty page.
func empties(suffix string) map[string]string {
	out := map[string]string{}
	for _, typ := range append([]string{"Patient"}, append(byReference, byPatient...)...) {
		out["/fhir/"+typ+suffix] = `{"resourceType":"Bundle"}`
	}
	return out
}

func TestAllFollowsNextLinks(t *testing.T) {
	answers := empties("")
	answers["/fhir/Procedure?_count=200"] = `{"link":[{"relation":"self","url":"BASE/fhir/Procedure"},{"relation":"next","url":"BASE/fhir/Procedure?page=2"}]}`
	answers["/fhir/Procedure?page=2"] = `{"link":[],"second":true}`
	s, asked := server(t, answers)
	pages, err := kept(func(give func(Page) error) error {
		return Server{Base: s.URL + "/fhir/", Key: "k", Client: s.Client()}.All(t.Context(), false, give)
	})
	require.NoError(t, err)
	assert.Len(t, pages, len(answers)-1, "a page a type, and the second of one")
	for _, a := range *asked {
		assert.Equal(t, "Bearer k", a)
	}
}

func TestAllReadsVersions(t *testing.T) {
	s, _ := server(t, empties("/_history"))
	_, err := kept(func(give func(Page) error) error {
		return Server{Base: s.URL + "/fhir", Client: s.Client()}.All(t.Context(), true, give)
	})
	require.NoError(t, err)
}

// The key is for this server alone, and no error holds a patient's number.
func TestNextLinksStayAtTheServer(t *testing.T) {
	for name, link := range map[string]string{
		"another server": "https://elsewhere.example/fhir/Procedure?page=2",
		"a longer name":  "BASE/fhirother/Procedure",
		"itself":         "BASE/fhir/Patient?identifier=x%7Cnumber-of-theirs",
	} {
		answers := map[string]string{"/fhir/Patient": `{"link":[{"relation":"next","url":"` + link + `"}]}`}
		s, _ := server(t, answers)
		_, err := kept(func(give func(Page) error) error {
			return Server{Base: s.URL + "/fhir", Client: s.Client()}.OfPatient(t.Context(), "x|number-of-theirs", give)
		})
		require.Error(t, err, name)
		assert.NotContains(t, err.Error(), "number-of-theirs", name)
	}
}

func TestOfPatientFollowsReferences(t *testing.T) {
	answers := empties("")
	answers["/fhir/Patient"] = `{"entry":[{"resource":{"id":"p"}}]}`
	answers["/fhir/Procedure?_count=200&patient=Patient%2Fp"] = `{"entry":[{"resource":{"id":"a","usedReference":[{"reference":"Medication/m"},{"reference":"Device/d"}]}}]}`
	answers["/fhir/Medication/m"] = `{"resourceType":"Medication","manufacturer":{"reference":"Organization/o"}}`
	answers["/fhir/Organization/o"] = `{"resourceType":"Organization"}`
	s, _ := server(t, answers)
	pages, err := kept(func(give func(Page) error) error {
		return Server{Base: s.URL + "/fhir", Client: s.Client()}.OfPatient(t.Context(), "x|number-of-theirs", give)
	})
	require.NoError(t, err)
	var urls []string
	for _, p := range pages {
		urls = append(urls, strings.TrimPrefix(p.URL, s.URL))
	}
	assert.Contains(t, urls, "/fhir/Medication/m")
	assert.Contains(t, urls, "/fhir/Organization/o")
}

func TestAnswersThatAreNoSuccess(t *testing.T) {
	s, _ := server(t, nil)
	_, err := kept(func(give func(Page) error) error {
		return Server{Base: s.URL + "/fhir", Client: s.Client()}.OfPatient(t.Context(), "x|number-of-theirs", give)
	})
	require.ErrorContains(t, err, "answered 404 to /fhir/Patient")
	s.Close()
	_, err = kept(func(give func(Page) error) error {
		return Server{Base: s.URL + "/fhir", Client: s.Client()}.OfPatient(t.Context(), "x|number-of-theirs", give)
	})
	require.Error(t, err)
	assert.NotContains(t, err.Error(), "77|")
	assert.NotContains(t, err.Error(), "x%7Cnumber-of-theirs")
}

// kept are the pages that a pull gives.
func kept(pull func(func(Page) error) error) (out []Page, err error) {
	err = pull(func(p Page) error {
		out = append(out, p)
		return nil
	})
	return out, err
}
