package hub

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
)

// unzip reads a body of content coding gzip by the standard library's reader,
// which is not what wrote it.
func unzip(t testing.TB, body []byte) string {
	t.Helper()
	r, err := gzip.NewReader(bytes.NewReader(body))
	require.NoError(t, err)
	out, err := io.ReadAll(r)
	require.NoError(t, err)
	return string(out)
}

// R-HTTP-26, RFC 9110 section 12.5.3: large answers are compressed for clients
// that take gzip and like it no less, and for no other.
func TestR_HTTP_26_Compression(t *testing.T) {
	w := small(t)
	const large, short = "/CarePlan", "/CarePlan?_id=none"
	plain := w.get(large)
	require.Greater(t, plain.Body.Len(), minCompressed)
	require.Less(t, w.get(short).Body.Len(), minCompressed)
	for accept, want := range map[string]struct{ large, short bool }{
		"gzip": {true, false}, "x-gzip": {true, false}, "GZIP": {true, false}, "*": {true, false}, "br, gzip;q=0.5": {true, false},
		"deflate, gzip;q=1.0, *;q=0.5": {true, false}, "gzip;q=0.5, identity;q=0.5": {true, false}, ",gzip,": {true, false},
		"gzip, identity;q=0": {true, true}, "gzip, *;q=0": {true, true},
		"": {}, "identity": {}, "br": {}, "gzip;q=0": {}, "gzip;q=0, *": {}, "*;q=0": {}, "identity, gzip;q=0.5": {}, "gzip;q=x": {}, "gzip;q=2": {}, "gzipped": {},
	} {
		for path, zipped := range map[string]bool{large: want.large, short: want.short} {
			r := w.get(path, "Accept-Encoding", accept)
			assert.Equal(t, 200, r.Code, accept)
			assert.Equal(t, []string{"Accept, Accept-Encoding"}, r.Header().Values("Vary"))
			assert.Equal(t, strconv.Itoa(r.Body.Len()), r.Header().Get("Content-Length"))
			if !zipped {
				assert.Empty(t, r.Header().Values("Content-Encoding"), "%q %s", accept, path)
				assert.Equal(t, w.get(path).Body.String(), r.Body.String())
				continue
			}
			assert.Equal(t, []string{"gzip"}, r.Header().Values("Content-Encoding"), "%q %s", accept, path)
			assert.Equal(t, w.get(path).Body.String(), unzip(t, r.Body.Bytes()), accept)
		}
	}
	assert.Less(t, w.get(large, "Accept-Encoding", "gzip").Body.Len(), plain.Body.Len())
	nothing := httptest.NewRecorder()
	w.handler.ServeHTTP(nothing, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/fhir"+large, http.NoBody))
	assert.Empty(t, nothing.Header().Values("Content-Encoding"), "without the header")
}

// RFC 9110 sections 8.8.1, 9.3.2 and 15.4.5: the weak tag is that of the version
// in every coding; HEAD has the headers of GET, and 304 what GET varies by.
func TestR_HTTP_19_26_R_READ_11_CodingsShareTheTag(t *testing.T) {
	w := newWorld(t)
	v := w.commit(titled("c1", "p1", "active", fmt.Sprintf("%02000d", 1)))[0]
	plain, zipped := w.get("/CarePlan/c1"), w.get("/CarePlan/c1", "Accept-Encoding", "gzip")
	assert.Equal(t, string(v.Body), unzip(t, zipped.Body.Bytes()))
	assert.Equal(t, etag(v.VersionID), plain.Header().Get("ETag"))
	assert.Equal(t, plain.Header().Get("ETag"), zipped.Header().Get("ETag"))
	assert.Equal(t, plain.Header().Get("Last-Modified"), zipped.Header().Get("Last-Modified"))
	head := w.call(http.MethodHead, "/CarePlan/c1", "Accept-Encoding", "gzip")
	zipped.Header().Del(access.RequestID)
	head.Header().Del(access.RequestID)
	assert.Equal(t, zipped.Header(), head.Header())
	assert.Zero(t, head.Body.Len())
	for _, coding := range []string{"", "gzip"} {
		r := w.get("/CarePlan/c1", "Accept-Encoding", coding, "If-None-Match", zipped.Header().Get("ETag"))
		assert.Equal(t, 304, r.Code)
		assert.Zero(t, r.Body.Len())
		assert.Equal(t, []string{"Accept, Accept-Encoding"}, r.Header().Values("Vary"))
		assert.Empty(t, r.Header().Values("Content-Encoding"))
	}
}

// R-HTTP-26 over a real connection: a client that asks for gzip by itself sees
// what one without sees.
func TestR_HTTP_26_OverAConnection(t *testing.T) {
	w := small(t)
	server := httptest.NewServer(w.handler)
	defer server.Close()
	get := func(disable bool) (string, bool) {
		client := &http.Client{Transport: &http.Transport{DisableCompression: disable}}
		defer client.CloseIdleConnections()
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, server.URL+"/fhir/CarePlan?_pretty=true", http.NoBody)
		require.NoError(t, err)
		res, err := client.Do(r)
		require.NoError(t, err)
		defer res.Body.Close()
		body, err := io.ReadAll(res.Body)
		require.NoError(t, err)
		return string(body), res.Uncompressed
	}
	plain, was := get(true)
	assert.False(t, was)
	zipped, was := get(false)
	assert.True(t, was)
	assert.Equal(t, plain, zipped)
}

// BenchmarkCompress compresses a page of 500 care plans.
func BenchmarkCompress(b *testing.B) {
	var page bytes.Buffer
	for i := range 500 {
		page.WriteString(plan(fmt.Sprint("c", i), fmt.Sprint("p", i), "active"))
	}
	b.SetBytes(int64(page.Len()))
	for b.Loop() {
		compress(page.Bytes())
	}
}
