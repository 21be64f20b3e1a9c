package hub

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
)

// heldStore is a store whose snapshots wait, once open, until they are let go or
// the request ends.
type heldStore struct {
	store.Store
	opened, let chan struct{}
}

func hold(s store.Store) heldStore { return heldStore{s, make(chan struct{}), make(chan struct{})} }

func (s heldStore) View(ctx context.Context, fn func(store.Reader) error) error {
	return s.Store.View(ctx, func(rd store.Reader) error {
		s.opened <- struct{}{}
		select {
		case <-s.let:
		case <-ctx.Done():
		}
		return fn(rd)
	})
}

// unending is a resource that is validated for as long as anyone waits.
const unending = `{"resourceType":"CarePlan","id":"endless"}`

// limited makes the hub of the world anew over a store, with limits.
func (w *world) limited(s store.Store, l Limits) {
	w.Helper()
	h, err := New(Options{Store: s, BaseURL: base, Secret: secret, Limits: l, Log: slog.New(slog.NewJSONHandler(&w.log, nil)),
		Validator: func(ctx context.Context, resource []byte, _ []string) ([]byte, error) {
			if string(resource) == unending {
				<-ctx.Done()
			}
			return outcome([]issue{{"information", "informational", "seen"}}), ctx.Err()
		}})
	require.NoError(w, err)
	w.handler = h
}

// ask is get for another goroutine, whose log nobody reads meanwhile.
func (w *world) ask(ctx context.Context, path string) *httptest.ResponseRecorder {
	rec := httptest.NewRecorder()
	w.handler.ServeHTTP(rec, httptest.NewRequestWithContext(ctx, http.MethodGet, "/fhir"+path, http.NoBody))
	return rec
}

// R-OO-01, RFC 9110 section 15.5.15, RFC 6585 section 5: a URL, parameters or
// headers too long by one byte are 414, 413 and 431; the longest are taken, and
// the links of their answer too.
func TestR_OO_01_TooLongBeforeTheBody(t *testing.T) {
	w := small(t)
	const lenient = "handling=lenient"
	longest := "status=active&foo=" + strings.Repeat("a", maxParameters-len("statusactivefoo"))
	b := w.get("/CarePlan?"+longest, "Prefer", lenient).bundle()
	assert.Equal(t, []string{"c3", "c1"}, b.ids())
	w.get("/CarePlan?"+longest+"a", "Prefer", lenient).failed(414, "too-long")
	for _, path := range []string{"/CarePlan/c1", "/metadata", "/CarePlan/_history", "/CarePlan/_search", "/CarePlan/c1/_history/e1-1"} {
		w.get(path+"?"+longest+"a").failed(414, "too-long")
	}
	assert.Len(t, w.post("/CarePlan/_search?foo="+strings.Repeat("a", maxParameters-len("statusactivefoo")), "status=active",
		"Content-Type", "application/x-www-form-urlencoded", "Prefer", lenient).bundle().ids(), 2)
	w.post("/CarePlan/_search?foo="+strings.Repeat("a", maxParameters-len("statusactivefoo")+1), "status=active",
		"Content-Type", "application/x-www-form-urlencoded", "Prefer", lenient).failed(413, "too-long")
	for _, path := range []string{"/CarePlan", "/Nonsense", "/metadata", "/CarePlan/a/b/c/d"} {
		w.get(path+"?_page="+strings.Repeat("a", maxURL)).failed(414, "too-long")
		w.get(path, "X-Long", strings.Repeat("a", maxHeader-len("X-Long")+1)).failed(431, "too-long")
	}
	assert.Equal(t, 200, w.get("/CarePlan", "X-Long", strings.Repeat("a", maxHeader-len("X-Long"))).Code)
	w.get("/"+strings.Repeat("a", maxURL)).failed(414, "too-long")
	w.get("/CarePlan?_page="+strings.Repeat("a", maxURL-len("/fhir/CarePlan?_page=")-20)).failed(400, "invalid")
}

// R-PAGE-06: the longest criteria that a form may hold, of characters that a URL
// writes as three, lead to further pages by links that we read ourselves, with
// as many warnings as a search may raise.
func TestR_PAGE_06_TheLongestLinksAreTaken(t *testing.T) {
	w := small(t)
	form := strings.Repeat("foo=1&", maxNotes) + "_count=1&status=active,completed"
	form += strings.Repeat(","+strings.Repeat(">", 299), (maxParameters-len(form))/300)
	require.Greater(t, len(form), maxParameters-400)
	b := w.post("/CarePlan/_search", form, "Content-Type", "application/x-www-form-urlencoded", "Prefer", "handling=lenient").bundle()
	var ids []string
	for range 3 {
		ids = append(ids, b.ids()...)
		assert.Equal(t, b.ids(), w.follow(b.link("self")).bundle().ids())
		if next := b.link("next"); next != "" {
			assert.Less(t, len(next), maxURL)
			b = w.follow(next).bundle()
		}
	}
	assert.Equal(t, []string{"c3", "c2", "c1"}, ids)
	w.post("/CarePlan/_search", "foo=1&"+form, "Content-Type", "application/x-www-form-urlencoded", "Prefer", "handling=lenient").failed(400, "too-costly")
}

// A query of many small faults is told of the first, and is answered no page that
// is much longer than itself.
func TestManyFaultsAreAnsweredShort(t *testing.T) {
	w := small(t)
	r := w.post("/CarePlan/_search", strings.Repeat("a=b&", maxForm/4), "Content-Type", "application/x-www-form-urlencoded")
	o := r.failed(400, "not-supported")
	assert.Len(t, o.Issue, maxNotes+1)
	assert.Equal(t, fmt.Sprintf("%d more are not listed", maxForm/4-maxNotes), o.Issue[maxNotes].Diagnostics)
	assert.Less(t, r.Body.Len(), maxForm/2)
	assert.Len(t, w.get("/CarePlan?a=b&c=d").failed(400, "not-supported").Issue, 2)
}

// RFC 9110 section 15.6.4: past so many requests at once the next waits for a
// bounded time, and is then 503 with Retry-After. What needs no store is
// answered meanwhile.
func TestTooManyAtOnceAreToldToComeBack(t *testing.T) {
	w := small(t)
	held := hold(w.store)
	w.limited(held, Limits{Readers: 2, Queue: 20 * time.Millisecond})
	var first sync.WaitGroup
	for range 2 {
		first.Go(func() { assert.Equal(t, 200, w.ask(t.Context(), "/CarePlan/c1").Code) })
		<-held.opened
	}
	for _, path := range []string{"/CarePlan/c1", "/CarePlan", "/_history", "/CarePlan/c1/_history/e1-1"} {
		r := reply{w.ask(t.Context(), path), t}
		r.failed(503, "throttled")
		assert.Equal(t, retryAfter, r.Header().Get("Retry-After"))
	}
	assert.Equal(t, 200, w.ask(t.Context(), "/metadata").Code)
	assert.Equal(t, 200, w.ask(t.Context(), "/CodeSystem").Code)
	close(held.let)
	first.Wait()
	go func() { <-held.opened }()
	assert.Equal(t, 200, w.ask(t.Context(), "/CarePlan/c1").Code)
}

// RFC 9110 section 15.6.4: a request that reads for too long is 503, is logged
// as an error, and gives its place back.
func TestARequestMayTakeSoLong(t *testing.T) {
	w := small(t)
	held := hold(w.store)
	w.limited(held, Limits{Readers: 1, Read: 20 * time.Millisecond})
	for _, path := range []string{"/CarePlan/c1", "/CarePlan?status=active", "/_history", "/CarePlan/c1/_history/e1-1"} {
		go func() { <-held.opened }()
		r := reply{w.ask(t.Context(), path), t}
		o := r.failed(503, "timeout")
		assert.Equal(t, retryAfter, r.Header().Get("Retry-After"))
		assert.NotContains(t, r.Body.String(), "deadline")
		assert.Contains(t, o.Issue[0].Diagnostics, "not for a total")
	}
	r := w.post("/CarePlan/$validate", unending, "Content-Type", fhirJSON)
	r.failed(503, "timeout")
	assert.Equal(t, retryAfter, r.Header().Get("Retry-After"))
	assert.Equal(t, 5, strings.Count(w.log.String(), `"level":"ERROR"`))
	close(held.let)
	go func() { <-held.opened }()
	assert.Equal(t, 200, w.ask(t.Context(), "/CarePlan/c1").Code)
}

// A client that leaves ends its snapshot, and its wait for one, over a real
// connection; nobody is alarmed.
func TestCancelledRequestsFreeTheirWork(t *testing.T) {
	w := small(t)
	held := hold(w.store)
	w.limited(held, Limits{Readers: 1, Queue: time.Minute, Read: time.Minute})
	came, done := make(chan struct{}, 2), make(chan struct{}, 2)
	server := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		came <- struct{}{}
		w.handler.ServeHTTP(rw, r)
		done <- struct{}{}
	}))
	defer server.Close()
	var clients sync.WaitGroup
	defer clients.Wait()
	client := func() (leave func()) {
		ctx, cancel := context.WithCancel(t.Context())
		clients.Go(func() {
			r, err := http.NewRequestWithContext(ctx, http.MethodGet, server.URL+"/fhir/CarePlan", http.NoBody)
			if assert.NoError(t, err) {
				res, err := http.DefaultClient.Do(r)
				if !assert.ErrorIs(t, err, context.Canceled) {
					res.Body.Close()
				}
			}
		})
		<-came
		return cancel
	}
	reads := client()
	<-held.opened
	waits := client()
	for _, leave := range []func(){waits, reads} { // who waits is gone while the other still reads
		leave()
		select {
		case <-done:
		case <-time.After(30 * time.Second):
			require.Fail(t, "a request outlives its client")
		}
	}
	close(held.let)
	go func() { <-held.opened }()
	assert.Equal(t, 200, w.ask(t.Context(), "/CarePlan/c1").Code)
	assert.NotContains(t, w.log.String(), `"level":"ERROR"`)
}

// blocked is a client that reads nothing of its answer.
type blocked struct {
	*httptest.ResponseRecorder
	writing chan struct{}
	read    chan struct{}
}

func (b blocked) Write(p []byte) (int, error) {
	b.writing <- struct{}{}
	<-b.read
	return b.ResponseRecorder.Write(p)
}

// However slow a client is in sending or reading, it keeps nobody's place.
func TestSlowClientsKeepNobodyWaiting(t *testing.T) {
	w := small(t)
	w.limited(w.store, Limits{Readers: 1, Queue: time.Millisecond})
	slow := blocked{httptest.NewRecorder(), make(chan struct{}), make(chan struct{})}
	body, send := io.Pipe()
	var clients sync.WaitGroup
	clients.Go(func() {
		w.handler.ServeHTTP(slow, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/fhir/CarePlan", http.NoBody))
	})
	clients.Go(func() {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/fhir/Patient/$validate", body)
		r.Header.Set("Content-Type", fhirJSON)
		rec := httptest.NewRecorder()
		w.handler.ServeHTTP(rec, r)
		assert.Equal(t, 200, rec.Code)
	})
	<-slow.writing
	_, err := send.Write([]byte("{"))
	require.NoError(t, err)
	assert.Equal(t, 200, w.ask(t.Context(), "/CarePlan").Code)
	_, err = send.Write([]byte("}"))
	require.NoError(t, err)
	require.NoError(t, send.Close())
	close(slow.read)
	clients.Wait()
}

// R-HTTP-28: a body that says that it is too long is not read at all.
func TestR_HTTP_28_LongBodiesAreNotRead(t *testing.T) {
	w := newWorld(t)
	w.limited(w.store, Limits{})
	for path, c := range map[string]struct {
		media string
		most  int64
	}{"/CarePlan/_search": {"application/x-www-form-urlencoded", maxForm}, "/CarePlan/$validate": {fhirJSON, maxResource}} {
		body := &counted{}
		r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/fhir"+path, body)
		r.ContentLength = c.most + 1
		w.send(r, "Content-Type", c.media).failed(413, "too-long")
		assert.Zero(t, body.n, path)
	}
}

// counted is an endless body that counts what was read of it.
type counted struct {
	endless
	n int
}

func (c *counted) Read(b []byte) (int, error) {
	c.n += len(b)
	return c.endless.Read(b)
}
