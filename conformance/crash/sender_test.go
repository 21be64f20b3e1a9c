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
	running.Records
	nats   bool
	tries  int // of the next record
	ledger []entry
	door   running.Door
}

func newSenders(t *testing.T, seed uint64) (out []*sender) {
	zone, err := time.LoadLocation("Europe/London")
	require.NoError(t, err)
	for i := range byHTTP + byNATS {
		random := rand.New(rand.NewPCG(seed, uint64(i+1)))
		out = append(out, &sender{
			Records: running.Records{Sender: i, Zone: zone, Random: func(int) *rand.Rand { return random }}, nats: i >= byHTTP,
		})
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

// send sends the next record once, and enters the answer.
func (s *sender) send(ctx context.Context) error {
	rec, err := s.Next()
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
	s.ledger, s.tries = append(s.ledger, e), 0
	s.Sent()
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
