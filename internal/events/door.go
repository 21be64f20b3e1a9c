package events

import (
	"bytes"
	"context"
	"errors"
	"fmt"
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

// takeRecords takes messages until pull ends, and then finishes what it has.
func (s *Service) takeRecords(pull, work context.Context) error {
	cons, err := s.consumer(pull)
	if err != nil {
		return err
	}
	it, err := cons.Messages(jetstream.PullMaxMessages(buffered), jetstream.PullExpiry(pullExpiry))
	if err != nil {
		return fmt.Errorf("pull: %w", err)
	}
	s.state.set(doorPart, nil)
	var running sync.WaitGroup
	defer running.Wait()
	slots := make(chan struct{}, finishing)
	for {
		msg, err := it.Next(jetstream.NextContext(pull))
		if err != nil {
			it.Drain()
			s.handBack(it)
			return err
		}
		meta, answer, ok := s.deliver(work, msg)
		if !ok {
			continue
		}
		slots <- struct{}{}
		running.Go(func() {
			defer func() { <-slots }()
			s.finish(work, msg, meta, answer)
		})
	}
}

// consumer makes what the door needs on the server.
func (s *Service) consumer(ctx context.Context) (jetstream.Consumer, error) {
	if err := s.may("ensure-records"); err != nil {
		return nil, err
	}
	var epoch string
	err := s.opts.Store.View(ctx, func(r store.Reader) error { epoch = r.Head().Epoch; return nil })
	if err != nil {
		return nil, err
	}
	if _, err := ensureStream(ctx, s.js, AnswersStream, answersPrefix+"*.*", s.opts.Keep.Answers); err != nil {
		return nil, err
	}
	st, err := ensureStream(ctx, s.js, RecordsStream, recordsPrefix+"*", s.opts.Keep.Records)
	if err != nil {
		return nil, err
	}
	filter := RecordsSubject(s.opts.Clinic)
	if s.server != nil {
		filter = recordsPrefix + "*"
	}
	return ensureConsumer(ctx, st, jetstream.ConsumerConfig{
		Durable: "intake-" + Token(s.opts.Clinic), FilterSubject: filter,
		AckPolicy: jetstream.AckExplicitPolicy, AckWait: s.opts.AckWait, MaxDeliver: -1, MaxAckPending: mostUnacknowledged,
	}, epoch)
}

// handBack sends back what was pulled and not taken, so that the next to pull
// need not wait for it.
func (s *Service) handBack(it jetstream.MessagesContext) {
	for {
		msg, err := it.Next(jetstream.NextMaxWait(time.Second))
		if err != nil {
			return
		}
		s.nak(msg, time.Second)
	}
}

func (s *Service) nak(msg jetstream.Msg, delay time.Duration) {
	err := s.may("nak")
	if err == nil {
		err = msg.NakWithDelay(delay)
	}
	if err != nil {
		s.opts.Log.Warn("a delivery could not be sent back; it comes again by itself", "error", err)
	}
}

// deliver takes one message through the intake; ok is false when nothing was
// stored and the message was sent back.
func (s *Service) deliver(ctx context.Context, msg jetstream.Msg) (meta *jetstream.MsgMetadata, a receive.Answer, ok bool) {
	meta, err := msg.Metadata()
	if err != nil { // no message of a stream: there is nobody to answer
		s.opts.Log.Error("a message without stream data", "error", err)
		return nil, a, false
	}
	// Its wait in the buffer is over: a slow commit is not to make it come again.
	_ = msg.InProgress() // else it is a repeat, which is harmless
	token := strings.TrimPrefix(msg.Subject(), recordsPrefix)
	if a, err = s.take(ctx, token, msg.Data()); err != nil {
		s.opts.Log.Error("unavailable", "sequence", meta.Sequence.Stream, "deliveries", meta.NumDelivered, "error", err)
		s.nak(msg, nakDelay(meta.NumDelivered))
		return meta, a, false
	}
	return meta, a, true
}

// take hands a record to the intake if it is this door's and of a size that
// HTTP takes too.
func (s *Service) take(ctx context.Context, token string, body []byte) (a receive.Answer, err error) {
	defer func() {
		if p := recover(); p != nil {
			s.opts.Log.Error("a delivery failed through a fault of ours", "fault", fmt.Sprintf("%T", p))
			a, err = s.faulty(), nil
		}
	}()
	switch {
	case len(body) > record.MaxBytes:
		a := s.opts.Receiver.Disown(body, refusal("too-large", "", "the record is too large; nothing of it was stored"))
		a.Reasons = a.Reasons[:1] // the intake says the same
		return a, nil
	case token != Token(s.opts.Clinic):
		return s.opts.Receiver.Disown(body, otherClinic("the subject is of another clinic than this bridge")), nil
	case len(bytes.TrimSpace(body)) == 0:
		return s.opts.Receiver.Disown(body, refusal("empty-body", "", "the message is empty")), nil
	}
	a, err = s.opts.Receiver.Receive(ctx, body, false)
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
func (s *Service) faulty() receive.Answer {
	s.opts.Meter.Answered(receive.Refused)
	s.opts.Meter.RefusedRecord(false)
	return receive.Answer{Answer: receive.Refused, Reasons: []record.Finding{
		refusal("internal", "", "the delivery failed through a fault of ours; nothing of it was stored"),
	}}
}

// finish publishes the answer and then acknowledges. What fails here comes
// again after AckWait and repeats.
func (s *Service) finish(ctx context.Context, msg jetstream.Msg, meta *jetstream.MsgMetadata, a receive.Answer) {
	ctx, cancel := context.WithTimeout(ctx, s.opts.Timeout)
	defer cancel()
	err := s.answer(ctx, strings.TrimPrefix(msg.Subject(), recordsPrefix), a, meta.Sequence.Stream)
	if err == nil {
		if err = s.may("ack"); err == nil {
			err = msg.DoubleAck(ctx)
		}
	}
	if err != nil {
		s.opts.Log.Warn("a delivery was not answered and acknowledged; it comes again", "sequence", meta.Sequence.Stream, "error", err)
	}
}

// answer publishes an answer where the sender, known by the clinic of the
// subject, reads it.
func (s *Service) answer(ctx context.Context, token string, a receive.Answer, seq uint64) error {
	if err := s.may("publish-answer"); err != nil {
		return err
	}
	body, err := Answered{Answer: a, StreamSequence: seq}.encode(s.room())
	if err != nil {
		return err
	}
	m := nats.NewMsg(answersPrefix + token + "." + Token(a.Record))
	m.Data = body
	_, err = s.js.PublishMsg(ctx, m)
	return err
}
