package events_test

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
	"nailbridge/internal/events"
)

// hand is a clock that stands until it is moved.
type hand struct{ at atomic.Int64 }

func (h *hand) now() time.Time           { return noon.Add(time.Duration(h.at.Load())) }
func (h *hand) forward(by time.Duration) { h.at.Add(int64(by)) }

// dials connects n times at once as a user with a key, and gives those that were
// let in.
func (k *keyed) dials(n int, user, key string) (in []*nats.Conn) {
	k.Helper()
	var mu sync.Mutex
	var all sync.WaitGroup
	for range n {
		all.Go(func() {
			conn, err := k.dial(user, k.secrets[key], nats.Timeout(patience))
			if err != nil {
				return
			}
			mu.Lock()
			defer mu.Unlock()
			in = append(in, conn)
		})
	}
	all.Wait()
	k.Cleanup(func() {
		for _, conn := range in {
			conn.Close()
		}
	})
	return in
}

// A revoked key is out with the next beat, though the streams do nothing and many
// connections wait for their readers.
func TestARevokedKeyEndsWhateverTheStreamsDo(t *testing.T) {
	held := make(chan struct{})
	k := newKeyed(t, func(o *events.Options) {
		o.Fault = func(op string) error {
			if op == "make-readers" {
				<-held
			}
			return nil
		}
	})
	release := sync.OnceFunc(func() { close(held) })
	t.Cleanup(release)
	k.as("north", "north") // the server is there
	closed := make(chan struct{})
	conn, err := k.dial("north", k.secrets["north"], nats.ClosedHandler(func(*nats.Conn) { close(closed) }))
	require.NoError(t, err)
	defer conn.Close()
	require.Len(t, k.dials(20, events.ReadingUser("north"), "second"), 20, "they are let in without readers")
	time.Sleep(time.Second) // beats, of which none may wait for them
	require.NoError(t, access.RevokeKey(k.path, k.ids["north"]))
	select {
	case <-closed:
	case <-time.After(20 * time.Second): // a hundred beats
		t.Fatal("the connection stays")
	}
	release()
	k.as("north", "both") // others are let in
	second := k.practice("north", "second")
	second.send("north", surgeryAt("north"))
	k.read(second, "ANSWERS", 1)
}

// Readers are made once for a key, not for each connection and beat; and again
// after a while, since the server takes off what nobody used.
func TestReadersAreMadeOnceForAKey(t *testing.T) {
	var made atomic.Int64
	clock := &hand{}
	k := newKeyed(t, func(o *events.Options) {
		o.Poll, o.AckWait = 50*time.Millisecond, time.Second
		o.Clock = clock.now
		o.Fault = func(op string) error {
			if op == "make-readers" {
				made.Add(1)
			}
			return nil
		}
	})
	north := k.practice("north", "north")
	north.send("north", surgeryAt("north"))
	k.read(north, "ANSWERS", 1)
	k.read(north, "CHANGES", 1)
	time.Sleep(500 * time.Millisecond) // beats after the streams were made
	// A part that starts again looks for its stream, and all readers are looked for
	// again: on a busy machine that may be at any time.
	looks := func() int64 { return made.Load() - int64(events.Forgotten(k.s, "north")) }
	before := looks()
	require.Len(t, k.dials(20, events.ReadingUser("north"), "north"), 20)
	time.Sleep(500 * time.Millisecond) // beats
	assert.LessOrEqual(t, looks(), before, "they are known to be there")

	before, known := looks(), made.Load()
	clock.forward(time.Minute)
	require.Eventually(t, func() bool { return made.Load() > known }, patience, 20*time.Millisecond, "the server may have taken them off")
	time.Sleep(500 * time.Millisecond)
	require.LessOrEqual(t, looks(), before+1)
}

// While clients ask for more information than the server can tell, it drops all
// such requests, of every clinic: the bridge needs none to start, to start again,
// to let a practice system read, and to answer.
func TestTheBridgeAsksForNoInformation(t *testing.T) {
	var opts events.Options
	k := newKeyed(t, func(o *events.Options) {
		events.NoInformation(o)
		opts = *o
	})
	for sent := range 2 {
		if sent > 0 {
			stop(t, k.s)
			k.s = start(t, opts)
		}
		north := k.practice("north", "north")
		seq := north.send("north", surgeryAt("north"))
		var m *nats.Msg
		require.Eventually(t, func() bool { // until the reader is there
			var err error
			m, err = north.reading.conn.Request("$JS.API.CONSUMER.MSG.NEXT.ANSWERS."+north.name, []byte(`{"batch":1,"expires":2000000000}`), 3*time.Second)
			return err == nil && m.Header.Get("Status") == ""
		}, 20*time.Second, 20*time.Millisecond)
		var a events.Answered
		require.NoError(t, json.Unmarshal(m.Data, &a))
		assert.Equal(t, seq, a.StreamSequence)
		require.NoError(t, m.AckSync())
		require.Eventually(t, func() bool { return k.s.Health() == nil }, 20*time.Second, 20*time.Millisecond)
	}
}

// A key has so many connections and no more, a connection so many subscriptions;
// another key is not touched, and who closes one may come again.
func TestConnectionsAndSubscriptionsHaveLimits(t *testing.T) {
	k := newKeyed(t, nil)
	k.as("north", "second") // the server is there
	in := k.dials(70, "north", "north")
	require.Len(t, in, 64)
	require.Contains(t, k.log.String(), "as many connections as it may")
	k.as("north", "second")
	in[0].Close()
	k.as("north", "north")

	conn := in[1]
	for i := range 65 {
		_, err := conn.SubscribeSync(fmt.Sprintf("_INBOX.a%d", i))
		require.NoError(t, err)
	}
	require.Eventually(t, func() bool { return strings.Contains(k.log.String(), "came to the limit") }, 20*time.Second, 20*time.Millisecond)

	v := events.Varz(t, k.s)
	assert.Equal(t, 64*64, v.MaxConn)
	assert.Equal(t, 64, v.MaxSubs)
	assert.EqualValues(t, 1000*64<<10, v.MaxPending)
	assert.EqualValues(t, 4<<10, v.MaxControlLine)
	assert.Equal(t, 10*time.Second, v.WriteDeadline)
}

var leftOut = regexp.MustCompile(`left out" kind="([^"]+)" lines=(\d+)`)

// Whatever clients make the server say, the log has few lines of it, and one that
// counts the rest.
func TestLogHasFewLinesOfAKind(t *testing.T) {
	clock := &hand{}
	k := newKeyed(t, func(o *events.Options) { o.Clock = clock.now })
	north := k.practice("north", "north")
	north.send("north", surgeryAt("north"))
	k.read(north, "ANSWERS", 1)
	const n = 2000
	for range n {
		require.NoError(t, north.conn.Publish("nailbridge.records.south", nil))
		require.NoError(t, north.reading.conn.Publish("$JS.ACK.ANSWERS."+north.name+".1.999999.1.1.1", []byte("+ACK")))
	}
	require.NoError(t, north.conn.Flush())
	require.NoError(t, north.reading.conn.Flush())
	const denied, ahead = "asked for more than its key opens", "past last stream sequence"
	var log string
	require.Eventually(t, func() bool {
		log = k.log.String()
		return strings.Contains(log, denied) && strings.Contains(log, ahead)
	}, patience, 20*time.Millisecond)
	time.Sleep(300 * time.Millisecond) // a beat, and what is under way
	log = k.log.String()
	assert.Equal(t, 20, strings.Count(log, denied))
	assert.Equal(t, 20, strings.Count(log, ahead))
	assert.NotContains(t, log, "left out", "the span is not over")

	clock.forward(time.Minute)
	require.Eventually(t, func() bool { return strings.Count(k.log.String(), "left out") >= 2 }, patience, 20*time.Millisecond)
	said := map[string]int{}
	for _, m := range leftOut.FindAllStringSubmatch(k.log.String(), -1) {
		lines, err := strconv.Atoi(m[2])
		require.NoError(t, err)
		said[m[1]] += lines
	}
	assert.Equal(t, map[string]int{
		"a client " + denied: n - 20,
		"JetStream consumer '%s > %s > %s' ACK sequence %d past last stream sequence of %d": n - 20,
	}, said)

	clock.forward(time.Hour)
	time.Sleep(300 * time.Millisecond)
	assert.Equal(t, 2, strings.Count(k.log.String(), "left out"), "it is said once")
	k.mayNotPublish(north.client, "nailbridge.records.south")
	require.Eventually(t, func() bool { return strings.Count(k.log.String(), denied+`"`) == 22 }, patience, 20*time.Millisecond, "and a new span has its lines")
}
