package events

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"nailbridge/internal/receive"
	"nailbridge/internal/store"
	"nailbridge/mapping/record"
)

// Receiver is the intake that the door hands deliveries to.
type Receiver interface {
	Receive(ctx context.Context, body []byte, dryRun bool) (receive.Answer, error)
	Disown(body []byte, why record.Finding) receive.Answer
}

const (
	// buffered is how many messages wait within the process for their turn: few,
	// so that all are taken long before the server sends them again.
	buffered = 4
	// finishing is how many answers are on their way while the next record is
	// committed.
	finishing = 16
	// mostUnacknowledged bounds what was delivered and not acknowledged, such as
	// what comes back because the store is unavailable.
	mostUnacknowledged = 1000
	// pullExpiry is how long a server holds an unanswered pull; its heartbeats,
	// half as far apart, show that the consumer is there.
	pullExpiry = 10 * time.Second
	// MaxNakDelay is the longest delay after which an unavailable delivery comes
	// back; the first is a second.
	MaxNakDelay = 30 * time.Second
)

// nakDelay doubles with each delivery, from a second.
func nakDelay(deliveries uint64) time.Duration {
	return min(MaxNakDelay, time.Second<<min(deliveries-1, 5))
}

// errNoAnswers: the stream of answers is gone. The door makes it again.
var errNoAnswers = errors.New("there is no stream of answers")

// takeRecords takes messages until pull ends, or nothing can be answered, and
// then finishes what it has.
func (d *door) takeRecords(stop, work context.Context) error {
	pull, unanswered := context.WithCancelCause(stop)
	defer unanswered(nil)
	cons, err := d.consumer(pull)
	if err != nil {
		return err
	}
	it, err := cons.Messages(jetstream.PullMaxMessages(buffered), jetstream.PullExpiry(pullExpiry))
	if err != nil {
		return fmt.Errorf("pull: %w", err)
	}
	d.state.set(d.part(doorPart), nil)
	var running sync.WaitGroup
	defer running.Wait()
	slots := make(chan struct{}, finishing)
	for {
		msg, err := it.Next(jetstream.NextContext(pull))
		if err != nil {
			it.Drain()
			d.handBack(it)
			if errors.Is(context.Cause(pull), errNoAnswers) {
				return errNoAnswers
			}
			return err
		}
		meta, answer, ok := d.deliver(work, msg)
		if !ok {
			continue
		}
		slots <- struct{}{}
		running.Go(func() {
			defer func() { <-slots }()
			if err := d.finish(work, msg, meta, answer); errors.Is(err, jetstream.ErrNoStreamResponse) {
				unanswered(errNoAnswers)
			}
		})
	}
}

// consumer makes what the door needs on the server.
func (d *door) consumer(ctx context.Context) (jetstream.Consumer, error) {
	if err := d.may("ensure-records"); err != nil {
		return nil, err
	}
	var epoch string
	err := d.opts.Store.View(ctx, func(r store.Reader) error { epoch = r.Head().Epoch; return nil })
	if err != nil {
		return nil, err
	}
	whose := d.whose()
	if _, err := d.stream(ctx, AnswersStream, answersPrefix+whose+".*", d.opts.Keep.Answers); err != nil {
		return nil, err
	}
	st, err := d.stream(ctx, RecordsStream, recordsPrefix+whose, d.opts.Keep.Records)
	if err != nil {
		return nil, err
	}
	filter := RecordsSubject(d.clinic.ID)
	if d.server != nil {
		filter = recordsPrefix + whose
	}
	return ensureConsumer(ctx, st, jetstream.ConsumerConfig{
		Durable: "intake-" + Token(d.clinic.ID), FilterSubject: filter,
		AckPolicy: jetstream.AckExplicitPolicy, AckWait: d.opts.AckWait, MaxDeliver: -1, MaxAckPending: mostUnacknowledged,
	}, epoch)
}

// whose is the token of the clinics whose subjects the streams have: of all,
// but in the account of a clinic with keys of that one.
func (d *door) whose() string {
	if d.server != nil && d.server.guard.keys != nil {
		return Token(d.clinic.ID)
	}
	return "*"
}

// handBack sends back what was pulled and not taken, so that the next to pull
// need not wait for it.
func (d *door) handBack(it jetstream.MessagesContext) {
	for {
		msg, err := it.Next(jetstream.NextMaxWait(time.Second))
		if err != nil {
			return
		}
		d.nak(msg, time.Second)
	}
}

func (d *door) nak(msg jetstream.Msg, delay time.Duration) {
	err := d.may("nak")
	if err == nil {
		err = msg.NakWithDelay(delay)
	}
	if err != nil {
		d.opts.Log.Warn("a delivery could not be sent back; it comes again by itself", "error", err)
	}
}

// deliver takes one message through the intake; ok is false when nothing was
// stored and the message was sent back.
func (d *door) deliver(ctx context.Context, msg jetstream.Msg) (meta *jetstream.MsgMetadata, a receive.Answer, ok bool) {
	meta, err := msg.Metadata()
	if err != nil { // no message of a stream: there is nobody to answer
		d.opts.Log.Error("a message without stream data", "error", err)
		return nil, a, false
	}
	// Its wait in the buffer is over: a slow commit is not to make it come again.
	_ = msg.InProgress() // else it is a repeat, which is harmless
	token := strings.TrimPrefix(msg.Subject(), recordsPrefix)
	if a, err = d.take(ctx, token, msg.Data()); err != nil {
		d.opts.Log.Error("unavailable", "sequence", meta.Sequence.Stream, "deliveries", meta.NumDelivered, "error", err)
		d.nak(msg, nakDelay(meta.NumDelivered))
		return meta, a, false
	}
	return meta, a, true
}

// take hands a record to the intake if it is this door's and of a size that
// HTTP takes too.
func (d *door) take(ctx context.Context, token string, body []byte) (a receive.Answer, err error) {
	defer func() {
		if p := recover(); p != nil {
			d.opts.Log.Error("a delivery failed through a fault of ours", "fault", fmt.Sprintf("%T", p), "stack", string(debug.Stack()))
			a, err = d.faulty(), nil
		}
	}()
	switch {
	case len(body) > record.MaxBytes:
		a := d.clinic.Receiver.Disown(body, refusal("too-large", "", "the record is too large; nothing of it was stored"))
		a.Reasons = a.Reasons[:1] // the intake says the same
		return a, nil
	case token != Token(d.clinic.ID):
		return d.clinic.Receiver.Disown(body, otherClinic("the subject is of another clinic than this bridge")), nil
	case len(bytes.TrimSpace(body)) == 0:
		return d.clinic.Receiver.Disown(body, refusal("empty-body", "", "the message is empty")), nil
	}
	a, err = d.clinic.Receiver.Receive(ctx, body, false)
	if errors.Is(err, receive.ErrClinic) {
		return a, nil
	}
	return a, err
}

func refusal(code, pointer, text string) record.Finding {
	return record.Finding{Severity: record.Refusal, Code: code, Pointer: pointer, Text: text, Rule: "D2.1"}
}

func otherClinic(text string) record.Finding { return refusal("other-clinic", "/clinic", text) }

// faulty answers a delivery that makes our code fail: it would fail again
// whenever it came, so it is not left to block or to circle.
func (d *door) faulty() receive.Answer {
	d.opts.Meter.Answered(receive.Refused)
	d.opts.Meter.RefusedRecord(false)
	return receive.Answer{Answer: receive.Refused, Reasons: []record.Finding{
		refusal("internal", "", "the delivery failed through a fault of ours; nothing of it was stored"),
	}}
}

// finish publishes the answer and then acknowledges. What fails here comes
// again after AckWait and repeats.
func (d *door) finish(ctx context.Context, msg jetstream.Msg, meta *jetstream.MsgMetadata, a receive.Answer) error {
	ctx, cancel := context.WithTimeout(ctx, d.opts.Timeout)
	defer cancel()
	err := d.answer(ctx, strings.TrimPrefix(msg.Subject(), recordsPrefix), a, meta.Sequence.Stream)
	if err == nil {
		if err = d.may("ack"); err == nil {
			err = msg.DoubleAck(ctx)
		}
	}
	if err != nil {
		d.opts.Log.Warn("a delivery was not answered and acknowledged; it comes again", "sequence", meta.Sequence.Stream, "error", err)
	}
	return err
}

// answer publishes an answer where the sender, known by the clinic of the
// subject, reads it.
func (d *door) answer(ctx context.Context, token string, a receive.Answer, seq uint64) error {
	if err := d.may("publish-answer"); err != nil {
		return err
	}
	body, err := Answered{Answer: a, StreamSequence: seq}.encode(d.room())
	if err != nil {
		return err
	}
	m := nats.NewMsg(answersPrefix + token + "." + Token(a.Record))
	m.Data = body
	_, err = d.js.PublishMsg(ctx, m)
	return err
}
