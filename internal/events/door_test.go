package events_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/events"
	"nailbridge/internal/receive"
	"nailbridge/internal/receive/receivetest"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// onEach runs a story against the embedded server and one of its own.
func onEach(t *testing.T, story func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client)) {
	run := func(t *testing.T, o events.Options) *client {
		s := start(t, o)
		t.Cleanup(func() { stop(t, s) })
		if o.URL != "" {
			return connect(t, o.URL)
		}
		return connect(t, s.ClientURL())
	}
	t.Run("embedded", func(t *testing.T) {
		c := newClinic(t)
		story(t, c, embedded(c, c.options(t)), func(o events.Options) *client { return run(t, o) })
	})
	t.Run("outside", func(t *testing.T) {
		c := newClinic(t)
		o := c.options(t)
		o.URL = newProcess(t).url
		story(t, c, o, func(o events.Options) *client { return run(t, o) })
	})
}

// D2: each delivery is answered from the closed list with clinic, record,
// revision and stream sequence, and with all that HTTP answers.
func TestD2_EveryDeliveryIsAnswered(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		n := run(o)

		first := n.ask("north", receivetest.Surgery(receivetest.Revision(1)))
		assert.Equal(t, receive.Stored, first.Answer.Answer)
		assert.Equal(t, "north", first.Clinic)
		assert.Equal(t, "S-1", first.Record)
		assert.EqualValues(t, 1, *first.Revision)
		assert.Equal(t, "nailbridge.answers.north.S-1", first.subject)
		assert.True(t, first.Shared)
		assert.NotEmpty(t, first.Resources)
		assert.NotEmpty(t, first.Activities)
		assert.NotEmpty(t, first.Figures)
		assert.False(t, first.Truncated)

		again := n.ask("north", receivetest.Surgery(receivetest.Revision(1)))
		assert.Equal(t, receive.Unchanged, again.Answer.Answer)
		assert.NotEqual(t, first.StreamSequence, again.StreamSequence)

		waiting := n.ask("north", receivetest.Review(receivetest.Set("/review/surgery", "S-9")))
		assert.Equal(t, receive.Waiting, waiting.Answer.Answer)
		assert.Equal(t, "nailbridge.answers.north.R-1", waiting.subject)
		assert.Nil(t, waiting.Revision)

		conflict := n.ask("north", receivetest.Surgery(receivetest.Revision(1), receivetest.Set("/surgery/dressing", "other")))
		assert.Equal(t, receive.Conflict, conflict.Answer.Answer)
		require.NotNil(t, conflict.Counts)

		n.settled()
		assert.Zero(t, n.consumer().NumRedelivered)
	})
}

// D2.1, R-ING-08: what cannot be understood ends with a refusal, its reasons and their
// places; it is kept, and what comes after it is taken.
func TestD2_1_RefusedIsAnsweredAndBlocksNothing(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		n := run(o)
		for name, body := range map[string]string{
			"not JSON": `{"clinic": "north"`, "not UTF-8": "{\"record\": \"\xff\"}", "a list": `[1]`, "null": `null`,
		} {
			a := n.ask("north", []byte(body))
			assert.Equal(t, receive.Refused, a.Answer.Answer, name)
			assert.NotEmpty(t, a.Reasons, name)
		}
		twice := n.ask("north", bytes.Replace(receivetest.Review(receivetest.RedFlag), []byte(`"kind"`), []byte(`"status":"final","kind"`), 1))
		assert.Equal(t, receive.Refused, twice.Answer.Answer)
		assert.Equal(t, "R-1", twice.Record)
		assert.NotEmpty(t, twice.Flags, "a refused content still shows its red flags")
		assert.Len(t, c.deliveries(t, "R-1"), 1, "kept")
		assert.Len(t, c.deliveries(t, ""), 4, "kept")

		empty := n.ask("north", []byte(" \n"))
		assert.Equal(t, "empty-body", empty.Reasons[0].Code)
		assert.Equal(t, "nailbridge.answers.north.=", empty.subject)
		assert.Len(t, c.deliveries(t, ""), 4, "HTTP keeps nothing of an empty body either")

		assert.Equal(t, receive.Stored, n.ask("north", receivetest.Surgery()).Answer.Answer)
		n.settled()
	})
}

// D2.1: the caller's clinic not the record's: refused, kept under no clinic.
func TestD2_1_TheSubjectsClinicIsTheHeaders(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		n := run(o)
		south := receivetest.Surgery(receivetest.Set("/clinic", "south"), receivetest.Revision(4))
		a := n.ask("north", south)
		assert.Equal(t, receive.Refused, a.Answer.Answer)
		assert.Equal(t, "other-clinic", a.Reasons[0].Code)
		assert.Equal(t, "/clinic", a.Reasons[0].Pointer)
		assert.Equal(t, []any{"south", "S-1", int64(4)}, []any{a.Clinic, a.Record, *a.Revision}, "as the header says")
		assert.Equal(t, "nailbridge.answers.north.S-1", a.subject, "told to who sent it")
		assert.Empty(t, c.deliveries(t, "S-1"))

		red := n.ask("north", receivetest.Review(receivetest.Set("/clinic", "south"), receivetest.RedFlag))
		assert.NotEmpty(t, red.Flags, "red flags are checked whatever the clinic")
		assert.Equal(t, mapping.Critical, red.Flags[0].Level)
		assert.Equal(t, 1, c.counts.RefRed)
		n.settled()
		assert.Empty(t, c.outbox(t), "nothing was made of it")
	})
}

// D2.1, R-ING-15: on the embedded server a subject of a clinic that nobody serves is
// answered too; on an outside server another bridge may serve it.
func TestD2_1_TheSubjectOfAnotherClinic(t *testing.T) {
	t.Run("embedded", func(t *testing.T) {
		c := newClinic(t)
		s := start(t, embedded(c, c.options(t)))
		defer stop(t, s)
		n := connect(t, s.ClientURL())
		for _, clinic := range []string{"south", "", "no.rth"} {
			a := n.ask(clinic, receivetest.Surgery())
			assert.Equal(t, receive.Refused, a.Answer.Answer)
			assert.Equal(t, "other-clinic", a.Reasons[0].Code)
			assert.Equal(t, events.AnswersSubject(clinic, "S-1"), a.subject)
		}
		n.settled()
		assert.Empty(t, c.deliveries(t, "S-1"))
		_, err := n.js.Publish(context.Background(), "nailbridge.records.a.b", receivetest.Surgery())
		assert.Error(t, err, "an id that was not escaped is told at once")
	})
	t.Run("outside", func(t *testing.T) {
		c := newClinic(t)
		o := c.options(t)
		o.URL = newProcess(t).url
		s := start(t, o)
		defer stop(t, s)
		n := connect(t, o.URL)
		other := n.send("south", receivetest.Surgery(receivetest.Set("/clinic", "south")))
		own := n.send("north", receivetest.Surgery())
		n.answer(own)
		n.settled()
		assert.Empty(t, n.answers()[other])
	})
}

// D2: a delivery that could not be stored is sent back with a delay, as often
// as it takes, and answered when it was stored. Nothing is promised before.
func TestD2_UnavailableComesAgain(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		var left atomic.Int32
		left.Store(2)
		c.failing(func(op string) error {
			if op == "commit" && left.Add(-1) >= 0 {
				return errors.New("disk full")
			}
			return nil
		})
		o.AckWait = time.Hour // so that what comes again was sent back
		n := run(o)
		sent := time.Now()
		seq := n.send("north", receivetest.Surgery())
		a := n.answer(seq)
		assert.Equal(t, receive.Stored, a.Answer.Answer)
		assert.GreaterOrEqual(t, time.Since(sent), 3*time.Second, "delays of 1 s and 2 s")
		n.settled()
		assert.Len(t, n.answers()[seq], 1)
		assert.Equal(t, 2, c.counts.UnavailableN)
		assert.EqualValues(t, -1, n.consumer().Config.MaxDeliver)
		assert.Equal(t, jetstream.AckExplicitPolicy, n.consumer().Config.AckPolicy)
	})
}

func TestNakDelayGrowsToItsLimit(t *testing.T) {
	var got []time.Duration
	for n := range uint64(8) {
		got = append(got, events.NakDelay(n+1))
	}
	s := time.Second
	assert.Equal(t, []time.Duration{s, 2 * s, 4 * s, 8 * s, 16 * s, 30 * s, 30 * s, 30 * s}, got)
}

// A message is as large as a record on HTTP may be, and no larger.
func TestSizeLimitIsThatOfHTTP(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		n := run(o)
		n.ask("north", receivetest.Surgery())
		largest := append(receivetest.Surgery(), bytes.Repeat([]byte(" "), record.MaxBytes)...)[:record.MaxBytes]
		a := n.ask("north", largest)
		assert.Equal(t, receive.Unchanged, a.Answer.Answer, "spaces are no content")
		assert.EqualValues(t, record.MaxBytes, n.conn.MaxPayload())
		_, err := n.js.Publish(context.Background(), events.RecordsSubject("north"), append(largest, ' '))
		assert.ErrorIs(t, err, nats.ErrMaxPayload)
		n.settled()
		assert.Equal(t, []int{http.StatusOK, http.StatusRequestEntityTooLarge}, postAll(t, c, [][]byte{largest, append(largest, ' ')}))
	})
}

// D2.2: no de-duplication by the stream is relied on: a message sent again under
// the same id is delivered and answered again.
func TestD2_2_TheSameMessageIDIsDeliveredAgain(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		n := run(o)
		n.ask("north", receivetest.Surgery())
		for range 2 {
			time.Sleep(300 * time.Millisecond) // past the least window that a server takes
			ack, err := n.js.Publish(context.Background(), events.RecordsSubject("north"), receivetest.Surgery(), jetstream.WithMsgID("same"))
			require.NoError(t, err)
			assert.False(t, ack.Duplicate)
			assert.Equal(t, receive.Unchanged, n.answer(ack.Sequence).Answer.Answer)
		}
	})
}

// A server whose own limit is wider does not widen ours: the stream refuses at
// publish.
func TestSizeLimitOnAServerThatTakesMore(t *testing.T) {
	c := newClinic(t)
	p := newProcess(t)
	p.kill()
	p.add("max_payload: 4MB")
	p.run()
	o := c.options(t)
	o.URL = p.url
	s := start(t, o)
	defer stop(t, s)
	n := connect(t, p.url)
	n.ask("north", receivetest.Surgery())
	_, err := n.js.Publish(context.Background(), events.RecordsSubject("north"), make([]byte, record.MaxBytes+1))
	var api jetstream.JetStreamError
	require.ErrorAs(t, err, &api)
	assert.Equal(t, jetstream.JSErrCodeStreamMessageExceedsMaximum, api.APIError().ErrorCode)
}

// Past the stream's limit, a record that is too large is refused and kept
// nowhere, as HTTP answers 413.
func TestTooLargeIsRefused(t *testing.T) {
	c := newClinic(t)
	a, err := events.Take(c.options(t), "north", make([]byte, record.MaxBytes+1))
	require.NoError(t, err)
	assert.Equal(t, receive.Refused, a.Answer)
	require.Len(t, a.Reasons, 1)
	assert.Equal(t, "too-large", a.Reasons[0].Code)
	assert.Empty(t, c.deliveries(t, ""))
}

// panicky is an intake with a fault of ours.
type panicky struct {
	*receive.Receiver
	at []byte
}

func (p panicky) Receive(ctx context.Context, body []byte, dry bool) (receive.Answer, error) {
	if bytes.Contains(body, p.at) {
		panic("a fault of ours")
	}
	return p.Receiver.Receive(ctx, body, dry)
}

// R-ING-08: a poison message ends with an answer and blocks nothing.
func TestPoisonEndsWithAnAnswer(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		o.Clinics[0].Receiver = panicky{c.Receiver, []byte("poison")}
		n := run(o)
		a := n.ask("north", receivetest.Surgery(receivetest.Record("poison")))
		assert.Equal(t, receive.Refused, a.Answer.Answer)
		assert.Equal(t, "internal", a.Reasons[0].Code)
		assert.NotContains(t, string(a.raw), "fault of ours\"", "what panicked is not told")
		assert.Equal(t, receive.Stored, n.ask("north", receivetest.Surgery()).Answer.Answer)
		n.settled()
		assert.Equal(t, 1, c.counts.Refused, "the refusal alarms")
	})
}

// A record id of any bytes and any length has an answer, the longest a refusal;
// as a subject it would end the connection.
func TestD2_2_AnyRecordIDIsAnswered(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		n := run(o)
		for id, want := range map[string]receive.Kind{
			"a.b c>*é": receive.Stored, strings.Repeat("é", 60): receive.Stored, strings.Repeat("l", 900_000): receive.Refused,
		} {
			a := n.ask("north", receivetest.Surgery(receivetest.Record(id)))
			assert.Equal(t, want, a.Answer.Answer)
			assert.Equal(t, events.AnswersSubject("north", a.Record), a.subject)
			assert.Equal(t, want == receive.Stored, a.Record == id)
		}
		n.settled()
	})
}

// An answer fits a message: what is least urgent is cut first.
func TestAnswerIsCutToSize(t *testing.T) {
	whole := receive.Answer{Answer: receive.Stored, Clinic: "north", Record: "S-1"}
	for range 500 {
		whole.Reasons = append(whole.Reasons, record.Finding{Code: "odd", Text: "a member that is odd"})
		whole.Resources = append(whole.Resources, receive.ResourceVersion{Reference: "Procedure/1"})
	}
	for range 200 {
		whole.Flags = append(whole.Flags, mapping.Flag{Code: "warm", Level: mapping.Warning}, mapping.Flag{Code: "red", Level: mapping.Critical})
	}
	full, err := events.EncodeAnswer(whole, 1<<20)
	require.NoError(t, err)
	var last events.Answered
	for limit := len(full); limit > 100; limit = limit * 9 / 10 {
		b, err := events.EncodeAnswer(whole, limit)
		require.NoError(t, err)
		require.LessOrEqual(t, len(b), limit)
		last = events.Answered{}
		require.NoError(t, json.Unmarshal(b, &last))
		assert.Equal(t, limit < len(full), last.Truncated)
		assert.Equal(t, receive.Stored, last.Answer.Answer)
		assert.EqualValues(t, 7, last.StreamSequence)
		if len(last.Flags) < 400 && len(last.Flags) > 0 {
			assert.Equal(t, mapping.Critical, last.Flags[0].Level, "critical flags go last")
		}
	}
	assert.Len(t, whole.Flags, 400, "the answer itself stays whole")
}

// A stop that is let finish repeats nothing: what is under way is answered,
// what waits is handed back.
func TestStopFinishesWhatIsUnderWay(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		o.AckWait = time.Hour
		s := start(t, o)
		url := o.URL
		if url == "" {
			url = s.ClientURL()
			o.Listen = strings.TrimPrefix(url, "nats://")
		}
		n := connect(t, url)
		var seqs []uint64
		for i := range 12 {
			id := strconv.Itoa(i)
			seqs = append(seqs, n.send("north", receivetest.Surgery(receivetest.Record("S-"+id), receivetest.Patient("P-"+id))))
		}
		stop(t, s)
		answered := 0
		if o.URL != "" {
			answered = len(n.answers())
			assert.Less(t, answered, len(seqs), "the stop came early")
		}
		n = run(o)
		n.answer(seqs[len(seqs)-1])
		n.settled()
		for seq, rs := range n.answers() {
			assert.Len(t, rs, 1, "message %d", seq)
			assert.Equal(t, receive.Stored, rs[0].Answer.Answer)
		}
	})
}
