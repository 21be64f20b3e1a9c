package crash_test

import (
	"context"
	"encoding/json"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/running"
	"nailbridge/internal/generate"
	"nailbridge/mapping/record"
)

// answer is what a ledger keeps of an answer.
type answer struct {
	Answer    string
	Record    string
	Resources []struct{ Reference, VersionID, Change string }
}

// entry is a delivery that was answered, in the sender's ledger.
type entry struct {
	record []byte
	tries  int
	answer answer // the first to come
}

// sender is a practice system with cases of its own. It sends one record after
// another, the next once the last was answered, and what was not answered again.
type sender struct {
	number int
	nats   bool
	random *rand.Rand
	zone   *time.Location
	cases  int
	queue  [][]byte
	tries  int // of the first in the queue
	ledger []entry
	door   running.Door
}

// casesApart keeps the patients of one sender's cases off another's: an amendment
// may name the patient of a number that is half a million higher.
const casesApart = 1_000_000

func newSenders(t *testing.T, seed uint64) (out []*sender) {
	zone, err := time.LoadLocation("Europe/London")
	require.NoError(t, err)
	for i := range byHTTP + byNATS {
		out = append(out, &sender{number: i, nats: i >= byHTTP, random: rand.New(rand.NewPCG(seed, uint64(i+1))), zone: zone})
	}
	return out
}

func (s *sender) open(t *testing.T, b *running.Bridge) {
	if !s.nats {
		s.door = b.HTTP(1)
		return
	}
	var err error
	s.door, err = b.OpenNATS()
	require.NoError(t, err)
}

// next is the record to send: saves, amendments, withdrawals, reviews and
// contacts, case after case without end.
func (s *sender) next() ([]byte, error) {
	for len(s.queue) == 0 {
		number := s.number*casesApart + s.cases
		s.cases++
		for _, r := range generate.Case(s.random, generate.Options{Clinic: running.Clinic, Zone: s.zone, Number: number}) {
			b, err := record.Encode(r)
			if err != nil {
				return nil, err
			}
			s.queue = append(s.queue, b)
		}
	}
	return s.queue[0], nil
}

// send sends the next record once, and enters the answer.
func (s *sender) send(ctx context.Context) error {
	rec, err := s.next()
	if err != nil {
		return err
	}
	s.tries++
	text, err := s.door.Send(ctx, rec, func() {})
	if err != nil {
		return err
	}
	e := entry{record: rec, tries: s.tries}
	if err := json.Unmarshal(text, &e.answer); err != nil {
		return err
	}
	s.ledger, s.queue, s.tries = append(s.ledger, e), s.queue[1:], 0
	return nil
}

// sendUntilLost sends until the bridge is gone.
func (s *sender) sendUntilLost(ctx context.Context, answered chan<- struct{}) {
	for ctx.Err() == nil && s.send(ctx) == nil {
		select {
		case answered <- struct{}{}:
		default:
		}
	}
}

// finish sends again what was not answered.
func (s *sender) finish(t *testing.T, b *running.Bridge) {
	s.open(t, b)
	defer s.door.Close()
	if s.tries > 0 {
		require.NoError(t, s.send(t.Context()))
	}
}

// repeat sends what is in another's ledger, in its order.
func (s *sender) repeat(t *testing.T, b *running.Bridge, of *sender) {
	s.open(t, b)
	defer s.door.Close()
	for i, e := range of.ledger {
		require.NoError(t, s.send(t.Context()))
		require.Equal(t, string(e.record), string(s.ledger[i].record))
		if e.tries == 1 { // else the answer may be that it is known already
			assert.Equal(t, s.ledger[i].answer.Answer, e.answer.Answer, "%s sent once", e.answer.Record)
		}
	}
}
