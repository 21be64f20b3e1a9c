package hub

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/openapi/openapitest"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/internal/store/storetest"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

const base = "https://bridge.example/fhir"

var (
	owner  = store.Owner{Clinic: "north", Patient: "urn:mrn|1"}
	t0     = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	secret = []byte("a secret of the tests, 32 bytes.")
)

// world is a hub over a real store, with what a test does to both.
type world struct {
	testing.TB
	store   store.Store
	handler http.Handler
	now     time.Time
	log     bytes.Buffer
	fault   error // what the store answers
}

func newWorld(t testing.TB, statics ...string) *world {
	t.Helper()
	w := &world{TB: t, now: t0}
	w.store = w.open(t.TempDir(), "e1")
	var rs []resource.Resource
	for _, s := range statics {
		rs = append(rs, parse(t, s))
	}
	w.handler = w.serve(secret, rs...)
	return w
}

func (w *world) open(dir, epoch string) store.Store {
	w.Helper()
	db, err := sqlite.Open(w.Context(), sqlite.Options{
		Dir:      dir,
		NewEpoch: func() string { return epoch },
		Fault:    func(string) error { return w.fault },
	})
	require.NoError(w, err)
	w.Cleanup(func() {
		w.fault = nil
		assert.NoError(w, db.Close())
	})
	return db
}

// serve makes a hub over the store of the world.
func (w *world) serve(secret []byte, statics ...resource.Resource) http.Handler {
	w.Helper()
	h, err := New(Options{
		Store: w.store, BaseURL: base, Static: statics, Secret: secret, Version: "1.2.3", Released: t0,
		Clock: func() time.Time { return w.now },
		Log:   slog.New(slog.NewJSONHandler(&w.log, nil)),
	})
	require.NoError(w, err)
	return h
}

func parse(t testing.TB, content string) resource.Resource {
	t.Helper()
	r, err := resource.FromJSON([]byte(content))
	require.NoError(t, err)
	return r
}

// commit puts contents in one transaction, a second after the last.
func (w *world) commit(contents ...string) []store.Version {
	w.Helper()
	w.now = w.now.Add(time.Second)
	var out []store.Version
	h, err := newHub(Options{Store: w.store, BaseURL: base, Secret: secret})
	require.NoError(w, err)
	require.NoError(w, w.store.Update(w.Context(), func(tx store.Writer) error {
		if _, err := tx.Stamp(w.now); err != nil {
			return err
		}
		for _, content := range contents {
			rows, err := h.index.Rows(parse(w, content))
			if err != nil {
				return err
			}
			v, err := tx.Put(owner, "case", storetest.Checked(w, content), rows)
			if err != nil {
				return err
			}
			out = append(out, v)
		}
		return nil
	}))
	return out
}

// change runs fn in a stamped write transaction.
func (w *world) change(fn func(store.Writer) error) {
	w.Helper()
	w.now = w.now.Add(time.Second)
	require.NoError(w, w.store.Update(w.Context(), func(tx store.Writer) error {
		if _, err := tx.Stamp(w.now); err != nil {
			return err
		}
		return fn(tx)
	}))
}

func (w *world) delete(ref resource.Ref) {
	w.Helper()
	w.change(func(tx store.Writer) error {
		_, err := tx.Delete(owner, ref)
		return err
	})
}

// reply is an answer as a client sees it.
type reply struct {
	*httptest.ResponseRecorder
	t testing.TB
}

// call sends a request to the path below /fhir; headers are names and values
// in turn.
func (w *world) call(method, path string, headers ...string) reply {
	w.Helper()
	return w.send(httptest.NewRequestWithContext(w.Context(), method, "/fhir"+path, http.NoBody), headers...)
}

func (w *world) send(r *http.Request, headers ...string) reply {
	w.Helper()
	for i := 0; i < len(headers); i += 2 {
		r.Header.Add(headers[i], headers[i+1])
	}
	rec := httptest.NewRecorder()
	w.handler.ServeHTTP(rec, r)
	if _, err := documented().Check(r, rec); !errors.Is(err, openapitest.ErrNoPath) {
		assert.NoError(w, err, "as the OpenAPI document has it")
	}
	return reply{rec, w.TB}
}

// documented is what every answer of these tests is held to.
var documented = sync.OnceValue(func() *openapitest.Document {
	d, err := openapitest.Read()
	if err != nil {
		panic(err) // which internal/openapi tests
	}
	return d
})

func (w *world) get(path string, headers ...string) reply {
	w.Helper()
	return w.call(http.MethodGet, path, headers...)
}

func (w *world) post(path, form string, headers ...string) reply {
	w.Helper()
	r := httptest.NewRequestWithContext(w.Context(), http.MethodPost, "/fhir"+path, strings.NewReader(form))
	if len(headers) == 0 {
		headers = []string{"Content-Type", "application/x-www-form-urlencoded"}
	}
	return w.send(r, headers...)
}

// follow reads a link of a bundle.
func (w *world) follow(link string) reply {
	w.Helper()
	path, ok := strings.CutPrefix(link, base)
	require.True(w, ok, "a link leaves the base: %s", link)
	return w.get(path)
}

type outcomeJSON struct {
	ResourceType string
	Text         struct{ Status, Div string }
	Issue        []issue
}

// failed checks that the answer is an OperationOutcome of this status and
// one of the issue codes (R-OO-01, R-OO-03, R-OO-04).
func (r reply) failed(status int, codes ...string) outcomeJSON {
	r.t.Helper()
	assert.Equal(r.t, status, r.Code, r.Body.String())
	assert.Equal(r.t, "application/fhir+json; charset=utf-8", r.Header().Get("Content-Type"))
	o := parseOutcome(r.t, r.Body.Bytes())
	assert.Contains(r.t, codes, o.Issue[0].Code)
	assert.Contains(r.t, []string{"error", "fatal"}, o.Issue[0].Severity)
	return o
}

// parseOutcome reads an OperationOutcome, which has an issue at least (R-OO-03).
func parseOutcome(t testing.TB, body []byte) outcomeJSON {
	t.Helper()
	var o outcomeJSON
	require.NoError(t, json.Unmarshal(body, &o), string(body))
	require.Equal(t, "OperationOutcome", o.ResourceType)
	require.NotEmpty(t, o.Issue)
	return o
}

type bundleJSON struct {
	ResourceType, Type string
	Total              *int
	Link               []link
	Entry              []struct {
		FullURL  string
		Resource json.RawMessage
		Search   struct{ Mode string }
		Request  *entryRequest
		Response *entryResponse
	}
}

func (r reply) bundle() bundleJSON {
	r.t.Helper()
	require.Equal(r.t, http.StatusOK, r.Code, r.Body.String())
	var b bundleJSON
	require.NoError(r.t, json.Unmarshal(r.Body.Bytes(), &b))
	require.Equal(r.t, "Bundle", b.ResourceType)
	return b
}

func (b bundleJSON) link(relation string) string {
	for _, l := range b.Link {
		if l.Relation == relation {
			return l.URL
		}
	}
	return ""
}

// ids gives the ids of the matches in their order; never nil.
func (b bundleJSON) ids() []string {
	out := []string{}
	for _, e := range b.Entry {
		if e.Search.Mode == "match" {
			out = append(out, e.FullURL[strings.LastIndex(e.FullURL, "/")+1:])
		}
	}
	return out
}

// found searches and gives the ids.
func (w *world) found(query string) []string {
	w.Helper()
	return w.get(query).bundle().ids()
}

// told is a narrative, which every resource that is committed has (dom-6).
const told = `"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><p>of a test</p></div>"}`

// local is a coding of one of our own code systems.
func local(system, code, display string) string {
	return fmt.Sprintf(`{"system":%q,"code":%q,"display":%q}`, terms.CanonicalBase+"/CodeSystem/"+system, code, display)
}

func patient(id, family, born string) string {
	return fmt.Sprintf(`{"resourceType":"Patient","id":%q,%s,"identifier":[{"system":"urn:mrn","value":%q}],"name":[{"family":%q}],"birthDate":%q}`,
		id, told, "mrn-"+id, family, born)
}

func plan(id, patient, status string) string { return titled(id, patient, status, "plan") }

// titled is a care plan; an active one has the tag open.
func titled(id, patient, status, title string) string {
	tag := local("tag", "open", "Open flag")
	if status != "active" {
		tag = local("tag", "newer-record-held", "Newer record held")
	}
	return fmt.Sprintf(`{"resourceType":"CarePlan","id":%q,%s,"meta":{"tag":[%s]},"identifier":[{"system":"urn:plans","value":"no-%s"}],
		"title":%q,"status":%q,"intent":"plan","category":[{"coding":[%s]}],"subject":{"reference":"Patient/%s"},"period":{"start":"2026-03-02"},
		"activity":[{"detail":{"status":"scheduled","scheduledPeriod":{"start":"2026-03-09","end":"2026-03-11"}}}]}`,
		id, told, tag, id, title, status, local("careplan", "nail-surgery-follow-up", "Follow-up after nail surgery"), patient)
}

func planRef(id string) resource.Ref { return resource.Ref{Type: "CarePlan", ID: id} }

func escape(s string) string { return url.QueryEscape(s) }

// broken is a store whose View panics.
type broken struct{ store.Store }

func (broken) View(context.Context, func(store.Reader) error) error {
	panic("Marker in /secret/path: SELECT 1")
}
