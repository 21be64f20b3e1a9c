package events_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/events"
	"nailbridge/internal/receive"
	"nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
)

// several are records of one clinic, each new to its intake.
func several(n int) (out [][]byte) {
	for i := range n {
		out = append(out, receivetest.Surgery(receivetest.Record(fmt.Sprintf("S-%d", i+1))))
	}
	return out
}

// dial connects a sender that waits as long as a test may.
func dial(t testing.TB, o events.SenderOptions) *events.Sender {
	t.Helper()
	o.Clinic, o.Pause = "north", 10*time.Millisecond
	if o.Patience == 0 {
		o.Patience = patience
	}
	var s *events.Sender
	require.Eventually(t, func() (ok bool) {
		var err error
		s, err = events.Dial(o)
		return err == nil
	}, patience, 20*time.Millisecond)
	t.Cleanup(s.Close)
	return s
}

func kinds(as []receive.Answer) (out []receive.Kind) {
	for _, a := range as {
		out = append(out, a.Answer)
	}
	return out
}

// With the key of its clinic a sender has the answer to each record, in their order, and
// again each is unchanged. A key of another clinic does not come in.
func TestASenderHasAnAnswerToEach(t *testing.T) {
	k := newKeyed(t, nil)
	records := several(12)
	records[7] = receivetest.Surgery(receivetest.Set("/patient", nil))
	s := dial(t, events.SenderOptions{URL: k.s.ClientURL(), Key: k.secrets["north"], Window: 3})
	as, err := s.Send(t.Context(), records)
	require.NoError(t, err)
	require.Len(t, as, len(records))
	for i, a := range as {
		if i == 7 {
			assert.Equal(t, receive.Refused, a.Answer)
			continue
		}
		assert.Equal(t, receive.Stored, a.Answer, i)
		assert.Equal(t, fmt.Sprintf("S-%d", i+1), a.Record)
	}
	as, err = s.Send(t.Context(), records[:7])
	require.NoError(t, err)
	for _, a := range as {
		assert.Equal(t, receive.Unchanged, a.Answer)
	}
	_, err = events.Dial(events.SenderOptions{URL: k.s.ClientURL(), Clinic: "north", Key: k.secrets["south"]})
	assert.ErrorIs(t, err, nats.ErrAuthorization)
	_, err = events.Dial(events.SenderOptions{URL: k.s.ClientURL(), Clinic: "north", Key: k.secrets["hub"]})
	assert.ErrorIs(t, err, nats.ErrPermissionViolation, "a hub's key")
}

// While nothing can be stored, no more than the window goes ahead of the answers; when it
// can again, all are answered.
func TestASenderWaitsForAnswers(t *testing.T) {
	p := newProcess(t)
	c := newClinic(t)
	o := c.options(t)
	o.URL = p.url
	s := start(t, o)
	defer stop(t, s)
	watch := connect(t, p.url)
	watch.ask("north", receivetest.Surgery())
	c.failing(func(string) error { return store.ErrUnavailable })
	sender := dial(t, events.SenderOptions{URL: p.url, Window: 4})
	sent := make(chan []receive.Answer, 1)
	go func() {
		as, err := sender.Send(context.Background(), several(11)[1:])
		assert.NoError(t, err)
		sent <- as
	}()
	records := func() int { // of the sender
		ms, err := watch.all(events.RecordsStream)
		if err != nil {
			return 0
		}
		return len(ms) - 1
	}
	require.Eventually(t, func() bool { return records() == 4 }, patience, 20*time.Millisecond)
	time.Sleep(300 * time.Millisecond) // a fifth would have come by now
	assert.Equal(t, 4, records())
	c.failing(nil)
	as := <-sent
	require.Len(t, as, 10)
	for _, a := range as {
		assert.Equal(t, receive.Stored, a.Answer)
	}
	assert.Equal(t, 10, records(), "each was published once")
}

// Whatever the message before which its connection is cut, a sender has an answer to each
// record in the end, and each is kept once.
func TestASenderOutlivesACut(t *testing.T) {
	p := newProcess(t)
	c := newClinic(t)
	o := c.options(t)
	o.URL = p.url
	service := start(t, o)
	defer stop(t, service)
	connect(t, p.url).ask("north", receivetest.Surgery())
	records := several(2)
	story := func(cutAt int) (passed int) {
		w := newWire(t, p.url[len("nats://"):], cutAt)
		s := dial(t, events.SenderOptions{URL: "nats://" + w.Addr().String()})
		as, err := s.Send(t.Context(), records)
		passed, cut := w.said()
		require.NoError(t, err, cut)
		require.Len(t, as, len(records), cut)
		for _, k := range kinds(as) {
			assert.Contains(t, []receive.Kind{receive.Stored, receive.Unchanged}, k, cut)
		}
		return passed
	}
	for n, most := 1, story(0); n <= most; n++ {
		story(n)
	}
	for i := range records {
		assert.Len(t, c.deliveries(t, fmt.Sprintf("S-%d", i+1)), 1)
	}
}

// Where nobody takes records, a sender does not wait for ever.
func TestASenderEndsWithoutAnswers(t *testing.T) {
	p := newProcess(t)
	s := dial(t, events.SenderOptions{URL: p.url, Patience: 100 * time.Millisecond})
	as, err := s.Send(t.Context(), several(2))
	assert.ErrorIs(t, err, events.ErrNoAnswer)
	assert.Empty(t, as)
}
