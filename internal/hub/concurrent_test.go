package hub

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
)

// Readers beside a writer: each commit is seen whole or not at all, and no
// request waits for or fails by the write transaction that is open.
func TestReadersBesideAWriter(t *testing.T) {
	w := newWorld(t)
	handler, err := New(Options{Store: w.store, BaseURL: base, Secret: secret})
	require.NoError(t, err)
	w.handler = handler
	done := make(chan struct{})
	var readers sync.WaitGroup
	for range 4 {
		readers.Go(func() {
			for {
				select {
				case <-done:
					return
				default:
				}
				pairs := map[string]int{}
				for _, p := range w.walk("/_history?_count=9", func(int) {}) {
					for _, e := range p.Entry {
						_, id, _ := strings.Cut(e.Request.URL, "/")
						pairs[strings.TrimLeft(id, "pc")]++
					}
				}
				for id, n := range pairs {
					assert.Equal(t, 2, n, "half of commit %s", id)
				}
			}
		})
	}
	for i := range 60 {
		w.commit(patient(fmt.Sprint("p", i), "A", "1950"), plan(fmt.Sprint("c", i), fmt.Sprint("p", i), "active"))
	}
	close(done)
	readers.Wait()

	open, release := make(chan struct{}), make(chan struct{})
	var writer sync.WaitGroup
	writer.Go(func() {
		_ = w.store.Update(t.Context(), func(tx store.Writer) error {
			close(open)
			<-release
			return store.ErrNotFound // nothing was stored
		})
	})
	<-open
	assert.Len(t, w.found("/CarePlan?_count=500"), 60)
	close(release)
	writer.Wait()
}

// R-HTTP-19, R-HTTP-20, R-READ-11 over a real connection: no body after HEAD
// and 304, a Date, the length told.
func TestR_HTTP_19_20_OverAConnection(t *testing.T) {
	w := small(t)
	server := httptest.NewServer(w.handler)
	defer server.Close()
	do := func(method, path string, headers ...string) *http.Response {
		r, err := http.NewRequestWithContext(t.Context(), method, server.URL+"/fhir"+path, http.NoBody)
		require.NoError(t, err)
		for i := 0; i < len(headers); i += 2 {
			r.Header.Add(headers[i], headers[i+1])
		}
		res, err := server.Client().Do(r)
		require.NoError(t, err)
		t.Cleanup(func() { res.Body.Close() })
		return res
	}
	get, head := do(http.MethodGet, "/CarePlan/c1"), do(http.MethodHead, "/CarePlan/c1")
	assert.Equal(t, get.ContentLength, head.ContentLength)
	assert.Positive(t, head.ContentLength)
	date, err := http.ParseTime(get.Header.Get("Date"))
	require.NoError(t, err)
	assert.WithinDuration(t, time.Now(), date, 5*time.Second)
	same := do(http.MethodGet, "/CarePlan/c1", "If-None-Match", get.Header.Get("ETag"))
	assert.Equal(t, http.StatusNotModified, same.StatusCode)
	assert.False(t, slices.Contains(same.Header["Content-Type"], fhirJSON))
	assert.Equal(t, get.Header.Get("Last-Modified"), same.Header.Get("Last-Modified"))
	assert.Equal(t, http.StatusNotFound, do(http.MethodGet, "//CarePlan/c1").StatusCode)
	assert.Equal(t, http.StatusBadRequest, do(http.MethodGet, "/CarePlan?patient=%25zz%").StatusCode)
}
