package events

import (
	"context"
	"time"

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
