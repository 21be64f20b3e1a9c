package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
	"nailbridge/internal/config"
	"nailbridge/internal/searchparam"
	"nailbridge/testdata"
)

// world is the program with a clinic of the demo, another and a test clinic,
// each with the same record ids and patient numbers.
type world struct {
	t   *testing.T
	app *app
}

// worldClinics are the clinics of a world.
var worldClinics = []string{"brindlemere", "marram", "trial"}

// keys are the secrets of both worlds.
type keys map[string]string

// makeKeys makes a key of each kind for each clinic, and one for a hub of two.
func makeKeys(t *testing.T, path string) keys {
	out := keys{}
	add := func(name string, k access.Key) {
		k.Name = name
		full, secret, err := access.NewKey(k, rand.Reader, time.Now())
		require.NoError(t, err)
		require.NoError(t, access.AddKey(path, full))
		out[name] = secret
	}
	for _, c := range worldClinics {
		add(c, access.Key{Kind: access.ClinicKey, Clinics: []string{c}})
		add("hub of "+c, access.Key{Kind: access.HubKey, Clinics: []string{c}})
		add("person of "+c, access.Key{Kind: access.PersonKey, Clinics: []string{c}, Person: &access.Person{Family: "Quill", StaffKey: "pod-7"}})
	}
	add("hub of both", access.Key{Kind: access.HubKey, Clinics: worldClinics[:2]})
	return out
}

// newWorld puts a world together into which these clinics sent the records.
func newWorld(t *testing.T, keyFile string, secrets keys, sending ...string) *world {
	settings := string(testdata.Settings())
	var top map[string]any
	require.NoError(t, json.Unmarshal([]byte(settings), &top))
	var list []any
	for _, id := range worldClinics {
		c := map[string]any{"clinic": map[string]any{"id": id, "name": "Clinic " + id, "identifierBase": "https://" + id + ".example/id"}, "test": id == "trial"}
		for _, member := range []string{"zone", "shareUnstated", "formulary"} {
			c[member] = top[member]
		}
		list = append(list, c)
	}
	text, err := json.Marshal(map[string]any{"clinics": list, "publicBaseUrl": top["publicBaseUrl"], "snomedCt": top["snomedCt"], "hcpcs": true})
	require.NoError(t, err)
	file, err := config.Parse(text)
	require.NoError(t, err)
	now := demoNow(t)
	e := &env{ctx: context.Background(), stdout: io.Discard, stderr: io.Discard, clock: func() time.Time { return now }}
	a, err := newApp(e, file, config.DemoNamespace, t.TempDir(), accessFlags{Keys: keyFile})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, a.close()) })
	w := &world{t, a}
	for _, id := range sending {
		for _, story := range []string{"01-both-borders", "06-infection", "10-sharing-declined", "14-overdue"} {
			for _, text := range saves(t, story) {
				status, body := w.ask(secrets[id], "POST", "/records", of(id, text))
				require.Less(t, status, 300, body)
			}
		}
	}
	_, err = a.clinics.Tick(t.Context(), now)
	require.NoError(t, err)
	return w
}

// of is a record of the demo's clinic as another's.
func of(clinic string, text []byte) []byte {
	return bytes.Replace(text, []byte(`"brindlemere"`), []byte(`"`+clinic+`"`), 1)
}

// ask asks with a key; a body is JSON.
func (w *world) ask(secret, method, path string, body []byte) (status int, answer string) {
	req := httptest.NewRequest(method, "http://127.0.0.1:8470"+path, bytes.NewReader(body))
	req.Header.Set("Authorization", "Bearer "+secret)
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	rec := httptest.NewRecorder()
	w.app.handler.ServeHTTP(rec, req)
	head := fmt.Sprintln(rec.Header().Get("Content-Type"), rec.Header().Get("ETag"), rec.Header().Get("Location"))
	return rec.Code, head + rec.Body.String()
}

// unlike is what differs between two runs of the same: instants, the epoch of a
// store in version ids, and tokens of pages.
var unlike = regexp.MustCompile(`\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)|\b[0-9a-f]{8}(-\d+)\b|_page=[\w.~-]+`)

// provenanceIDs are made of the commit's place in its epoch, and order those of
// one commit.
var provenanceIDs = regexp.MustCompile(`[0-9a-f…]+(-[0-9a-f]{4}){3}-[0-9a-f]{12}`)

func maskWorld(path, answer string) string {
	answer = unlike.ReplaceAllString(answer, "…$3")
	if strings.HasPrefix(path, "/fhir/Provenance") {
		entries := strings.Split(provenanceIDs.ReplaceAllString(answer, "…"), `{"fullUrl"`)
		for i, e := range entries {
			entries[i] = strings.TrimRight(e, ",]}")
		}
		slices.Sort(entries)
		answer = strings.Join(entries, "\n")
	}
	return answer
}

// known is what one clinic's hub finds: ids, versions, patients and flags.
func (w *world) known(secret string) (refs []string) {
	for _, typ := range searchparam.CareTypes() {
		for next := "/fhir/" + typ + "/_history?_count=100"; next != ""; {
			status, body := w.ask(secret, "GET", next, nil)
			require.Equal(w.t, http.StatusOK, status, body)
			_, text, _ := strings.Cut(body, "\n")
			var b bundle
			require.NoError(w.t, json.Unmarshal([]byte(text), &b))
			for _, e := range b.Entry {
				if e.Resource != nil {
					var r struct {
						ID   string
						Meta struct{ VersionID string }
					}
					require.NoError(w.t, json.Unmarshal(e.Resource, &r))
					refs = append(refs, typ+"/"+r.ID+"/_history/"+r.Meta.VersionID)
				}
			}
			next = nextOf(w.t, b)
		}
	}
	return refs
}

func nextOf(t *testing.T, b bundle) string {
	for _, l := range b.Link {
		if l.Relation == "next" {
			u, err := url.Parse(l.URL)
			require.NoError(t, err)
			return u.RequestURI()
		}
	}
	return ""
}

// question is a request of one key.
type question struct {
	method, path string
	body         []byte
}

// A key infers nothing of another clinic: whatever it asks, of its own clinic, of
// what it knows of the other's, or of nothing in particular, the answer is the
// same, byte for byte, as where the other clinics never sent anything. Clinics
// use the same record ids and patient numbers.
func TestWhatAnotherClinicSentChangesNoAnswer(t *testing.T) {
	keyFile := filepath.Join(t.TempDir(), "keys.json")
	secrets := makeKeys(t, keyFile)
	whole := newWorld(t, keyFile, secrets, "marram", "brindlemere", "trial")
	alone := newWorld(t, keyFile, secrets, "brindlemere")

	others := append(whole.known(secrets["hub of marram"]), whole.known(secrets["hub of trial"])...)
	require.Greater(t, len(others), 100)
	asked := 0
	compare := func(key string, qs []question) {
		for _, q := range qs {
			is, body := whole.ask(secrets[key], q.method, q.path, q.body)
			want, wanted := alone.ask(secrets[key], q.method, q.path, q.body)
			asked++
			require.Equal(t, fmt.Sprint(want, " ", maskWorld(q.path, wanted)), fmt.Sprint(is, " ", maskWorld(q.path, body)), "%s %s by %s", q.method, q.path, key)
		}
	}
	compare("hub of brindlemere", hubQuestions(others))
	compare("brindlemere", clinicQuestions())
	compare("person of brindlemere", clinicQuestions())
	t.Logf("%d questions, about %d versions of others among them", asked, len(others))
}

// A hub of two clinics sees what both of their hubs see, and nothing of the test
// clinic; no two clinics share a resource.
func TestClinicsShareNoResource(t *testing.T) {
	keyFile := filepath.Join(t.TempDir(), "keys.json")
	secrets := makeKeys(t, keyFile)
	w := newWorld(t, keyFile, secrets, worldClinics...)
	of := map[string][]string{}
	for _, c := range worldClinics {
		of[c] = w.known(secrets["hub of "+c])
		require.NotEmpty(t, of[c])
	}
	both := append(slices.Clone(of["brindlemere"]), of["marram"]...)
	assert.ElementsMatch(t, both, w.known(secrets["hub of both"]))
	all := map[string]string{}
	for c, refs := range of {
		for _, ref := range refs {
			assert.Empty(t, all[ref], "%s, of %s", ref, c)
			all[ref] = c
		}
	}
}

// hubQuestions ask for everything in general, and for each thing of another.
func hubQuestions(others []string) (qs []question) {
	get := func(path string) { qs = append(qs, question{"GET", path, nil}) }
	for _, typ := range searchparam.CareTypes() {
		if typ == "Provenance" { // a page of which may begin anywhere in a commit
			get("/fhir/Provenance?_count=1000")
			get("/fhir/Provenance?_count=0")
			continue
		}
		for _, q := range []string{"", "?_count=2", "?_count=0", "?_total=accurate&_count=1", "?_lastUpdated=gt2020-01-01", "?_sort=_lastUpdated&_count=3", "?_tag=open"} {
			get("/fhir/" + typ + q)
		}
		get("/fhir/" + typ + "/_history?_count=5")
	}
	get("/fhir/Patient?identifier=https://brindlemere.example/patient|P-001")
	get("/fhir/Patient?identifier=P-001")
	get("/fhir/metadata")
	for _, ref := range others {
		resource, _, _ := strings.Cut(ref, "/_history/")
		typ, id, _ := strings.Cut(resource, "/")
		get("/fhir/" + ref)
		get("/fhir/" + resource)
		get("/fhir/" + resource + "/_history")
		get("/fhir/" + typ + "?_id=" + id)
		switch typ {
		case "Patient":
			get("/fhir/CarePlan?patient=" + id)
			get("/fhir/Observation?patient=Patient/" + id + "&_count=1")
		case "Encounter":
			get("/fhir/Observation?encounter=" + resource)
		case "CarePlan":
			get("/fhir/Observation?based-on=" + resource)
		}
		get("/fhir/Provenance?target=" + resource)
	}
	get("/records/marram/S-1001")
	get("/follow-up?clinic=marram")
	return qs
}

// clinicQuestions ask at the doors of all clinics, and write at those of others.
func clinicQuestions() (qs []question) {
	get := func(path string) { qs = append(qs, question{"GET", path, nil}) }
	for _, c := range append(slices.Clone(worldClinics), "nowhere") {
		for _, r := range []string{"S-1001", "S-1006", "R-1001", "S-none"} {
			get("/records/" + c + "/" + r)
		}
		for _, l := range []string{"refused", "held", "waiting", "superseded"} {
			get("/records/" + c + "?list=" + l)
		}
		get("/follow-up?clinic=" + c)
		if c == "brindlemere" {
			continue
		}
		qs = append(qs,
			question{"POST", "/records", []byte(`{"clinic":"` + c + `","record":"S-1001","kind":"surgery","status":"final"}`)},
			question{"POST", "/records/" + c + "/retry", []byte(`{}`)},
			question{"POST", "/records/" + c + "/S-1006/flags/8ab0acca5d1c36c9fe8b3d121b8f323a/acknowledge",
				[]byte(`{"reason":"seen","at":"2026-04-20T12:00:00Z","inputsHash":"00"}`)})
	}
	get("/health")
	get("/ready")
	return qs
}
