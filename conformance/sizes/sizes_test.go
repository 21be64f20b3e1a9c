package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/running"
	"nailbridge/internal/hub"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// Each question is measured on each size, and a store that is there is measured
// again without being filled again.
func TestEachQuestionIsMeasuredOnEachSize(t *testing.T) {
	dir := t.TempDir()
	binary, err := running.Build(t.Context(), dir)
	require.NoError(t, err)
	measured := func(args ...string) string {
		var out bytes.Buffer
		require.NoError(t, run(t.Context(), append(args, "--binary", binary, "--store", dir, "--saves", "3"), &out))
		return out.String()
	}
	table := measured("--plans", "2,30", "--requests", "20", "--starts", "1")
	for _, q := range questions {
		for _, n := range []int{2, 30} {
			assert.Regexp(t, fmt.Sprintf(`(?m)^ *%s +%d +\d+\.\d{3} +\d+\.\d{3} +\d+\.\d{3} +\d+\.\d{3} +\d+\.\d +\d{4,} +\d+\.\d\d *$`, q.name, n), table)
		}
	}
	assert.Regexp(t, `(?m)^ *3 +30 +\d`, table, "saves")
	assert.Contains(t, table, "\n1 starts on 30 plans")
	measured("--plans", "30", "--requests", "0", "--starts", "0")

	p, err := open(t.Context(), binary, dir, 30)
	require.NoError(t, err)
	defer func() { assert.NoError(t, p.db.Close()) }()
	n, err := p.taken(t.Context())
	require.NoError(t, err)
	assert.Equal(t, 2*3, n, "other records each time")
	casesAreFound(t, p)
}

// casesAreFound holds the store to what it is said to hold: each plan of the fill
// with its patient and its procedure, each once, found as a hub does.
func casesAreFound(t *testing.T, p *place) {
	h, err := hub.New(hub.Options{Store: p.db, BaseURL: p.base, Zone: p.zone, Secret: make([]byte, 32)})
	require.NoError(t, err)
	seen, bodies := map[resource.Ref]bool{}, map[string]bool{}
	for n := range p.plans {
		f, err := p.made[n%len(p.made)].fill(n, p.plans)
		require.NoError(t, err)
		for i, r := range f.resources {
			assert.Equal(t, types[i], r.Type())
			assert.False(t, seen[r.Ref()], "%s stands twice", r.Ref())
			seen[r.Ref()] = true
			bodies[string(r.JSON())] = true
		}
		patient := f.resources[1].Ref().String()
		assert.Equal(t, []string{f.resources[0].Ref().String()}, ask(t, h, "/fhir/CarePlan?patient="+patient))
		assert.Equal(t, []string{f.resources[2].Ref().String()}, ask(t, h, "/fhir/Procedure?subject="+patient))
		assert.Equal(t, []string{patient}, ask(t, h, "/fhir/Patient?identifier="+f.patient.System+"|"+f.patient.Value))
		assert.NoError(t, p.db.View(t.Context(), func(r store.Reader) error {
			v, err := r.Read(f.resources[0].Ref())
			assert.True(t, v.First, "put once")
			return err
		}))
	}
	assert.Len(t, bodies, p.plans*len(types), "no two resources are alike")
}

// ask gives what a search matches.
func ask(t *testing.T, h http.Handler, path string) (refs []string) {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil))
	require.Equal(t, http.StatusOK, w.Code, w.Body)
	var b struct {
		Entry []struct {
			Resource struct{ ResourceType, ID string }
		}
	}
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &b))
	for _, e := range b.Entry {
		refs = append(refs, e.Resource.ResourceType+"/"+e.Resource.ID)
	}
	return refs
}

// A text is cut at what is a case's own, and only there.
func TestPieces(t *testing.T) {
	own := map[string]blank{"P-1": patientNumber, "S-1": surgeryNumber, "id": firstID}
	assert.Equal(t, []piece{{"a ", patientNumber}, {", ", firstID}, {"", surgeryNumber}, {" b", -1}}, pieces("a P-1, idS-1 b", own))
	assert.Equal(t, []piece{{"nothing", -1}}, pieces("nothing", own))
}

// Ids rise with the number of the case, and no two are alike.
func TestIDsRise(t *testing.T) {
	var last string
	for n := range 100 {
		id := idOf("1b4e28ba-2fa1-51d2-883f-0016d3cca427", n, 100)
		assert.Greater(t, id, last)
		last = id
	}
	assert.True(t, strings.HasPrefix(last, "fd70a3d7-"), "over the whole space: 99 hundredths of 2^32")
}

func TestParse(t *testing.T) {
	o, err := parse([]string{"--plans", "5,50", "--store", "x"})
	require.NoError(t, err)
	assert.Equal(t, []int{5, 50}, o.plans)
	for _, wrong := range [][]string{{"--plans", "5"}, {"--plans", "0", "--store", "x"}, {"--plans", "50,5", "--store", "x"}, {"--plans", "five", "--store", "x"}} {
		_, err := parse(wrong)
		assert.Error(t, err, wrong)
	}
}
