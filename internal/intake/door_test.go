package intake_test

import (
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
	"nailbridge/internal/intake"
	"nailbridge/internal/openapi/openapitest"
	rt "nailbridge/internal/receive/receivetest"
)

const (
	oneRecord = "application/json"
	manyLines = "application/x-ndjson"
	aProblem  = "application/problem+json"
)

// door is the HTTP door of a world.
type door struct {
	*rt.World
	handler http.Handler
	caller  *access.Caller // who asks; nil where no keys are in force
}

func newDoor(t testing.TB, edits ...func(*intake.Options)) *door {
	t.Helper()
	w := rt.New(t)
	o := intake.Options{
		Receiver: w.Receiver, Clinic: "north", Zone: w.Settings.Clinic.Zone,
		Log: slog.New(slog.NewTextHandler(w.Log, nil)),
	}
	for _, e := range edits {
		e(&o)
	}
	return &door{World: w, handler: intake.New(o)}
}

// answer is a response with its body read as JSON.
type answer struct {
	*httptest.ResponseRecorder
	t    testing.TB
	tree map[string]any
}

// ask sends a request; headers come in pairs.
func (d *door) ask(method, target, body string, headers ...string) answer {
	d.Helper()
	r := httptest.NewRequestWithContext(d.Context(), method, "http://127.0.0.1:8470/", strings.NewReader(body))
	u, err := url.ParseRequestURI(target)
	require.NoError(d, err)
	r.URL = u
	r.RequestURI = target
	if d.caller != nil {
		r = r.WithContext(access.WithCaller(r.Context(), *d.caller))
	}
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	a := answer{ResponseRecorder: httptest.NewRecorder(), t: d.TB}
	d.handler.ServeHTTP(a, r)
	if _, err := document().Check(r, a.ResponseRecorder); !errors.Is(err, openapitest.ErrNoPath) {
		assert.NoError(d, err, "as the OpenAPI document has it")
	}
	if strings.Contains(a.Header().Get("Content-Type"), "json") && !strings.Contains(a.Header().Get("Content-Type"), "ndjson") {
		require.NoError(d, json.Unmarshal(a.Body.Bytes(), &a.tree), a.Body.String())
	}
	return a
}

// document is what every answer of these tests is held to.
var document = sync.OnceValue(func() *openapitest.Document {
	d, err := openapitest.Read()
	if err != nil {
		panic(err) // which internal/openapi tests
	}
	return d
})

func (d *door) post(body []byte) answer {
	d.Helper()
	return d.ask(http.MethodPost, "/records", string(body), "Content-Type", oneRecord)
}

// isProblem holds an answer to RFC 9457: the media type, and type, title and
// status, which is that of the response (sections 3 and 3.1).
func (a answer) isProblem(status int, kind string) {
	a.t.Helper()
	assert.Equal(a.t, status, a.Code, a.Body.String())
	assert.Equal(a.t, aProblem, a.Header().Get("Content-Type"))
	assert.Equal(a.t, "https://nailbridge.example/problem/"+kind, a.tree["type"])
	assert.NotEmpty(a.t, a.tree["title"])
	assert.EqualValues(a.t, status, a.tree["status"])
}

// Gin drops a parameter that it cannot read and would answer the wider
// question.
func TestAMalformedQueryIsNeverAWiderResult(t *testing.T) {
	d := newDoor(t)
	for _, target := range []string{
		"/records/north?list=%zz&list=refused", "/records/north?list=refused&x=%zz", "/records/north?list=refused;x",
		"/follow-up?clinic=north&state=%zz", "/follow-up?patient=%zz&status=active",
		"/follow-up?clinic=north&status=active", "/follow-up?clinic=north&clinic=north", "/follow-up",
		"/follow-up?clinic=north&state=", "/follow-up?clinic=north&state=open", "/follow-up?clinic=north&since=yesterday",
		"/records/north", "/records/north?list=", "/records/north?list=stored", "/records/north/S-1?x=1",
	} {
		d.ask(http.MethodGet, target, "").isProblem(http.StatusBadRequest, "malformed-query")
	}
	for _, target := range []string{"/records?dry-run=%zz", "/records?dry-run=yes", "/records?dryrun=true", "/records?dry-run=true&dry-run=false"} {
		d.ask(http.MethodPost, target, string(rt.Surgery()), "Content-Type", oneRecord).isProblem(http.StatusBadRequest, "malformed-query")
	}
	d.ask(http.MethodPost, "/records/north/retry?x=1", "").isProblem(http.StatusBadRequest, "malformed-query")
	assert.Empty(t, d.Care(), "and nothing was stored")
}

func TestPathsAreTakenAsTheyAre(t *testing.T) {
	d := newDoor(t)
	for _, target := range []string{
		"//records", "/records/", "/records//", "//records/north/S-1", "/records/north//S-1", "/records/north/S-1/", "/Records", "/records/north/../north/S-1",
		"/records%2Fnorth", "/follow-up/", "//follow-up?clinic=north", "/records/north/S-1/flags//acknowledge", "/",
	} {
		for _, method := range []string{http.MethodGet, http.MethodPost} {
			a := d.ask(method, target, string(rt.Surgery()), "Content-Type", oneRecord)
			assert.GreaterOrEqual(t, a.Code, 400, "%s %s", method, target)
			assert.Empty(t, a.Header().Get("Location"), "%s %s is not rerouted", method, target)
			assert.Equal(t, aProblem, a.Header().Get("Content-Type"), target)
		}
	}
	assert.Empty(t, d.Care())
}

// RFC 9110 section 15.5.6: a 405 names the methods that the page takes.
func TestMethodsNotTaken(t *testing.T) {
	d := newDoor(t)
	for target, allow := range map[string]string{
		"/records": "POST", "/records/north?list=held": "GET", "/records/north/retry": "POST, GET",
		"/records/north/S-1": "GET", "/records/north/S-1/flags/f/acknowledge": "POST", "/follow-up?clinic=north": "GET",
	} {
		for _, method := range []string{http.MethodDelete, http.MethodPut, http.MethodPatch} {
			a := d.ask(method, target, "")
			a.isProblem(http.StatusMethodNotAllowed, "method-not-allowed")
			assert.Equal(t, allow, a.Header().Get("Allow"), target)
		}
	}
}

// R-HTTP-10, R-HTTP-28: a body of another media type is 415, one over the limit 413,
// one without content 400; none is kept.
func TestBodiesThatAreNotTaken(t *testing.T) {
	d := newDoor(t, func(o *intake.Options) { o.MaxBytes, o.MaxLinesBytes = 10_000, 20_000 })
	text := string(rt.Surgery())
	for _, media := range []string{"", "text/plain", "application/xml", "application/json; charset=iso-8859-1", "json", "application/fhir+json"} {
		d.ask(http.MethodPost, "/records", text, "Content-Type", media).isProblem(http.StatusUnsupportedMediaType, "media-type")
	}
	d.ask(http.MethodPost, "/records", text, "Content-Type", oneRecord, "Content-Encoding", "gzip").isProblem(http.StatusUnsupportedMediaType, "media-type")
	d.ask(http.MethodPost, "/records/north/S-1/flags/f/acknowledge", "{}", "Content-Type", "text/plain").isProblem(http.StatusUnsupportedMediaType, "media-type")

	big := string(rt.Surgery(rt.Set("/surgery/note", strings.Repeat("x", 10_000))))
	d.ask(http.MethodPost, "/records", big, "Content-Type", oneRecord).isProblem(http.StatusRequestEntityTooLarge, "too-large")
	d.ask(http.MethodPost, "/records", text+"\n"+big+big, "Content-Type", manyLines).isProblem(http.StatusRequestEntityTooLarge, "too-large")
	d.ask(http.MethodPost, "/records/north/S-1/flags/f/acknowledge", big, "Content-Type", oneRecord).isProblem(http.StatusRequestEntityTooLarge, "too-large")
	for _, media := range []string{oneRecord, manyLines} {
		for _, empty := range []string{"", " \n\t"} {
			d.ask(http.MethodPost, "/records", empty, "Content-Type", media).isProblem(http.StatusBadRequest, "empty-body")
		}
	}
	assert.Empty(t, d.Care())
	list := d.ask(http.MethodGet, "/records/north?list=refused", "")
	assert.Equal(t, http.StatusOK, list.Code)
	assert.Empty(t, list.tree["deliveries"], "none of them was kept")

	a := d.ask(http.MethodPost, "/records", text, "Content-Type", "Application/JSON; charset=UTF-8")
	assert.Equal(t, http.StatusCreated, a.Code)
}

// A record id may hold anything that can be printed: in a path it is
// percent-encoded.
func TestRecordIDsInPaths(t *testing.T) {
	d := newDoor(t)
	for _, id := range []string{"S/1", "S%2F1", "..", ".", "a b", "naïve", "?x=1", "#1", "a;b", "a+b", "retry", "flags"} {
		a := d.post(rt.Surgery(rt.Record(id)))
		require.Equal(t, http.StatusCreated, a.Code, a.Body.String())
		got := d.ask(http.MethodGet, a.Header().Get("Location"), "")
		require.Equal(t, http.StatusOK, got.Code, "%s: %s", id, a.Header().Get("Location"))
		assert.Equal(t, id, got.tree["record"])
		assert.Len(t, got.tree["deliveries"], 1)
	}
}

func (d *door) flags(record string) []any {
	d.Helper()
	a := d.ask(http.MethodGet, "/records/north/"+url.PathEscape(record), "")
	require.Equal(d, http.StatusOK, a.Code)
	fs, _ := a.tree["flags"].([]any)
	return fs
}

// overLimit is the flag of a record that says that a dose is over the limit, and the hash of
// its inputs.
func (d *door) overLimit(record string) (id, hash string) {
	d.Helper()
	for _, f := range d.flags(record) {
		if rt.At(f, "code") == "anaesthetic-over-limit" {
			return rt.At(f, "flag").(string), rt.At(f, "inputsHash").(string)
		}
	}
	require.Fail(d, "no dose is over the limit")
	return "", ""
}

// D1.3 at the door.
func TestD1_3_AcknowledgeOverHTTP(t *testing.T) {
	d := newDoor(t)
	require.Equal(t, http.StatusCreated, d.post(rt.Surgery(rt.Set("/surgery/toes/0/block/agents/0/mL", 12))).Code)
	id, hash := d.overLimit("S-1")
	body := func(hash string) string {
		return `{"who":{"staffKey":"pod-1"},"reason":"watched for two hours","at":"2026-03-02T12:00:00Z","inputsHash":"` + hash + `"}`
	}
	at := func(record, flag string) string {
		return "/records/north/" + record + "/flags/" + flag + "/acknowledge"
	}
	post := func(target, body string) answer {
		return d.ask(http.MethodPost, target, body, "Content-Type", oneRecord)
	}

	a := post(at("S-1", id), `{"who":{},"reason":"","At":"x"}`)
	a.isProblem(http.StatusUnprocessableEntity, "malformed-acknowledgement")
	assert.NotEmpty(t, a.tree["reasons"])
	post(at("S-1", "other"), body(hash)).isProblem(http.StatusNotFound, "not-found")
	post(at("S-2", id), body(hash)).isProblem(http.StatusNotFound, "not-found")
	a = post(at("S-1", id), body("00"))
	a.isProblem(http.StatusConflict, "flag-changed")
	assert.Equal(t, hash, rt.At(a.tree, "flag", "inputsHash"))
	a = post(at("S-1", id), body(hash))
	assert.Equal(t, http.StatusOK, a.Code)
	assert.Equal(t, "watched for two hours", rt.At(a.tree, "acknowledged", "reason"))
	assert.Equal(t, true, a.tree["stands"])
	assert.Nil(t, a.tree["note"])
	a = post(at("S-1", id), strings.Replace(body(hash), "2026-03-02T12", "2012-03-02T12", 1))
	a.isProblem(http.StatusUnprocessableEntity, "malformed-acknowledgement")
	assert.Equal(t, "/at", rt.At(a.tree["reasons"].([]any)[0], "pointer"))
	second := strings.Replace(body(hash), "watched", "also watched", 1)
	a = post(at("S-1", id), second)
	assert.Equal(t, http.StatusOK, a.Code)
	assert.Equal(t, false, a.tree["stands"])
	assert.Contains(t, a.tree["note"], "is kept")
	assert.Equal(t, "watched for two hours", rt.At(a.tree, "acknowledged", "reason"), "the first stands")
	kept := d.ask(http.MethodGet, "/records/north/S-1", "").tree["acknowledgements"]
	var reasons []string
	for i, stands := range []bool{false, true, false} { // the first was of other inputs
		reasons = append(reasons, rt.At(kept, i, "reason").(string))
		assert.Equal(t, stands, rt.At(kept, i, "stands"), i)
		assert.Equal(t, "pod-1", rt.At(kept, i, "who", "staffKey"))
	}
	assert.Equal(t, []string{"watched for two hours", "watched for two hours", "also watched for two hours"}, reasons)
}

// An acknowledgement is of the person whose key it is. The name
// on the flag is the key's, whatever else the body leaves out.
func TestD1_3_AcknowledgementsAreOfTheKeysPerson(t *testing.T) {
	d := newDoor(t)
	require.Equal(t, http.StatusCreated, d.post(rt.Surgery(rt.Set("/surgery/toes/0/block/agents/0/mL", 12))).Code)
	id, hash := d.overLimit("S-1")
	target := "/records/north/S-1/flags/" + id + "/acknowledge"
	post := func(caller *access.Caller, who string) answer {
		d.caller = caller
		return d.ask(http.MethodPost, target, `{"who":`+who+`,"reason":"watched","at":"2026-03-02T12:00:00Z","inputsHash":"`+hash+`"}`, "Content-Type", oneRecord)
	}
	ada := &access.Caller{Kind: access.PersonKey, Clinics: []string{"north"}, Person: &access.Person{StaffKey: "st-1", Family: "Quill", Given: []string{"Ada"}}}

	post(&access.Caller{Kind: access.ClinicKey, Clinics: []string{"north"}}, `{"staffKey":"st-1"}`).isProblem(http.StatusForbidden, "key")
	for _, who := range []string{
		`{"staffKey":"st-2"}`, `{"staffKey":"st-1","name":{"family":"Other","given":["Ada"]}}`,
		`{"staffKey":"st-1","registration":{"system":"https://register.example","value":"1"}}`,
		`{"registration":{"system":"https://register.example","value":"1"}}`,
	} {
		post(ada, who).isProblem(http.StatusForbidden, "other-person")
	}
	a := post(ada, `{"staffKey":"st-1"}`)
	require.Equal(t, http.StatusOK, a.Code, a.Body.String())
	assert.Equal(t, "Ada Quill", rt.At(a.tree, "acknowledged", "who"))

	// The key says who it is.
	for _, body := range []string{
		`{"reason":"watched again","at":"2026-03-02T12:05:00Z","inputsHash":"` + hash + `"}`,
		`{"who":{"name":{"family":"Quill","given":["Ada"]}},"reason":"and again","at":"2026-03-02T12:06:00Z","inputsHash":"` + hash + `"}`,
	} {
		a = d.ask(http.MethodPost, target, body, "Content-Type", oneRecord)
		require.Equal(t, http.StatusOK, a.Code, a.Body.String())
	}
	d.ask(http.MethodPost, target, `{"at":"2026-03-02T12:05:00Z"}`, "Content-Type", oneRecord).isProblem(http.StatusUnprocessableEntity, "malformed-acknowledgement")

	d.caller = ada
	d.post(rt.Surgery(rt.Set("/record", "S-9"))).isProblem(http.StatusForbidden, "key")
	d.ask(http.MethodPost, "/records/north/retry", "").isProblem(http.StatusForbidden, "key")
	assert.Equal(t, http.StatusOK, d.ask(http.MethodGet, "/records/north?list=refused", "").Code, "a person reads the lists")
}

func TestFollowUpOverHTTP(t *testing.T) {
	d := newDoor(t)
	d.post(rt.Surgery(rt.Set("/surgery/toes/0/block/agents/0/mL", 12)))
	d.ask(http.MethodGet, "/follow-up?clinic=south", "").isProblem(http.StatusForbidden, "other-clinic")
	d.At("2026-03-05T12:00:00Z")
	states := func(target string) []string {
		a := d.ask(http.MethodGet, target, "")
		require.Equal(t, http.StatusOK, a.Code, a.Body.String())
		var out []string
		for _, e := range a.tree["entries"].([]any) {
			out = append(out, rt.At(e, "state").(string))
		}
		return out
	}
	assert.Equal(t, []string{"due"}, states("/follow-up?clinic=north&state=due"))
	assert.Empty(t, states("/follow-up?clinic=north&state=overdue"))
	assert.Contains(t, states("/follow-up?clinic=north"), "flagged")
	d.At("2026-03-07T12:00:00Z")
	assert.Equal(t, []string{"overdue"}, states("/follow-up?clinic=north&state=overdue"), "by the clock, before any tick")
	assert.Empty(t, states("/follow-up?clinic=north&state=overdue&since=2026-03-08"))
	assert.Equal(t, []string{"overdue"}, states("/follow-up?clinic=north&state=overdue&since=2026-03-06"))
}
