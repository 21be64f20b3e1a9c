package events

import (
	"context"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
)

// NakDelay is nakDelay.
func NakDelay(deliveries uint64) time.Duration { return nakDelay(deliveries) }

// Take hands a body to the door of a service that has no server.
func Take(o Options, token string, body []byte) (receive.Answer, error) {
	return (&door{Service: &Service{opts: o}, clinic: o.Clinics[0]}).take(context.Background(), token, body)
}

// EncodeAnswer is the body of the answer to message 7.
func EncodeAnswer(a receive.Answer, limit int) ([]byte, error) {
	return Answered{Answer: a, StreamSequence: 7}.encode(limit)
}

// SyncsAlways asks the embedded server how it writes.
func SyncsAlways(s *Service) bool {
	return s.server.current().JetStreamConfig().SyncAlways
}

// Forgotten is how often a clinic's door forgot which readers there are.
func Forgotten(s *Service, clinic string) int {
	_, times := s.doorOf(clinic).readers.next()
	return times
}

// Streams are those of a clinic as the bridge sees them.
func Streams(t testing.TB, s *Service, clinic string) map[string]*jetstream.StreamInfo {
	t.Helper()
	out := map[string]*jetstream.StreamInfo{}
	for _, name := range []string{RecordsStream, AnswersStream, ChangesStream} {
		st, err := s.doorOf(clinic).js.Stream(context.Background(), name)
		require.NoError(t, err)
		out[name] = st.CachedInfo()
	}
	return out
}

// SetOverwrite sets what is done before a message of a stream is overwritten; its
// error stands for the end of the work.
func SetOverwrite(before func(stream string) error) (restore func()) {
	was := overwrite
	overwrite = func(st jetstream.Stream, ctx context.Context, seq uint64) error {
		if err := before(st.CachedInfo().Config.Name); err != nil {
			return err
		}
		return was(st, ctx, seq)
	}
	return func() { overwrite = was }
}

// NoInformation makes the embedded server drop each request for information, as
// it does while clients ask for more than it can tell.
func NoInformation(o *Options) {
	o.tune = func(s *server.Options) { s.JetStreamInfoQueueLimit = 1 }
}

// Varz is what the embedded server says of its settings.
func Varz(t testing.TB, s *Service) *server.Varz {
	t.Helper()
	v, err := s.server.current().Varz(nil)
	require.NoError(t, err)
	return v
}
