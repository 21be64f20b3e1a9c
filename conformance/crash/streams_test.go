package crash_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"nailbridge/conformance/running"
	"nailbridge/internal/events"
)

// promised is what the streams of a bridge were seen to hold, and must go on
// holding.
type promised struct {
	records map[uint64]string // acknowledged at publish, by sequence
	answers map[uint64]string // by sequence of their own
	changes int64             // number of the last
}

// streams is a client that reads and writes the streams of a bridge.
type streams struct {
	conn *nats.Conn
	js   jetstream.JetStream
}

// requestTime is how long a request to the server may take.
const requestTime = 3 * time.Second

func openStreams(b *running.Bridge) (s streams, err error) {
	if s.conn, err = nats.Connect(b.NATS, nats.NoReconnect()); err != nil {
		return s, err
	}
	s.js, err = jetstream.New(s.conn, jetstream.WithDefaultTimeout(requestTime))
	return s, err
}

// publish sends a record, and promises it once it is acknowledged.
func (p *promised) publish(ctx context.Context, b *running.Bridge, rec []byte) (seq uint64, err error) {
	s, err := openStreams(b)
	if err != nil {
		return 0, err
	}
	defer s.conn.Close()
	ack, err := s.js.Publish(ctx, events.RecordsSubject(running.Clinic), rec)
	if err != nil {
		return 0, err
	}
	p.records[ack.Sequence] = string(rec)
	return ack.Sequence, nil
}

// all reads a stream, which must have no gap.
func (s streams) all(ctx context.Context, name string) (out []*jetstream.RawStreamMsg, err error) {
	st, err := s.js.Stream(ctx, name)
	if err != nil {
		return nil, err
	}
	for seq := uint64(1); seq <= st.CachedInfo().State.LastSeq; seq++ {
		m, err := st.GetMsg(ctx, seq)
		if err != nil {
			return nil, fmt.Errorf("%s %d: %w", name, seq, err)
		}
		out = append(out, m)
	}
	return out, nil
}

// look says what of the promise is not there, now.
func (p *promised) look(ctx context.Context, b *running.Bridge) error {
	s, err := openStreams(b)
	if err != nil {
		return err
	}
	defer s.conn.Close()
	records, err := s.all(ctx, events.RecordsStream)
	answers, err2 := s.all(ctx, events.AnswersStream)
	changes, err3 := s.all(ctx, events.ChangesStream)
	if err := errors.Join(err, err2, err3, there("record", p.records, records), there("answer", p.answers, answers)); err != nil {
		return err
	}
	for i, m := range answers {
		p.answers[uint64(i)+1] = string(m.Data)
	}
	return errors.Join(p.answered(), p.relayed(changes))
}

// there says which of the messages seen before is not there, or another.
func there(what string, want map[uint64]string, is []*jetstream.RawStreamMsg) error {
	for seq, body := range want {
		if seq > uint64(len(is)) || string(is[seq-1].Data) != body {
			return fmt.Errorf("%w: %s %d of %d", errLost, what, seq, len(is))
		}
	}
	return nil
}

// errLost: what was acknowledged or answered is not there.
var errLost = errors.New("lost")

// answered says which record is not answered.
func (p *promised) answered() error {
	of := map[uint64]bool{}
	for _, body := range p.answers {
		var a struct{ StreamSequence uint64 }
		if err := json.Unmarshal([]byte(body), &a); err != nil {
			return err
		}
		of[a.StreamSequence] = true
	}
	for seq := range p.records {
		if !of[seq] {
			return fmt.Errorf("record %d is not answered", seq)
		}
	}
	return nil
}

// relayed says whether changes were left out. They may be there again.
func (p *promised) relayed(changes []*jetstream.RawStreamMsg) error {
	var last int64
	for _, m := range changes {
		n, err := strconv.ParseInt(m.Header.Get(events.SequenceHeader), 10, 64)
		if err != nil {
			return err
		}
		if n > last+1 {
			return fmt.Errorf("%w: changes between %d and %d", errLost, last, n)
		}
		last = n
	}
	if last < p.changes {
		return fmt.Errorf("changes end at %d, not at %d", last, p.changes)
	}
	p.changes = last
	return nil
}

// keeps waits until the promise is kept. What is lost does not come.
func (p *promised) keeps(ctx context.Context, b *running.Bridge, patience time.Duration) (err error) {
	for until := time.Now().Add(patience); time.Now().Before(until); time.Sleep(20 * time.Millisecond) {
		if err = p.look(ctx, b); err == nil {
			return nil
		}
	}
	return err
}

func (p *promised) clone() *promised {
	c := &promised{map[uint64]string{}, map[uint64]string{}, p.changes}
	for k, v := range p.records {
		c.records[k] = v
	}
	for k, v := range p.answers {
		c.answers[k] = v
	}
	return c
}
