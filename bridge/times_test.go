package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
)

// patience is how long a test waits for what must come to pass, on a busy machine
// too; never is longer than that.
const (
	patience = time.Minute
	never    = time.Hour
)

// served is a program that serves over HTTP, with times of its own.
type served struct {
	*bench
	addr   string
	cancel context.CancelFunc // asks it to stop
	ended  chan error
}

func serveWith(t *testing.T, times httpTimes) *served {
	s := &served{bench: newBench(t, t.TempDir(), "2026-04-20T12:00:00Z"), ended: make(chan error, 1)}
	s.app.times = times
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s.addr = l.Addr().String()
	ctx, cancel := context.WithCancel(context.Background())
	s.cancel = cancel
	go func() { s.ended <- s.app.serveHTTP(ctx, l, nil) }()
	t.Cleanup(func() { cancel(); s.wait() })
	return s
}

// wait waits for the end and gives its error; the same again.
func (s *served) wait() error {
	select {
	case err := <-s.ended:
		s.ended <- err
		return err
	case <-time.After(patience):
		s.t.Error("it does not stop")
		return nil
	}
}

// slowClient is a connection that sends what a test wants.
type slowClient struct {
	net.Conn
	*bufio.Reader
}

func (c slowClient) Read(b []byte) (int, error) { return c.Reader.Read(b) }

func (s *served) connect() slowClient {
	c, err := net.Dial("tcp", s.addr)
	require.NoError(s.t, err)
	s.t.Cleanup(func() { _ = c.Close() })
	require.NoError(s.t, c.SetDeadline(time.Now().Add(patience)))
	return slowClient{c, bufio.NewReader(c)}
}

// begin posts a record but for its last byte, once the door reads its body (RFC 9110,
// 10.1.1), and gives that byte.
func (s *served) begin(c slowClient) (rest []byte) {
	record := saves(s.t, "12-abandoned")[0]
	_, err := fmt.Fprintf(c, "POST /records HTTP/1.1\r\nHost: 127.0.0.1:8470\r\nContent-Type: application/json\r\n"+
		"Expect: 100-continue\r\nContent-Length: %d\r\n\r\n", len(record))
	require.NoError(s.t, err)
	line, err := c.ReadString('\n')
	require.NoError(s.t, err)
	require.Equal(s.t, "HTTP/1.1 100 Continue\r\n", line)
	_, err = c.ReadString('\n')
	require.NoError(s.t, err)
	_, err = c.Write(record[:len(record)-1])
	require.NoError(s.t, err)
	return record[len(record)-1:]
}

// answer reads an answer, and gives its status and body.
func (s *served) answer(c slowClient) (status int, body string) {
	res, err := http.ReadResponse(c.Reader, nil)
	require.NoError(s.t, err)
	b, err := io.ReadAll(res.Body)
	require.NoError(s.t, err)
	return res.StatusCode, string(b)
}

// closed wants the other side to end the connection, without another byte.
func (s *served) closed(c slowClient) {
	b, err := io.ReadAll(c)
	assert.NotErrorIs(s.t, err, os.ErrDeadlineExceeded, "the connection is held")
	assert.Empty(s.t, b)
}

func (s *served) stored() (n int) {
	require.NoError(s.t, s.app.store.View(context.Background(), func(r store.Reader) (err error) {
		n, _, err = r.Arrived("brindlemere")
		return err
	}))
	return n
}

// A connection that is held open and sends nothing more is ended: in the middle of a
// header or of a body, of which nothing is stored, and between requests. Each time is
// shown alone, the others being longer than the test.
func TestAConnectionIsNotHeldOpen(t *testing.T) {
	const short = 50 * time.Millisecond
	t.Run("header", func(t *testing.T) {
		s := serveWith(t, httpTimes{header: short, read: never, write: never, idle: never, stop: patience})
		c := s.connect()
		_, err := io.WriteString(c, "GET /health HTTP/1.1\r\nHost: 127.0")
		require.NoError(t, err)
		s.closed(c)
	})
	t.Run("body", func(t *testing.T) {
		s := serveWith(t, httpTimes{header: never, read: 2 * time.Second, write: never, idle: never, stop: patience})
		c := s.connect()
		s.begin(c)
		status, body := s.answer(c)
		assert.Equal(t, http.StatusBadRequest, status)
		assert.Contains(t, body, "unreadable-body")
		s.closed(c)
		assert.Zero(t, s.stored())
	})
	t.Run("idle", func(t *testing.T) {
		s := serveWith(t, httpTimes{header: never, read: never, write: never, idle: short, stop: patience})
		c := s.connect()
		_, err := io.WriteString(c, "GET /health HTTP/1.1\r\nHost: 127.0.0.1:8470\r\n\r\n")
		require.NoError(t, err)
		status, _ := s.answer(c)
		assert.Equal(t, http.StatusOK, status)
		s.closed(c)
	})
}

// A stop waits for a request under way, and answers it.
func TestAStopWaitsForARequestUnderWay(t *testing.T) {
	s := serveWith(t, httpTimes{header: never, read: never, write: never, idle: never, stop: patience})
	c := s.connect()
	rest := s.begin(c)
	s.cancel()
	require.Eventually(t, func() bool { return !s.app.ready.Load() }, patience, time.Millisecond)
	_, err := c.Write(rest)
	require.NoError(t, err)
	status, _ := s.answer(c)
	assert.Equal(t, http.StatusCreated, status)
	assert.NoError(t, s.wait())
	assert.Equal(t, 1, s.stored())
}

// A request that does not end in time when the program stops is cut off, and the stop
// says so: no handler outlives the store.
func TestAStopEndsARequestThatDoesNotEnd(t *testing.T) {
	s := serveWith(t, httpTimes{header: never, read: never, write: never, idle: never, stop: 50 * time.Millisecond})
	c := s.connect()
	s.begin(c)
	s.cancel()
	assert.ErrorIs(t, s.wait(), context.DeadlineExceeded)
	s.closed(c)
	assert.Zero(t, s.stored())
}

// The program serves with times of its own, none of which is for ever.
func TestTheProgramsOwnTimes(t *testing.T) {
	a := newBench(t, t.TempDir(), "2026-04-20T12:00:00Z").app
	srv := a.server(nil)
	assert.Equal(t, 10*time.Second, srv.ReadHeaderTimeout)
	assert.Equal(t, 5*time.Minute, srv.ReadTimeout)
	assert.Equal(t, 2*time.Minute, srv.IdleTimeout)
	assert.Equal(t, 20*time.Second, a.times.stop)
}
