package events

import (
	"context"
	"log/slog"
	"sync"
	"time"
)

// said passes lines on to a log, of each kind a few in a span of time. Whoever
// has a key, and some who have none, can make the server say the same without
// end: a line for each message. What is left out is counted, and told of once
// when the span is over.
type said struct {
	log   *slog.Logger
	clock func() time.Time

	mu    sync.Mutex
	kinds map[kindOfLine]*span
}

// kindOfLine is what lines have in common that tell of the same.
type kindOfLine struct {
	level slog.Level
	text  string
}

// span is what came of a kind since it began.
type span struct {
	began      time.Time
	said, left int
}

// Limits of what is passed on.
const (
	// saidIn is how long a span is: a fault is told of again within a minute.
	saidIn = time.Minute
	// mostSaid is how many lines of a kind are passed on in a span: enough to see
	// whether it is one client or several, and a few kilobytes.
	mostSaid = 20
	// mostKinds is how many kinds are told apart; the server has some ten that
	// clients bring about. The rest count as one.
	mostKinds = 64
)

// otherLines is the kind of what comes when there are mostKinds.
const otherLines = "other lines"

// say passes a line on unless there were enough of its kind.
func (s *said) say(level slog.Level, kind, text string) {
	if !s.log.Enabled(context.Background(), level) {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.settle(saidIn)
	k := kindOfLine{level, kind}
	if s.kinds[k] == nil && len(s.kinds) >= mostKinds {
		k.text = otherLines
	}
	of := s.kinds[k]
	if of == nil {
		of = &span{began: s.clock()}
		if s.kinds == nil {
			s.kinds = map[kindOfLine]*span{}
		}
		s.kinds[k] = of
	}
	if of.said == mostSaid {
		of.left++
		return
	}
	of.said++
	s.log.Log(context.Background(), level, "NATS server", "says", text)
}

// tell tells what was left out in the spans that are over.
func (s *said) tell() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.settle(saidIn)
}

// end tells what was left out until now.
func (s *said) end() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.settle(0)
}

// settle ends the spans that began so long ago.
func (s *said) settle(ago time.Duration) {
	now := s.clock()
	for k, of := range s.kinds {
		if now.Sub(of.began) < ago {
			continue
		}
		delete(s.kinds, k)
		if of.left > 0 {
			s.log.Log(context.Background(), k.level, "NATS server: more lines of a kind were left out", "kind", k.text, "lines", of.left, "since", of.began)
		}
	}
}
