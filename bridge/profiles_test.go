package main

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/validate"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
	"nailbridge/mapping/terms"
)

// R-CAP-05: each type of the clinics' records names the profiles that its resources
// claim; each of ours is there to be read, valid as a resource, and on that type.
func TestR_CAP_05_ProfilesAreNamedAndServed(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	b.app.ready.Store(true)
	var s struct {
		Rest []struct {
			Resource []struct {
				Type             string
				SupportedProfile []string
			}
		}
	}
	require.NoError(t, json.Unmarshal(b.get("/fhir/metadata").Body.Bytes(), &s))
	v, named := engine.New(defs.New()), map[string][]string{}
	for _, r := range s.Rest[0].Resource {
		for _, p := range r.SupportedProfile {
			named[r.Type] = append(named[r.Type], p)
			if !strings.HasPrefix(p, terms.CanonicalBase) {
				continue
			}
			found := b.search("StructureDefinition?status=active&url=" + url.QueryEscape(p))
			require.Len(t, found.Entry, 1, p)
			assert.Empty(t, v.Validate(found.Entry[0].Resource, validate.Options(nil)))
			var d struct{ ID, Type string }
			require.NoError(t, json.Unmarshal(found.Entry[0].Resource, &d))
			assert.Equal(t, r.Type, d.Type)
			assert.Equal(t, http.StatusOK, b.get("/fhir/StructureDefinition/"+d.ID).Code)
		}
	}
	for _, typ := range searchparam.CareTypes() {
		assert.NotEmpty(t, named[typ], typ)
	}
	assert.Contains(t, named["Observation"], terms.ProfileBodyWeight)
	assert.Len(t, named, len(searchparam.CareTypes()), "artifacts claim none")
}
