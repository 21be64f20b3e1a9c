package main

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
)

// patientServer serves h with little patience.
func patientServer(t *testing.T, patience time.Duration, h http.HandlerFunc) *httptest.Server {
	s := httptest.NewServer(answering(h, patience, slog.New(slog.DiscardHandler)))
	t.Cleanup(s.Close)
	return s
}

// dial sends the head of a request by hand; nothing is read of the answer.
func dial(t *testing.T, s *httptest.Server, head string) net.Conn {
	conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", s.Listener.Addr().String())
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	_, err = io.WriteString(conn, head)
	require.NoError(t, err)
	return conn
}

const head = "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"

// A client that does not read its answer, or stops in its midst, is let go, and
// what was written to it is freed; common practice, no source.
func TestClientsThatDoNotReadAreLetGo(t *testing.T) {
	page := bytes.Repeat([]byte("a"), 64<<20) // more than the buffers of both ends
	failed := make(chan error, 1)
	s := patientServer(t, 50*time.Millisecond, func(w http.ResponseWriter, _ *http.Request) {
		_, err := w.Write(page)
		failed <- err
	})
	for _, read := range []int64{0, 1 << 20} {
		conn := dial(t, s, head)
		_, err := io.CopyN(io.Discard, conn, read)
		require.NoError(t, err)
		select {
		case err := <-failed:
			assert.ErrorIs(t, err, os.ErrDeadlineExceeded)
		case <-time.After(30 * time.Second):
			require.Fail(t, "the answer waits for its client for ever")
		}
	}
}

// A batch is answered for longer than a client may take for one of its lines.
func TestAnAnswerInPartsMayTakeItsTime(t *testing.T) {
	const patience = 300 * time.Millisecond
	s := patientServer(t, patience, func(w http.ResponseWriter, _ *http.Request) {
		for i := range 4 {
			time.Sleep(patience / 2)
			_, err := fmt.Fprintln(w, i)
			assert.NoError(t, err)
			w.(http.Flusher).Flush()
		}
	})
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, s.URL, http.NoBody)
	require.NoError(t, err)
	res, err := s.Client().Do(r)
	require.NoError(t, err)
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	assert.Equal(t, "0\n1\n2\n3\n", string(body))
}

// The deadline of one part is not that of the next: not of what is sent when the
// handler returns, nor on a connection that is used again, of an answer without a
// body or of 100 Continue (RFC 9110 section 15.2.1).
func TestADeadlineEndsWithItsAnswer(t *testing.T) {
	const patience = 100 * time.Millisecond
	s := patientServer(t, patience, func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPost {
			_, err := io.Copy(io.Discard, r.Body)
			assert.NoError(t, err)
		}
		if r.Header.Get("X-Status") != "" {
			w.WriteHeader(http.StatusNotModified)
		}
		if r.Header.Get("X-Late") != "" {
			_, err := io.WriteString(w, "kept by net/http until the end")
			assert.NoError(t, err)
			time.Sleep(2 * patience)
		}
	})
	conn := dial(t, s, "")
	in := bufio.NewReader(conn)
	for _, text := range []string{head, "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Late: 1\r\n\r\n", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Status: 304\r\n\r\n", "HEAD / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
		"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 1\r\nExpect: 100-continue\r\n\r\n"} {
		_, err := io.WriteString(conn, text)
		require.NoError(t, err)
		method, _, _ := strings.Cut(text, " ")
		res, err := http.ReadResponse(in, &http.Request{Method: method})
		require.NoError(t, err)
		if method == http.MethodPost {
			require.Equal(t, http.StatusContinue, res.StatusCode)
			_, err = io.WriteString(conn, "a")
			require.NoError(t, err)
			res, err = http.ReadResponse(in, nil)
			require.NoError(t, err)
		}
		assert.Contains(t, []int{200, 304}, res.StatusCode)
		_, err = io.Copy(io.Discard, res.Body)
		require.NoError(t, err)
		res.Body.Close()
		time.Sleep(2 * patience)
	}
}

// R-OO-10: a refusal is in the log by the id that the client was given, and
// nothing else of the request is.
func TestR_OO_10_RefusalsAreLogged(t *testing.T) {
	path := t.TempDir() + "/keys.json"
	full, _, err := access.NewKey(access.Key{Kind: access.HubKey, Name: "hub", Clinics: []string{"north"}}, rand.Reader, time.Now())
	require.NoError(t, err)
	require.NoError(t, access.AddKey(path, full))
	keys, err := access.OpenKeyFile(path, func(err error) { assert.NoError(t, err) })
	require.NoError(t, err)
	var log bytes.Buffer
	h := answering(access.Guard("", access.Require(keys, http.NotFoundHandler())), time.Minute, slog.New(slog.NewJSONHandler(&log, nil)))
	for host, status := range map[string]int{"127.0.0.1": 401, "marker.example": 403} {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/fhir/Marker/1?Marker=Marker", http.NoBody)
		r.Host = host
		r.Header.Set("Authorization", "Bearer Marker")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		require.Equal(t, status, w.Code)
		assert.Contains(t, log.String(), fmt.Sprintf(`"msg":"request refused","status":%d,"request":%q}`, status, w.Header().Get(access.RequestID)))
	}
	assert.NotContains(t, strings.ToLower(log.String()), "marker")
	assert.Equal(t, 2, strings.Count(log.String(), "\n"))
}

// Every listener of the program has the same bounds.
func TestServersBoundTheirClients(t *testing.T) {
	a := &app{log: slog.New(slog.DiscardHandler), times: servingTimes}
	served := false
	s := a.server(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		served = assert.IsType(t, &answer{}, w)
	}))
	s.Handler.ServeHTTP(httptest.NewRecorder(), httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", http.NoBody))
	assert.True(t, served)
	assert.Positive(t, s.ReadHeaderTimeout)
	assert.Positive(t, s.ReadTimeout)
	assert.Positive(t, s.IdleTimeout)
}
