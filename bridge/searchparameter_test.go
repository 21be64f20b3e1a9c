package main

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/validate"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
)

// D8.2, R-CAP-03: each definition of ours that the CapabilityStatement names for a
// search parameter is there to be read, valid, and says what the statement says.
func TestD8_2_OwnSearchParametersAreServed(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	b.app.ready.Store(true)
	var s struct {
		Rest []struct {
			Resource []struct {
				Type        string
				SearchParam []struct{ Name, Definition, Type string }
			}
		}
	}
	require.NoError(t, json.Unmarshal(b.get("/fhir/metadata").Body.Bytes(), &s))
	v, own := engine.New(defs.New()), 0
	for _, r := range s.Rest[0].Resource {
		for _, p := range r.SearchParam {
			if strings.HasPrefix(p.Definition, "http://hl7.org/fhir/SearchParameter/") {
				continue
			}
			own++
			found := b.search("SearchParameter?url=" + url.QueryEscape(p.Definition))
			require.Len(t, found.Entry, 1, p.Definition)
			assert.Empty(t, v.Validate(found.Entry[0].Resource, validate.Options(nil)))
			var d struct {
				Code, Type, Expression, ID string
				Base                       []string
			}
			require.NoError(t, json.Unmarshal(found.Entry[0].Resource, &d))
			assert.Equal(t, []string{r.Type}, d.Base)
			assert.Equal(t, p.Name, d.Code)
			assert.Equal(t, p.Type, d.Type)
			assert.NotEmpty(t, d.Expression)
			assert.Equal(t, http.StatusOK, b.get("/fhir/SearchParameter/"+d.ID).Code)
		}
	}
	assert.Equal(t, 1, own)
}
