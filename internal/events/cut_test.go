package events_test

import (
	"bufio"
	"context"
	"io"
	"net"
	"regexp"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/events"
	"nailbridge/internal/receive"
	"nailbridge/internal/receive/receivetest"
)

// wire stands between a service and a server and cuts their connection, once,
// before it passes on the nth message of either; 0: never.
type wire struct {
	net.Listener
	server string
	cutAt  int

	mu     sync.Mutex
	passed int
	cut    string // the message that was not passed on, without its arguments
}

// begins tells a message of the NATS protocol from its headers and body, and
// from the pings that nobody waits for.
var begins = regexp.MustCompile(`^(INFO|CONNECT|PUB|HPUB|SUB|UNSUB|MSG|HMSG)\b`)

func newWire(t *testing.T, server string, cutAt int) *wire {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	w := &wire{Listener: l, server: server, cutAt: cutAt}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go w.join(c)
		}
	}()
	t.Cleanup(func() { _ = l.Close() })
	return w
}

// join joins one connection to the server until either ends.
func (w *wire) join(client net.Conn) {
	defer client.Close()
	server, err := net.Dial("tcp", w.server)
	if err != nil {
		return
	}
	defer server.Close()
	ended := make(chan struct{}, 2)
	for _, way := range []struct {
		from, to net.Conn
		name     string
	}{{client, server, "to"}, {server, client, "from"}} {
		go func() {
			w.pass(way.from, way.to, way.name)
			ended <- struct{}{}
		}()
	}
	<-ended
}

func (w *wire) pass(from io.Reader, to io.Writer, way string) {
	for r := bufio.NewReader(from); ; {
		line, err := r.ReadBytes('\n')
		if err != nil || !w.may(way, line) {
			return
		}
		if _, err := to.Write(line); err != nil {
			return
		}
	}
}

// may counts a message, and says whether it is passed on.
func (w *wire) may(way string, line []byte) bool {
	verb := begins.FindString(string(line))
	if verb == "" {
		return true
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.passed++; w.passed == w.cutAt {
		w.cut = verb + " " + way + " the server"
		return false
	}
	return true
}

func (w *wire) said() (passed int, cut string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.passed, w.cut
}

// The connection to the server is cut before the nth message between them, for
// every n of a start, an intake and its announcement: each operation on a stream
// fails once, or is done and its answer lost. In the end everything is answered,
// acknowledged and announced, and kept once.
func TestEveryMessageMayBeTheLast(t *testing.T) {
	p := newProcess(t)
	sender := connect(t, p.url)
	story := func(cutAt int) (passed int, cut string, announced int) {
		for _, stream := range []string{events.RecordsStream, events.AnswersStream, events.ChangesStream} {
			_ = sender.js.DeleteStream(context.Background(), stream) // that of the story before
		}
		w := newWire(t, p.url[len("nats://"):], cutAt)
		c := newClinic(t)
		o := c.options(t)
		o.URL = "nats://" + w.Addr().String()
		o.AckWait, o.Timeout, o.Pause = time.Second, 500*time.Millisecond, 5*time.Millisecond
		s := start(t, o)
		defer stop(t, s)
		seq := sender.send("north", receivetest.Surgery(left))
		sender.answer(seq)
		sender.settled()
		assertRising(t, sender.relayed(c), len(c.outbox(t)))
		require.Eventually(t, func() bool { return s.Health() == nil }, patience, 5*time.Millisecond)
		passed, cut = w.said()
		for _, a := range sender.answers()[seq] {
			assert.Contains(t, []receive.Kind{receive.Stored, receive.Unchanged}, a.Answer.Answer, cut)
		}
		assert.Len(t, c.deliveries(t, "S-1"), 1, cut)
		return passed, cut, len(c.outbox(t))
	}
	most, _, want := story(0)
	cuts := map[string]int{}
	for n := 1; n <= most; n++ {
		_, cut, announced := story(n)
		assert.Equal(t, want, announced, cut)
		cuts[cut]++
	}
	t.Logf("%d messages, cut before: %v", most, cuts)
	for _, cut := range []string{"HPUB to the server", "PUB to the server", "MSG from the server", "SUB to the server"} {
		assert.Positive(t, cuts[cut], cut)
	}
}
