package events

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"nailbridge/internal/receive"
)

// SenderOptions say where a Sender sends, and as whom.
type SenderOptions struct {
	URL    string
	Clinic string // whose records are sent
	Key    string // of the clinic's practice system; "" where the server asks for none
	// Window is how many records may be without an answer at once: more are not
	// published before some are answered. 0: 64.
	Window int
	// Patience is how long no record may be taken and none answered; 0: two minutes.
	// It is longer than MaxNakDelay, after which a record that could not be stored
	// is tried again.
	Patience time.Duration
	// Pause is how long after a failure the next try waits, and how often a cut of the
	// connection is looked for; 0: a second.
	Pause time.Duration
}

// Sender sends records of one clinic through the door, as its practice system would,
// and waits until each is answered.
type Sender struct {
	o       SenderOptions
	conn    *nats.Conn
	js      jetstream.JetStream
	answers *nats.Subscription
	cuts    atomic.Int64                       // of the connection: answers may have passed by
	giveUp  atomic.Pointer[context.CancelFunc] // waiting for an acknowledgement, which a cut loses
}

// ErrNoAnswer says that records were not taken, or not answered, for as long as a
// sender waits.
var ErrNoAnswer = errors.New("no answer: does the bridge at the other end take the clinic's records?")

// Dial connects a sender. A key that does not open the clinic is an error.
func Dial(o SenderOptions) (*Sender, error) {
	if o.Window == 0 {
		o.Window = 64
	}
	if o.Patience == 0 {
		o.Patience = 2 * time.Minute
	}
	if o.Pause == 0 {
		o.Pause = time.Second
	}
	s := &Sender{o: o}
	opts := []nats.Option{
		nats.Name("nailbridge sender"), nats.MaxReconnects(-1), nats.ReconnectWait(o.Pause),
		nats.ReconnectHandler(func(*nats.Conn) {
			s.cuts.Add(1)
			if stop := s.giveUp.Load(); stop != nil {
				(*stop)()
			}
		}),
		nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}), // what it tells is seen in what is missing
	}
	if o.Key != "" {
		opts = append(opts, nats.UserInfo(o.Clinic, o.Key))
	}
	var err error
	if s.conn, err = nats.Connect(o.URL, opts...); err != nil {
		return nil, err
	}
	if s.js, err = jetstream.New(s.conn); err == nil {
		s.answers, err = s.conn.SubscribeSync(answersPrefix + Token(o.Clinic) + ".*")
	}
	if err == nil {
		err = errors.Join(s.answers.SetPendingLimits(-1, -1), s.conn.Flush(), s.forbidden())
	}
	if err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

// forbidden is what the server forbade: the key is not that of the clinic's practice
// system.
func (s *Sender) forbidden() error {
	if err := s.conn.LastError(); errors.Is(err, nats.ErrPermissionViolation) {
		return err
	}
	return nil
}

// Close ends the connection.
func (s *Sender) Close() { s.conn.Close() }

// sending is what is under way of one call of Send.
type sending struct {
	answers  []*receive.Answer
	open     int
	waiting  map[uint64]int // by the sequence of the message
	cuts     int64
	progress time.Time
}

// Send publishes records in their order, as many as the window allows ahead of their
// answers, and gives the answer to each. Where the connection was cut, it publishes again
// what has no answer, which changes nothing of what was taken (D2.2). With an error
// it gives the answers up to the first record that has none.
func (s *Sender) Send(ctx context.Context, records [][]byte) ([]receive.Answer, error) {
	w := &sending{answers: make([]*receive.Answer, len(records)), open: len(records), waiting: map[uint64]int{}, cuts: s.cuts.Load(), progress: time.Now()}
	err := s.send(ctx, w, records)
	var out []receive.Answer
	for _, a := range w.answers {
		if a == nil {
			break
		}
		out = append(out, *a)
	}
	return out, err
}

func (s *Sender) send(ctx context.Context, w *sending, records [][]byte) error {
	for next, ahead := 0, 0; w.open > 0; {
		if err := errors.Join(ctx.Err(), s.forbidden()); err != nil {
			return err
		}
		if time.Since(w.progress) > s.o.Patience {
			return ErrNoAnswer
		}
		if now := s.cuts.Load(); now != w.cuts { // begin again behind what is answered
			w.cuts, next, ahead = now, 0, 0
		}
		switch {
		case next < len(records) && w.answers[next] != nil:
			next++
		case next < len(records) && ahead < s.o.Window:
			published, err := s.publish(ctx, w, records[next], next)
			if err != nil {
				return err
			}
			if published {
				next, ahead = next+1, ahead+1
			}
		default:
			ahead = max(ahead-s.take(w), 0)
		}
	}
	return nil
}

// publishTimeout is how long one acknowledgement is waited for.
const publishTimeout = 10 * time.Second

// publish publishes a record and waits until the stream has it. It reports false where
// that failed for now: the server is away, or has no stream yet.
func (s *Sender) publish(ctx context.Context, w *sending, body []byte, index int) (bool, error) {
	one, cancel := context.WithTimeout(ctx, publishTimeout)
	defer cancel()
	s.giveUp.Store(&cancel)
	ack, err := s.js.Publish(one, RecordsSubject(s.o.Clinic), body)
	switch {
	case err == nil:
		w.waiting[ack.Sequence], w.progress = index, time.Now()
		return true, nil
	case ctx.Err() != nil:
		return false, ctx.Err()
	case errors.Is(err, nats.ErrMaxPayload), errors.Is(err, nats.ErrConnectionClosed):
		return false, fmt.Errorf("publishing a record: %w", err)
	}
	select {
	case <-ctx.Done():
	case <-time.After(s.o.Pause):
	}
	return false, nil
}

// take takes the next answer of ours, if one comes within a pause, and counts it.
func (s *Sender) take(w *sending) int {
	m, err := s.answers.NextMsg(s.o.Pause)
	if err != nil {
		if !errors.Is(err, nats.ErrTimeout) {
			time.Sleep(s.o.Pause)
		}
		return 0
	}
	var a Answered
	if json.Unmarshal(m.Data, &a) != nil {
		return 0
	}
	i, ours := w.waiting[a.StreamSequence]
	if !ours || w.answers[i] != nil {
		return 0
	}
	w.answers[i], w.progress = &a.Answer, time.Now()
	w.open--
	return 1
}
