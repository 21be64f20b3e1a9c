package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
	"nailbridge/internal/config"
	"nailbridge/internal/hub"
	"nailbridge/internal/intake"
	"nailbridge/internal/meter"
	"nailbridge/internal/openapi/openapitest"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
)

// OpenAPI 3.1 section 4.8.8: the paths of the document are those of the program.
// Every route of both doors and every page is in it, and nothing else is.
func TestOpenAPIHasEveryRouteAndNoOther(t *testing.T) {
	doc, err := openapitest.Read()
	require.NoError(t, err)
	a := newDocumented(t).open
	var want []openapitest.Operation
	for _, door := range []http.Handler{intake.New(intake.Options{}), hubOf(t, a, nil)} {
		engine := door.(*gin.Engine)
		require.NotEmpty(t, engine.Routes())
		for _, r := range engine.Routes() {
			want = append(want, openapitest.Operation{Method: r.Method, Path: ginParam.ReplaceAllString(r.Path, "/{$1}")})
		}
	}
	for path := range a.pages() {
		want = append(want, openapitest.Operation{Method: "GET", Path: path}, openapitest.Operation{Method: "HEAD", Path: path})
	}
	assert.ElementsMatch(t, want, doc.Operations())
}

var ginParam = regexp.MustCompile(`/:([a-z]+)`)

// oddStore is a store that a test lets fail as it likes.
type oddStore struct {
	store.Store
	view func() error // before each View; nil: nothing
}

func (s *oddStore) View(ctx context.Context, fn func(store.Reader) error) error {
	if s.view != nil {
		if err := s.view(); err != nil {
			return err
		}
	}
	return s.Store.View(ctx, fn)
}

func (s *oddStore) Update(ctx context.Context, fn func(store.Writer) error) error {
	if s.view != nil {
		if err := s.view(); err != nil {
			return err
		}
	}
	return s.Store.Update(ctx, fn)
}

// documented is the program over one store, without keys and with them, whose
// answers are held to the document.
type documented struct {
	*rt.World
	doc         *openapitest.Document
	odd         *oddStore
	open, keyed *app
	secrets     map[access.Kind]string
	seen        map[openapitest.Answer]int
	used        map[openapitest.Operation][]openapitest.Parameter // with success
	answers     []exchange
}

// exchange is a request with its answer.
type exchange struct {
	request *http.Request
	answer  *httptest.ResponseRecorder
}

func newDocumented(t *testing.T) *documented {
	t.Helper()
	doc, err := openapitest.Read()
	require.NoError(t, err)
	d := &documented{
		World: rt.New(t), doc: doc, secrets: map[access.Kind]string{},
		seen: map[openapitest.Answer]int{}, used: map[openapitest.Operation][]openapitest.Parameter{},
	}
	d.odd = &oddStore{Store: d.DB}
	d.Receiver.Store = d.odd
	keyFile := filepath.Join(t.TempDir(), "keys.json")
	for _, k := range []access.Key{
		{Kind: access.ClinicKey}, {Kind: access.HubKey}, {Kind: access.PersonKey, Person: &access.Person{Family: "Quill", StaffKey: "pod-1"}},
	} {
		k.Name, k.Clinics = string(k.Kind), []string{"north"}
		full, secret, err := access.NewKey(k, rand.Reader, d.Now)
		require.NoError(t, err)
		require.NoError(t, access.AddKey(keyFile, full))
		d.secrets[k.Kind] = secret
	}
	d.open, d.keyed = d.app(accessFlags{}), d.app(accessFlags{Keys: keyFile})
	return d
}

// app puts the doors together as serve does, over the store of the world.
func (d *documented) app(who accessFlags) *app {
	d.Helper()
	file, err := config.Parse([]byte(`{"clinic": {"id": "north", "name": "North", "identifierBase": "https://north.example/id"},
		"zone": "Europe/London", "publicBaseUrl": "` + rt.Base + `"}`))
	require.NoError(d, err)
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	a := &app{file: file, store: d.odd, access: who, clinics: clinics{d.Receiver}, meter: meter.New("1"), log: log, clock: d.Receiver.Clock}
	if who.Keys != "" {
		a.keys, err = access.OpenKeyFile(who.Keys, func(err error) { assert.NoError(d, err) })
		require.NoError(d, err)
	}
	e := &env{ctx: d.Context(), stdout: io.Discard, stderr: io.Discard, clock: d.Receiver.Clock}
	a.handler, err = a.routes(e, d.Settings, uuid.MustParse("6f1c1f5e-4a6b-4d36-9a44-3a8f0b1c2d3e"))
	require.NoError(d, err)
	return a
}

// hubOf is the hub's side of a with a validator of the test's.
func hubOf(t *testing.T, a *app, v hub.Validator) http.Handler {
	t.Helper()
	if v == nil {
		v = func(context.Context, []byte, []string) ([]byte, error) { return nil, nil }
	}
	h, err := hub.New(hub.Options{Store: a.store, BaseURL: rt.Base, Secret: make([]byte, 32), Validator: v})
	require.NoError(t, err)
	return h
}

// ask sends a request, whose headers come in pairs, and holds the answer to the
// document and to a status.
func (d *documented) ask(h http.Handler, status int, method, target, body string, headers ...string) *httptest.ResponseRecorder {
	d.Helper()
	r := httptest.NewRequestWithContext(d.Context(), method, "http://127.0.0.1:8470"+target, strings.NewReader(body))
	for i := 0; i < len(headers); i += 2 {
		if headers[i] == "Host" {
			r.Host = headers[i+1]
		}
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	require.Equal(d, status, w.Code, "%s %s: %.700s", method, target, w.Body)
	got, err := d.doc.Check(r, w)
	require.NoError(d, err, "%.700s", w.Body)
	d.seen[got]++
	if status < http.StatusBadRequest {
		d.use(got.Operation, r, body)
	}
	d.answers = append(d.answers, exchange{r, w})
	return w
}

// use notes the parameters of a request that was answered with success, and
// holds its body to the document. A batch may hold lines of any kind.
func (d *documented) use(o openapitest.Operation, r *http.Request, body string) {
	d.Helper()
	for name := range r.URL.Query() {
		d.used[o] = append(d.used[o], openapitest.Parameter{In: "query", Name: name})
	}
	for name := range r.Header {
		d.used[o] = append(d.used[o], openapitest.Parameter{In: "header", Name: name})
	}
	if media := r.Header.Get("Content-Type"); strings.HasSuffix(media, "json") && media != "application/x-ndjson" && json.Valid([]byte(body)) {
		assert.NoError(d, d.doc.CheckRequest(o, media, body))
	}
}

func (d *documented) bearer(k access.Kind) []string {
	return []string{"Authorization", "Bearer " + d.secrets[k]}
}

const (
	jsonBody = "application/json"
	formBody = "application/x-www-form-urlencoded"
	fhirBody = "application/fhir+json"
)

// post posts a record.
func (d *documented) post(status int, record []byte) *httptest.ResponseRecorder {
	d.Helper()
	return d.ask(d.open.handler, status, "POST", "/records", string(record), "Content-Type", jsonBody)
}

// failing runs fn while the store answers so.
func (d *documented) failing(view func() error, fn func()) {
	d.odd.view = view
	defer func() { d.odd.view = nil }()
	fn()
}

func disk() error { return store.ErrUnavailable }

func epoch() error { return store.ErrEpoch }

func panics() error { panic("a fault of ours") }

// asked asks everything that the doors are made for.
func (d *documented) asked() {
	d.records()
	flag, hash := d.lists()
	d.acknowledgements(flag, hash)
	d.reads()
	d.bodiesOfFHIR()
}

// R-HTTP, R-OO-01, D2, RFC 9457: the program answers with what the document has and
// with nothing else, and each answer that the document has is given: every failure on
// /fhir an OperationOutcome. Answers are of the real doors, over a real store.
func TestOpenAPIHasEveryAnswer(t *testing.T) {
	d := newDocumented(t)
	d.asked()
	d.strangers()
	d.faults()
	d.programPages()
	var got []openapitest.Answer
	for a := range d.seen {
		if _, taken := d.doc.Find(a.Method, strings.NewReplacer("{", "", "}", "").Replace(a.Path)); taken {
			got = append(got, a)
		}
	}
	assert.ElementsMatch(t, d.doc.Answers(), got)
	for _, o := range d.doc.Operations() {
		takes, _, err := d.doc.Parameters(o)
		require.NoError(t, err)
		if slices.ContainsFunc(got, func(a openapitest.Answer) bool { return a.Operation == o && a.Status == "200" }) {
			assert.Subset(t, d.used[o], takes, "%v: each parameter is taken", o)
		}
	}
}

// every is a request of each operation.
func (d *documented) every() (out []openapitest.Operation) {
	_, reads, walks := d.hubPages()
	for _, p := range slices.Concat([]string{"/fhir/metadata", "/fhir/CarePlan/_search", "/fhir/CarePlan/$validate"}, reads, walks) {
		out = append(out, openapitest.Operation{Method: "GET", Path: p}, openapitest.Operation{Method: "HEAD", Path: p})
	}
	for path := range d.open.pages() {
		out = append(out, openapitest.Operation{Method: "GET", Path: path}, openapitest.Operation{Method: "HEAD", Path: path})
	}
	return append(out, []openapitest.Operation{
		{Method: "POST", Path: "/fhir/CarePlan/_search"}, {Method: "POST", Path: "/fhir/CarePlan/$validate"},
		{Method: "POST", Path: "/records"}, {Method: "GET", Path: "/records/north?list=held"}, {Method: "POST", Path: "/records/north/retry"},
		{Method: "GET", Path: "/records/north/S-1"}, {Method: "POST", Path: "/records/north/S-1/flags/f/acknowledge"},
		{Method: "GET", Path: "/follow-up?clinic=north"},
	}...)
}

// An answer with one member more anywhere, without one that it is told by, of
// another media type or of another status is not in the document: the check
// above can fail.
func TestOpenAPIRefusesMutatedAnswers(t *testing.T) {
	d := newDocumented(t)
	d.asked()
	changed, done := 0, map[openapitest.Answer]bool{}
	for _, x := range d.answers {
		got, err := d.doc.Check(x.request, x.answer)
		require.NoError(t, err)
		if done[got] {
			continue // the first of each
		}
		done[got] = true
		require.Error(t, d.mutated(x, func(w *httptest.ResponseRecorder) { w.Code = http.StatusTeapot }))
		if x.request.Method != "HEAD" && x.answer.Body.Len() > 0 {
			assert.Error(t, d.mutated(x, func(w *httptest.ResponseRecorder) { w.Header().Set("Content-Type", "text/html") }))
			changed += d.otherMembers(x)
		}
	}
	assert.Greater(t, changed, 300)
	t.Log(len(done), "answers,", changed, "changes of members")
}

// otherMembers holds an answer to be refused with a member more in any of its
// objects, and without those that it is told by; it gives how often.
func (d *documented) otherMembers(x exchange) (changed int) {
	d.Helper()
	var tree map[string]any
	if json.Unmarshal(x.answer.Body.Bytes(), &tree) != nil {
		return 0 // lines, text
	}
	refused := func(why string) {
		d.Helper()
		text, err := json.Marshal(tree)
		require.NoError(d, err)
		changed++
		assert.Error(d, d.mutated(x, func(w *httptest.ResponseRecorder) { w.Body = bytes.NewBuffer(text) }), "%s: %.200s", why, text)
	}
	for _, name := range []string{"resourceType", "answer", "status"} {
		if v, has := tree[name]; has && (name != "status" || tree["resourceType"] == nil) { // R4 says of status
			delete(tree, name)
			refused("without " + name)
			tree[name] = v
		}
	}
	for _, o := range objects(tree) {
		o["undocumented"] = true
		refused("with a member more")
		delete(o, "undocumented")
	}
	return changed
}

// mutated checks a copy of an answer after a change.
func (d *documented) mutated(x exchange, change func(*httptest.ResponseRecorder)) error {
	w := httptest.NewRecorder()
	w.Code, w.Body = x.answer.Code, bytes.NewBuffer(x.answer.Body.Bytes())
	maps.Copy(w.Header(), x.answer.Header().Clone())
	change(w)
	_, err := d.doc.Check(x.request, w)
	return err
}

// objects are the objects of an answer whose members are the bridge's own: not
// those of a FHIR resource, of what was sent, or of the part of the capability
// statement that R4 defines.
func objects(v any) (out []map[string]any) {
	switch v := v.(type) {
	case map[string]any:
		if typ := v["resourceType"]; typ == nil || slices.Contains([]any{"Bundle", "OperationOutcome", "CapabilityStatement"}, typ) {
			out = append(out, v)
			for name, x := range v {
				if name != "content" && name != "rest" {
					out = append(out, objects(x)...)
				}
			}
		}
	case []any:
		for _, x := range v {
			out = append(out, objects(x)...)
		}
	}
	return out
}
