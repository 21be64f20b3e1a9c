package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/internal/schedule"
	"nailbridge/testdata"
)

// bench is the program put together over a data folder, with a clock that a
// test moves and a beat that it gives.
type bench struct {
	t    *testing.T
	app  *app
	dir  string
	log  *buffer
	stop func()
	beat chan time.Time

	mu  sync.Mutex
	now time.Time
}

// buffer is a log that may be written and read at once.
type buffer struct {
	mu sync.Mutex
	bytes.Buffer
}

func (b *buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.Buffer.Write(p)
}

func (b *buffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.Buffer.String()
}

// newBench puts the program together for the demo clinic at an instant.
func newBench(t *testing.T, dir string, now string) *bench {
	file, err := config.Parse(testdata.Settings())
	require.NoError(t, err)
	b := &bench{t: t, dir: dir, log: &buffer{}, beat: make(chan time.Time)}
	b.set(now)
	b.app, err = newApp(&env{ctx: context.Background(), stdout: io.Discard, stderr: b.log, clock: b.clock}, file, config.DemoNamespace, dir, accessFlags{})
	require.NoError(t, err)
	t.Cleanup(b.close)
	return b
}

func (b *bench) clock() time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.now
}

func (b *bench) set(now string) {
	at, err := time.Parse(time.RFC3339, now)
	require.NoError(b.t, err)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.now = at
}

// schedule runs the scheduler as serve does, on the bench's clock and beat.
func (b *bench) schedule() {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		schedule.Run(ctx, b.app.clinics, b.app.now, b.beat, b.app.log)
	}()
	b.stop = func() { cancel(); <-done }
}

// tick lets the scheduler tick: it takes the second beat when the tick of the
// first has ended.
func (b *bench) tick() {
	b.beat <- time.Time{}
	b.beat <- time.Time{}
}

func (b *bench) close() {
	if b.app == nil {
		return
	}
	if b.stop != nil {
		b.stop()
	}
	require.NoError(b.t, b.app.close())
	b.app = nil
}

// restart closes the program and puts it together again over the same data.
func (b *bench) restart(now string) *bench {
	b.close()
	return newBench(b.t, b.dir, now)
}

func (b *bench) do(method, path, media string, body []byte) *httptest.ResponseRecorder {
	req := httptest.NewRequest(method, "http://127.0.0.1:8470"+path, bytes.NewReader(body))
	if media != "" {
		req.Header.Set("Content-Type", media)
	}
	w := httptest.NewRecorder()
	b.app.handler.ServeHTTP(w, req)
	return w
}

func (b *bench) get(path string) *httptest.ResponseRecorder { return b.do("GET", path, "", nil) }

func (b *bench) post(record []byte) *httptest.ResponseRecorder {
	return b.do("POST", "/records", "application/json", record)
}

// send posts every save of a record file of the demo clinic.
func (b *bench) send(name string) {
	for _, text := range saves(b.t, name) {
		w := b.post(text)
		require.Less(b.t, w.Code, 300, w.Body)
	}
}

func saves(t *testing.T, name string) [][]byte {
	for _, f := range testdata.Records() {
		if f.Name == name+".ndjson" {
			return bytes.Split(bytes.TrimSpace(f.Data), []byte("\n"))
		}
	}
	t.Fatalf("no record file %s", name)
	return nil
}

// bundle is a search answer or a history.
type bundle struct {
	Total int
	Link  []struct{ Relation, URL string }
	Entry []struct {
		FullURL  string
		Resource json.RawMessage
		Search   struct{ Mode string }
	}
}

func (b *bench) search(query string) bundle {
	w := b.get("/fhir/" + query)
	require.Equal(b.t, http.StatusOK, w.Code, w.Body)
	var out bundle
	require.NoError(b.t, json.Unmarshal(w.Body.Bytes(), &out))
	return out
}

// versions counts every version of the types that a tick could write.
func (b *bench) versions() map[string]int {
	out := map[string]int{}
	for _, resourceType := range []string{"CarePlan", "DetectedIssue", "Goal", "Encounter", "Procedure", "Provenance", "Patient", "Device"} {
		out[resourceType] = b.search(resourceType + "/_history").Total
	}
	return out
}

// The window of the two-week check of case 14 ends with 17 April, in the
// clinic's zone: at 23:00 UTC.
const (
	beforeEnd = "2026-04-17T22:59:59Z"
	afterEnd  = "2026-04-17T23:00:00Z"
)

func TestD1_6_AWindowThatEndsShowsAsOverdueWithNoSaveArriving(t *testing.T) {
	assert.LessOrEqual(t, schedule.Interval, time.Minute, "within 60 s")
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	b.send("14-overdue")
	b.schedule()
	b.set(beforeEnd)
	b.tick()
	assert.Zero(t, b.search("DetectedIssue").Total, "the window is still open")
	b.set(afterEnd)
	b.tick()
	open := b.search("DetectedIssue?_tag=open")
	require.Equal(t, 1, open.Total)
	assert.Contains(t, string(open.Entry[0].Resource), "review-overdue")
	assert.Contains(t, b.get("/follow-up?clinic=brindlemere&state=overdue").Body.String(), `"activity":"week-2"`)

	written := b.versions()
	for _, later := range []string{afterEnd, "2026-04-17T23:00:20Z", "2026-04-18T12:00:00Z", "2026-05-04T22:59:59Z"} {
		b.set(later)
		b.tick()
		assert.Equal(t, written, b.versions(), "a tick that changes nothing writes nothing: %s", later)
	}
	b.set("2026-05-04T23:00:00Z")
	b.tick()
	assert.Equal(t, 2, b.search("DetectedIssue?_tag=open").Total, "the window of the four-week check ended too")
}

func TestD1_6_AWindowThatEndedWhileStoppedShowsAtTheStart(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	b.send("14-overdue")
	b = b.restart(afterEnd)
	assert.Zero(t, b.search("DetectedIssue").Total)
	b.schedule()
	b.tick()
	assert.Equal(t, 1, b.search("DetectedIssue?_tag=open").Total)
	written := b.versions()
	b = b.restart("2026-04-18T09:00:00Z")
	b.schedule()
	b.tick()
	assert.Equal(t, written, b.versions(), "a start writes nothing by itself")
}

// A review attended within the window and recorded late takes the overdue
// issue back; one attended late leaves it, with what settled it (D4.3).
func TestD4_3_AReviewRecordedLate(t *testing.T) {
	for at, want := range map[string]string{
		"2026-04-17T16:00:00+01:00": `"status":"entered-in-error"`,
		"2026-04-18T09:00:00+01:00": `"mitigation":`,
	} {
		b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
		b.send("14-overdue")
		b.schedule()
		b.set("2026-04-19T09:00:00Z")
		b.tick()
		require.Equal(t, 1, b.search("DetectedIssue?_tag=open").Total)
		w := b.post([]byte(`{"clinic":"brindlemere","record":"R-2143","revision":1,"kind":"review","status":"final","author":{"staffKey":"nurse-2"},
			"patient":{"identifier":{"system":"https://brindlemere.example/patient","value":"P-014"}},
			"review":{"surgery":"S-1014","activity":"week-2","attendance":"attended","at":"` + at + `"}}`))
		require.Equal(t, http.StatusCreated, w.Code, w.Body)
		assert.Zero(t, b.search("DetectedIssue?_tag=open").Total)
		assert.Contains(t, string(b.search("DetectedIssue").Entry[0].Resource), want, at)
	}
}

// A start by itself changes nothing of what is served, the definitions and the
// capability statement included.
func TestAStartChangesNothingServed(t *testing.T) {
	served := func(b *bench) []string {
		metadata := b.get("/fhir/metadata")
		definitions := b.get("/fhir/PlanDefinition")
		return []string{metadata.Header().Get("ETag"), metadata.Header().Get("Last-Modified"), metadata.Body.String(), definitions.Body.String()}
	}
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	before := served(b)
	assert.NotEmpty(t, before[0])
	assert.Contains(t, before[2], releaseTime().UTC().Format(time.RFC3339))
	assert.Equal(t, before, served(b.restart("2026-04-09T10:00:00Z")))
}

// serve refuses an address before it makes a data folder.
func TestServeRefusesAnAddressBeforeItMakesAnything(t *testing.T) {
	dir := t.TempDir()
	settings := filepath.Join(dir, "settings.json")
	require.NoError(t, os.WriteFile(settings, testdata.Settings(), 0o600))
	data := filepath.Join(dir, "data")
	e := &env{ctx: context.Background(), stdout: io.Discard, stderr: io.Discard, clock: time.Now}
	require.Equal(t, 1, runArgs([]string{"serve", "--config", settings, "--data", data, "--listen", "192.0.2.1:8470"}, e))
	assert.NoDirExists(t, data)
}

// What the demo says of case 08 in testdata/README.md.
func TestDemoShowsTheWithdrawnCaseAsEnteredInError(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-03-12T09:00:00Z")
	b.send("08-withdrawn")
	for _, resourceType := range []string{"Procedure", "CarePlan", "Observation", "MedicationAdministration", "Encounter", "Consent"} {
		found := b.search(resourceType)
		assert.NotEmpty(t, found.Entry, resourceType)
		for _, e := range found.Entry {
			var r struct{ ID, Status string }
			require.NoError(t, json.Unmarshal(e.Resource, &r))
			if resourceType == "Consent" && r.Status == "active" {
				continue // that of sharing is the patient's, not the case's
			}
			assert.Equal(t, "entered-in-error", r.Status, "%s/%s", resourceType, r.ID)
		}
	}
}

// A stop lets the request in flight end and takes no new one.
func TestServeStopsGracefully(t *testing.T) {
	b := newBench(t, t.TempDir(), "2026-04-08T09:00:00Z")
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	started, ended := make(chan string, 1), make(chan error, 1)
	e := &env{ctx: ctx, stdout: io.Discard, stderr: b.log, clock: b.clock}
	go func() { ended <- b.app.serve(e, "127.0.0.1:0", func(addr string) { started <- addr }) }()
	addr := <-started
	body := saves(t, "12-abandoned")[0]
	conn, err := net.Dial("tcp", addr)
	require.NoError(t, err)
	defer conn.Close()
	half := len(body) / 2
	_, err = fmt.Fprintf(conn, "POST /records HTTP/1.1\r\nHost: %s\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n%s", addr, len(body), body[:half])
	require.NoError(t, err)
	require.Eventually(t, func() bool {
		res, err := http.Get("http://" + addr + "/health")
		return err == nil && res.Body.Close() == nil && res.StatusCode == http.StatusOK
	}, 10*time.Second, 10*time.Millisecond)

	cancel()
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", addr)
		return err != nil || c.Close() != nil
	}, 10*time.Second, 10*time.Millisecond, "no new request is taken")
	_, err = conn.Write(body[half:])
	require.NoError(t, err)
	res, err := http.ReadResponse(bufio.NewReader(conn), nil)
	require.NoError(t, err, "the request in flight is answered")
	answer, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	assert.Equal(t, http.StatusCreated, res.StatusCode, string(answer))
	require.NoError(t, <-ended)
	assert.True(t, strings.Contains(string(answer), `"answer":"stored"`), "stored, and not only promised")
}
