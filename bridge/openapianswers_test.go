package main

import (
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
	"nailbridge/internal/events"
	"nailbridge/internal/hub"
	"nailbridge/internal/openapi"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// records shows every answer of D2.
func (d *documented) records() {
	rev := rt.Revision
	over := rt.Set("/surgery/toes/0/block/agents/0/mL", 12) // beyond the limit: a flag to acknowledge
	d.ask(d.open.handler, 201, "POST", "/records?dry-run=true", string(rt.Surgery()), "Content-Type", jsonBody)
	d.post(201, rt.Surgery(rev(2), over))
	d.post(200, rt.Surgery(rev(2), over))
	d.post(200, rt.Surgery(rev(1)))
	d.post(409, rt.Surgery(rev(2), over, rt.Set("/surgery/note", "another"), rt.Saved("2026-03-02T11:00:00Z")))
	d.post(200, rt.Surgery(rev(3), over))
	d.post(202, rt.Review(rt.Record("R-9"), rt.Set("/review/surgery", "S-9"), rt.RedFlag))
	d.post(422, rt.Surgery(rev(4), rt.Set("/status", "done")))
	d.post(400, []byte("<record/>"))
	d.post(400, nil)
	d.post(403, rt.Review(rt.RedFlag, rt.Set("/clinic", "south")))
	d.ask(d.open.handler, 415, "POST", "/records", "{}", "Content-Type", "text/plain")
	d.post(413, bytes.Repeat([]byte(" "), 1<<20+1))
	d.ask(d.open.handler, 400, "POST", "/records?dry=1", "{}", "Content-Type", jsonBody)
	lines := strings.Join([]string{
		string(rt.Surgery(rev(3), over)), "{broken", string(rt.Surgery(rt.Set("/clinic", "south"))), string(rt.Surgery(rev(4), rt.Set("/status", "done"))),
	}, "\n")
	d.ask(d.open.handler, 200, "POST", "/records", lines, "Content-Type", "application/x-ndjson")
	d.held()
}

// held shows the answer to a record whose resources do not pass our own check.
func (d *documented) held() {
	d.Check = func([]resource.Resource, func(resource.Ref) bool, *terms.Terms, terms.Setting) ([]validate.Checked, []validate.Issue) {
		return nil, []validate.Issue{{Key: "test-1", Path: "Procedure"}}
	}
	d.post(202, rt.Surgery(rt.Record("S-2"), rt.Patient("P-2")))
	d.Check = nil
}

// lists shows the lists, and gives a flag with the hash of its inputs.
func (d *documented) lists() (flag, hash string) {
	h := d.open.handler
	for _, list := range []string{"refused", "settled", "held", "waiting", "superseded"} {
		d.ask(h, 200, "GET", "/records/north?list="+list, "")
	}
	d.ask(h, 400, "GET", "/records/north?list=all", "")
	d.ask(h, 400, "GET", "/records/north/S-1?x=1", "")
	d.ask(h, 404, "GET", "/records/north/S-99", "")
	d.ask(h, 200, "POST", "/records/north/retry", "")
	d.ask(h, 400, "POST", "/records/north/retry?x=1", "")
	d.ask(h, 200, "GET", "/follow-up?clinic=north", "")
	d.ask(h, 400, "GET", "/follow-up?clinic=north&state=all", "")
	d.At("2026-03-20T12:00:00Z")
	d.post(201, rt.Review()) // the plan has a second version
	_, err := d.Tick(d.Context(), d.Now)
	require.NoError(d, err)
	d.ask(h, 200, "GET", "/follow-up?clinic=north&since=2026-03-01", "")
	for _, state := range []string{"due", "overdue", "missed", "flagged"} {
		d.ask(h, 200, "GET", "/follow-up?clinic=north&state="+state, "")
	}
	var seen struct {
		Flags []struct{ Flag, Code, InputsHash string }
	}
	require.NoError(d, json.Unmarshal(d.ask(h, 200, "GET", "/records/north/S-1", "").Body.Bytes(), &seen))
	for _, f := range seen.Flags {
		if f.Code == "anaesthetic-over-limit" {
			flag, hash = f.Flag, f.InputsHash
		}
	}
	require.NotEmpty(d, flag)
	return flag, hash
}

// acknowledgements shows every answer to an acknowledgement of a flag.
func (d *documented) acknowledgements(flag, hash string) {
	path := "/records/north/S-1/flags/" + flag + "/acknowledge"
	ask := func(status int, path, body string) {
		d.Helper()
		d.ask(d.open.handler, status, "POST", path, body, "Content-Type", jsonBody)
	}
	body := func(at, hash string) string {
		return `{"who": {"staffKey": "pod-1"}, "reason": "Watched.", "at": "` + at + `", "inputsHash": "` + hash + `"}`
	}
	ask(200, path, body("2026-03-20T11:00:00Z", hash))
	ask(200, path, body("2026-03-20T10:00:00Z", hash)) // the earliest stands: it replaces
	ask(409, path, body("2026-03-20T11:00:00Z", "another"))
	ask(422, path, `{"reason": "r"}`)
	ask(400, path, "")
	ask(404, "/records/north/S-1/flags/none/acknowledge", body("2026-03-20T11:00:00Z", hash))
	ask(413, path, strings.Repeat(" ", 1<<20+1))
	d.ask(d.open.handler, 415, "POST", path, "{}", "Content-Type", "text/plain")
	require.Contains(d, d.ask(d.open.handler, 200, "GET", "/records/north/S-1", "").Body.String(), `"acknowledgements"`)
}

// both asks by GET and by HEAD.
func (d *documented) both(h http.Handler, status int, target string, headers ...string) {
	d.Helper()
	d.ask(h, status, "HEAD", target, "", headers...)
	d.ask(h, status, "GET", target, "", headers...)
}

// hubPages are pages of the hub's side with what they take.
func (d *documented) hubPages() (ref string, reads, walks []string) {
	plan := slices.MaxFunc(d.Live("CarePlan"), func(a, b rt.Resource) int { return int(a.Number - b.Number) }) // of several versions
	ref = "/fhir/" + plan.Ref.String()
	reads = []string{ref, ref + "/_history/" + plan.VersionID}
	var subject struct{ Subject struct{ Reference string } }
	require.NoError(d, json.Unmarshal(plan.Body, &subject))
	return ref, reads, []string{"/fhir/CarePlan", "/fhir/" + subject.Subject.Reference + "/Observation", "/fhir/_history", "/fhir/CarePlan/_history", ref + "/_history"}
}

// reads shows reading, searching and histories.
func (d *documented) reads() {
	h := d.open.handler
	ref, reads, walks := d.hubPages()
	for _, p := range append([]string{"/fhir/metadata"}, reads...) {
		d.both(h, 200, p+"?_format=json&_pretty=true")
		d.both(h, 304, p, "If-None-Match", d.ask(h, 200, "GET", p, "").Header().Get("ETag"))
	}
	for _, p := range walks {
		d.both(h, 200, p+"?_count=1")
		for _, media := range []string{"application/json", "text/json"} {
			d.ask(h, 200, "GET", p, "", "Accept", media)
		}
	}
	d.parameters(reads, walks)
	d.ask(h, 200, "GET", "/fhir/CarePlan?status=active&_sort=_lastUpdated&pateint=x", "", "Prefer", "handling=lenient")
	d.ask(h, 200, "GET", "/fhir/CarePlan?_summary=count", "")
	d.ask(h, 200, "GET", "/fhir/ValueSet", "")
	for _, p := range slices.Concat([]string{"/fhir/metadata", "/fhir/CarePlan/_search", "/fhir/CarePlan/$validate"}, reads, walks) {
		d.both(h, 400, p+"?_format=json&_format=json")
		d.both(h, 406, p, "Accept", "application/fhir+xml")
	}
	for _, p := range []string{"/fhir/Toe", "/fhir/Toe/_history", ref + "0", ref + "0/_history", ref + "/_history/none", ref + "/Goal"} {
		d.both(h, 404, p)
	}
	d.both(h, 405, "/fhir/CarePlan/_search")
	d.both(h, 405, "/fhir/CarePlan/$validate")
	d.tooLong(slices.Concat([]string{"/fhir/metadata", "/fhir/CarePlan/_search", "/fhir/CarePlan/$validate"}, reads, walks))
}

// tooLong shows what is answered to a URL and to headers that are too long.
func (d *documented) tooLong(pages []string) {
	h, long := d.open.handler, strings.Repeat("a", 1<<17)
	for _, p := range pages {
		d.both(h, 414, p+"?a="+long)
		d.both(h, 431, p, "X-Long", long)
	}
	for path, media := range map[string]string{"/fhir/CarePlan/_search": formBody, "/fhir/Patient/$validate": fhirBody} {
		d.ask(h, 414, "POST", path+"?a="+strings.Repeat(long, 5), "", "Content-Type", media)
		d.ask(h, 431, "POST", path, "", "Content-Type", media, "X-Long", long)
		d.slow(path, media)
	}
}

// slow shows what is answered when a body does not arrive in the time that the
// server gives it.
func (d *documented) slow(path, media string) {
	d.Helper()
	r := httptest.NewRequestWithContext(d.Context(), "POST", "http://127.0.0.1:8470"+path, iotest.ErrReader(os.ErrDeadlineExceeded))
	r.Header.Set("Content-Type", media)
	w := httptest.NewRecorder()
	d.open.handler.ServeHTTP(w, r)
	require.Equal(d, http.StatusRequestTimeout, w.Code, "%s", w.Body)
	got, err := d.doc.Check(r, w)
	require.NoError(d, err, "%s", w.Body)
	d.seen[got]++
}

// parameters shows that what is offered is taken.
func (d *documented) parameters(reads, walks []string) {
	h := d.open.handler
	d.both(h, 200, "/fhir/metadata?mode=full")
	for _, p := range reads {
		d.both(h, 200, p+"?_summary=text")
		d.both(h, 200, p+"?_elements=title")
		d.both(h, 304, p, "If-Modified-Since", d.ask(h, 200, "GET", p, "").Header().Get("Last-Modified"))
	}
	const search = "_sort=-_lastUpdated&_summary=false&_total=accurate"
	for _, p := range walks {
		d.both(h, 200, p+"?_format=json&_pretty=true")
		if strings.HasSuffix(p, "_history") {
			d.both(h, 200, p+"?_since=2026-01-01T00:00:00Z")
		} else {
			typ := p[strings.LastIndex(p, "/")+1:]
			d.both(h, 200, p+"?"+search+"&_include="+typ+":patient&_revinclude=Provenance:target", "Prefer", "handling=lenient")
			d.both(h, 200, p+"?_elements=status&status=active")
		}
		d.both(h, 200, d.nextPage(p+"?_count=1"))
	}
	page := strings.Replace(d.nextPage("/fhir/CarePlan?_count=1"), "?", "/_search?", 1)
	for _, p := range []string{page, "/fhir/CarePlan/_search?_format=json&_pretty=true&_count=5&_include=CarePlan:patient&_revinclude=Provenance:target&" + search,
		"/fhir/CarePlan/_search?_elements=title"} {
		d.ask(h, 200, "POST", p, "", "Content-Type", formBody, "Prefer", "handling=lenient")
	}
	d.ask(h, 200, "POST", "/fhir/Patient/$validate?_format=json&_pretty=true&mode=profile&profile=http://hl7.org/fhir/StructureDefinition/Patient",
		`{"resourceType":"Patient"}`, "Content-Type", fhirBody)
}

// nextPage is the path of the link to the next page.
func (d *documented) nextPage(target string) string {
	d.Helper()
	var b struct {
		Link []struct{ Relation, URL string }
	}
	require.NoError(d, json.Unmarshal(d.ask(d.open.handler, 200, "GET", target, "").Body.Bytes(), &b))
	for _, l := range b.Link {
		if l.Relation == "next" {
			u, err := url.Parse(l.URL)
			require.NoError(d, err)
			return u.RequestURI()
		}
	}
	require.Fail(d, "no next page of "+target)
	return ""
}

// bodiesOfFHIR shows the search by a form, and $validate.
func (d *documented) bodiesOfFHIR() {
	ask := func(status int, path, body, media string, headers ...string) {
		d.Helper()
		d.ask(d.open.handler, status, "POST", path, body, append([]string{"Content-Type", media}, headers...)...)
	}
	const search, validate = "/fhir/CarePlan/_search", "/fhir/Patient/$validate"
	ask(200, search, "status=active", formBody)
	ask(400, search, "state=active", formBody)
	ask(404, "/fhir/Toe/_search", "", formBody)
	ask(406, search, "", formBody, "Accept", "text/html")
	ask(413, search, "status="+strings.Repeat("a", 1<<16), formBody)
	ask(415, search, "{}", jsonBody)
	ask(200, validate, `{"resourceType":"Patient","active":"x"}`, fhirBody)
	const told = `"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">a</div>"}`
	ask(200, validate+"?mode=create", `{"resourceType":"Patient",`+told+`,"active":true}`, fhirBody)
	ask(200, validate, `{"resourceType":"Parameters","parameter":[{"name":"resource","resource":{"resourceType":"Patient"}}]}`, fhirBody)
	ask(200, validate, `no JSON`, fhirBody)
	ask(400, validate, `{"resourceType":"Goal"}`, fhirBody)
	ask(404, "/fhir/Toe/$validate", "{}", fhirBody)
	ask(406, validate, "{}", fhirBody, "Accept", "text/html")
	ask(413, validate, strings.Repeat(" ", 4<<20+1), fhirBody)
	ask(415, validate, "{}", "application/fhir+xml")
}

// strangers shows what is answered without a key, with one of another kind,
// and under another host (RFC 6750 section 3), and to a method that no page
// takes (RFC 9110 section 15.5.6).
func (d *documented) strangers() {
	for _, o := range d.every() {
		d.ask(d.open.handler, 403, o.Method, o.Path, "", "Host", "elsewhere.example")
		d.ask(d.open.handler, 405, "DELETE", o.Path, "")
		path, _, _ := strings.Cut(o.Path, "?")
		if slices.Contains([]string{"/health", "/health/nats", "/ready", "/openapi.json", "/fhir/metadata"}, path) {
			continue
		}
		d.ask(d.keyed.handler, 401, o.Method, o.Path, "")
		d.ask(d.keyed.handler, 401, o.Method, o.Path, "", "Authorization", "Bearer nobody's")
		other := access.HubKey
		if strings.HasPrefix(path, "/fhir") {
			other = access.ClinicKey
		}
		d.ask(d.keyed.handler, 403, o.Method, o.Path, "", d.bearer(other)...)
	}
	clinic, person := d.bearer(access.ClinicKey), d.bearer(access.PersonKey)
	d.ask(d.keyed.handler, 403, "POST", "/records", "{}", person...)
	d.ask(d.keyed.handler, 403, "GET", "/records/south?list=held", "", clinic...)
	d.ask(d.keyed.handler, 200, "GET", "/records/north?list=held", "", clinic...)
	d.ask(d.keyed.handler, 200, "GET", "/fhir/CarePlan", "", d.bearer(access.HubKey)...)
	d.both(d.keyed.handler, 404, "/metrics", clinic...)
	for _, p := range slices.Sorted(maps.Keys(d.keyed.pages())) {
		if p != "/ready" && p != "/health/nats" {
			d.both(d.keyed.handler, 200, p)
		}
	}
}

// faults shows what is answered while nothing can be read or stored, after a
// backup was restored, and when a fault of ours is met.
func (d *documented) faults() {
	_, reads, walks := d.hubPages()
	all := func(status int, h http.Handler, fhirToo ...string) {
		d.Helper()
		for _, p := range fhirToo {
			d.both(h, status, p)
		}
	}
	clinic := func(status int) {
		d.Helper()
		d.post(status, rt.Review())
		d.ask(d.open.handler, status, "POST", "/records/north/retry", "")
		for _, p := range []string{"/records/north?list=held", "/records/north/S-1", "/follow-up?clinic=north"} {
			d.ask(d.open.handler, status, "GET", p, "")
		}
		d.ask(d.open.handler, status, "POST", "/records/north/S-1/flags/f/acknowledge",
			`{"who": {"staffKey": "pod-1"}, "reason": "r", "at": "2026-03-02T13:00:00Z", "inputsHash": "x"}`, "Content-Type", jsonBody)
	}
	search := func(status int) {
		d.Helper()
		d.ask(d.open.handler, status, "POST", "/fhir/CarePlan/_search", "", "Content-Type", formBody)
	}
	for status, view := range map[int]func() error{503: disk, 500: panics} {
		d.failing(view, func() {
			all(status, d.open.handler, slices.Concat(reads, walks)...)
			search(status)
			clinic(status)
		})
	}
	d.failing(epoch, func() {
		all(410, d.open.handler, walks...)
		search(410)
	})
	d.failing(func() error { return store.ErrGone }, func() { all(410, d.open.handler, reads...) })
	broken := hubOf(d.TB.(*testing.T), d.open, func(context.Context, []byte, []string) ([]byte, error) { panic("a fault of ours") })
	d.ask(broken, 500, "POST", "/fhir/Patient/$validate", "{}", "Content-Type", fhirBody)
	d.busy()
}

// busy shows what is answered while as many validate as may.
func (d *documented) busy() {
	began, end := make(chan struct{}), make(chan struct{})
	h, err := hub.New(hub.Options{
		Store: d.odd, BaseURL: rt.Base, Secret: make([]byte, 32), Limits: hub.Limits{Readers: 1, Queue: time.Millisecond},
		Validator: func(context.Context, []byte, []string) ([]byte, error) { close(began); <-end; return nil, nil },
	})
	require.NoError(d, err)
	var first sync.WaitGroup
	first.Go(func() {
		r := httptest.NewRequestWithContext(d.Context(), "POST", "/fhir/Patient/$validate", strings.NewReader("{}"))
		r.Header.Set("Content-Type", fhirBody)
		h.ServeHTTP(httptest.NewRecorder(), r)
	})
	<-began
	d.ask(h, 503, "POST", "/fhir/Patient/$validate", "{}", "Content-Type", fhirBody)
	close(end)
	first.Wait()
}

// programPages shows the pages about the program.
func (d *documented) programPages() {
	h := d.open.handler
	for _, p := range []string{"/health", "/metrics", openapi.Path} {
		d.both(h, 200, p)
	}
	d.both(d.keyed.metricsAlone(), 200, "/metrics") // at --metrics-listen
	d.both(d.keyed.metricsAlone(), 403, "/metrics", "Host", "elsewhere.example")
	assert.Equal(d, string(openapi.Document()), d.ask(h, 200, "GET", openapi.Path, "").Body.String())
	d.both(h, 503, "/ready")
	d.open.ready.Store(true)
	d.both(h, 200, "/ready")
	d.both(h, 404, "/health/nats")
	for _, c := range []struct {
		status int
		o      events.Options
	}{{503, events.Options{URL: "nats://127.0.0.1:1"}}, {200, events.Options{Dir: d.TempDir(), Listen: "127.0.0.1:0"}}} {
		c.o.Clinics, c.o.Store, c.o.Meter, c.o.Log = d.open.clinics.atNATS(), events.Announce(d.odd), d.open.meter, d.open.log
		c.o.Keep = events.Keep{Records: time.Hour, Answers: time.Hour, Changes: time.Hour}
		s, err := events.Start(c.o)
		require.NoError(d, err)
		d.open.events.Store(s)
		require.Eventually(d, func() bool { return (s.Health() == nil) == (c.status == 200) }, time.Minute, 10*time.Millisecond)
		d.both(h, c.status, "/health/nats")
		stop, cancel := context.WithTimeout(context.Background(), natsStop)
		s.Stop(stop)
		cancel()
	}
}
