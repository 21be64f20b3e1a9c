package main

import (
	"bytes"
	"encoding/json"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/guide"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/validate"
	"nailbridge/internal/validate/engine"
	"nailbridge/mapping/published"
	"nailbridge/mapping/terms"
)

// D8.3, R-READ-17: every version of every definition that was ever published under
// our canonical base is found by its URL and version, in both spellings, says what
// it said then, and is valid R4. One that another has taken the place of says that
// it is retired, and has its version in its id.
func TestD8_3_EveryPublishedVersionIsServed(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-11-29T09:00:00Z")
	b.app.ready.Store(true)
	old := map[string]bool{}
	for _, d := range published.Superseded() {
		old[d.Canonical()] = true
	}
	hashes := map[string][]string{}
	for _, l := range published.List() {
		typ, _, _ := strings.Cut(strings.TrimPrefix(l.URL, terms.CanonicalBase+"/"), "/")
		if typ == "ImplementationGuide" {
			continue // it lists the files of the package, and is served by nobody
		}
		require.Contains(t, searchparam.ArtifactTypes(), typ)
		hashes[typ+"?url="+url.QueryEscape(l.URL)+"&version="+l.Version] = append(hashes[typ+"?url="+url.QueryEscape(l.URL)+"&version="+l.Version], l.SHA256)
	}
	v, superseded := engine.New(definitions(terms.MustLoad())), 0
	for query, forms := range hashes {
		found := b.search(query)
		require.Len(t, found.Entry, 1, query)
		assert.Equal(t, found.Entry, b.search(strings.Replace(query, "&version=", "%7C", 1)).Entry, query)
		text := found.Entry[0].Resource
		var tree map[string]json.RawMessage
		require.NoError(t, json.Unmarshal(text, &tree))
		d, err := published.Of(text)
		require.NoError(t, err)
		delete(tree, "meta")
		if old[d.Canonical()] {
			superseded++
			assert.JSONEq(t, `"retired"`, string(tree["status"]), query)
			assert.Equal(t, http.StatusOK, b.get("/fhir/"+d.Type+"/"+d.ID).Code)
			id, is := strings.CutSuffix(d.ID, "-"+d.Version)
			require.True(t, is, d.ID)
			tree["id"], tree["status"] = json.RawMessage(`"`+id+`"`), json.RawMessage(`"active"`)
		}
		body, err := json.Marshal(tree)
		require.NoError(t, err)
		hash, err := guide.Hash(body)
		require.NoError(t, err)
		assert.Contains(t, forms, hash, query)
		for _, i := range v.Validate(text, validate.Options(nil)) {
			assert.False(t, i.Invalid(), "%s: %s at %s: %s", query, i.Key, i.Location, i.Text)
		}
	}
	assert.Len(t, old, superseded+1, "all but the guide")
	assert.Greater(t, len(hashes), 195)
	t.Logf("%d versions, of which %d superseded", len(hashes), superseded)
}

// D8.3: what was served under an id of now is there by its version, and in the
// history of the id, the newest first.
func TestD8_3_HistoryOfADefinition(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-11-29T09:00:00Z")
	b.app.ready.Store(true)
	var history struct {
		Total int
		Entry []struct {
			Resource json.RawMessage
			Response struct{ Status, LastModified string }
		}
	}
	require.NoError(t, json.Unmarshal(b.get("/fhir/StructureDefinition/goal/_history").Body.Bytes(), &history))
	require.Len(t, history.Entry, 2)
	assert.Equal(t, 2, history.Total)
	assert.Equal(t, []string{"200", "201"}, []string{history.Entry[0].Response.Status, history.Entry[1].Response.Status})
	assert.Equal(t, "2026-11-28T02:58:54.000Z", history.Entry[1].Response.LastModified, "when it was published")
	var was struct {
		ID, Version, Status string
		Meta                struct{ VersionID string }
	}
	require.NoError(t, json.Unmarshal(history.Entry[1].Resource, &was))
	assert.Equal(t, "goal 1.0.0 active", was.ID+" "+was.Version+" "+was.Status)
	// The version id under which the release served it that published it: the first
	// 64 bits of the SHA-256 of its text.
	read := b.get("/fhir/StructureDefinition/goal/_history/" + was.Meta.VersionID)
	assert.Equal(t, string(history.Entry[1].Resource), strings.TrimSpace(read.Body.String()))
	assert.Contains(t, b.get("/fhir/StructureDefinition/goal").Body.String(), `"version":"1.1.0"`)
}

// $validate and the validator hold a resource to the version of a profile that is
// asked for, and to the latest where none is. The first version of the profile of
// goals bound what is measured to our findings; the next does not.
func TestD8_3_ValidationAgainstAVersion(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-11-29T09:00:00Z")
	b.app.ready.Store(true)
	goal, err := os.ReadFile("../conformance/guide/examples/goal-1.json")
	require.NoError(t, err)
	other := bytes.Replace(goal, []byte(`"code": "regrowth-seen",
            "display": "Regrowth of nail looked for",
            "system": "https://nailbridge.example/fhir/CodeSystem/finding"`), []byte(`"code": "none",
            "display": "No regrowth",
            "system": "https://nailbridge.example/fhir/CodeSystem/regrowth"`), 1)
	require.NotEqual(t, goal, other)
	const profile = terms.CanonicalBase + "/StructureDefinition/goal"
	errorsOf := func(body []byte, canonical string) (out []string) {
		w := b.do("POST", "/fhir/Goal/$validate?profile="+url.QueryEscape(canonical), "application/fhir+json", body)
		require.Equal(t, http.StatusOK, w.Code)
		var o struct {
			Issue []struct {
				Severity   string
				Expression []string
			}
		}
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), &o))
		for _, i := range o.Issue {
			if i.Severity == "error" || i.Severity == "fatal" {
				out = slices.Concat(out, i.Expression)
			}
		}
		return out
	}
	for _, canonical := range []string{profile, profile + "|1.0.0", profile + "|1.1.0"} {
		assert.Empty(t, errorsOf(goal, canonical), canonical)
	}
	assert.Equal(t, []string{"Goal.target[0].measure"}, errorsOf(other, profile+"|1.0.0"))
	assert.Empty(t, errorsOf(other, profile+"|1.1.0"))
	assert.Empty(t, errorsOf(other, profile), "the latest")
	assert.NotEmpty(t, errorsOf(goal, profile+"|9.9.9"), "no such version")
}
