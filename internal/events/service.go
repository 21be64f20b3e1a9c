package events

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"nailbridge/internal/receive"
	"nailbridge/mapping/record"
)

// Options of Start.
type Options struct {
	// URL of an outside server; "" starts one within the process.
	URL string
	// Dir is where the embedded server keeps its data, below "jetstream", and
	// Listen the loopback address and port that it listens on.
	Dir, Listen string

	Clinic   string // whose door it is
	Receiver Receiver
	Store    *Announcer // whose outbox is relayed
	Meter    receive.Meter
	Keep     Keep
	Log      *slog.Logger

	// AckWait is after how long the server sends a message again that was
	// neither acknowledged nor sent back, as after a crash. 0: 20 s.
	AckWait time.Duration
	// Poll is how often the outbox is looked at beside the calls of the
	// Announcer. 0: 5 s.
	Poll time.Duration
	// Timeout is how long a publish or an acknowledgement may take. 0: 10 s.
	Timeout time.Duration
	// Pause is how long a part that failed waits, at first, before it tries
	// again; it doubles to 64 times that. 0: 250 ms.
	Pause time.Duration

	// Fault, if set, may fail an operation by its name, to try its failures:
	// ensure-records, ensure-changes, resume, publish-answer, ack, nak,
	// publish-change, health. It must be safe for concurrent use.
	Fault func(op string) error
}

func (o Options) orDefault() Options {
	for d, v := range map[*time.Duration]time.Duration{
		&o.AckWait: 20 * time.Second, &o.Poll: 5 * time.Second, &o.Timeout: 10 * time.Second, &o.Pause: 250 * time.Millisecond,
	} {
		if *d <= 0 {
			*d = v
		}
	}
	o.Keep = o.Keep.orDefault()
	return o
}

// Service is the door and the relay at work.
type Service struct {
	opts   Options
	server *embedded // nil with an outside server
	conn   *nats.Conn
	js     jetstream.JetStream

	state      state
	relayedSeq atomic.Int64

	parts   []part             // in the order in which they are stopped
	abandon context.CancelFunc // gives up what is under way
}

// part is a goroutine of a service.
type part struct {
	stop  context.CancelFunc
	ended chan struct{}
}

// Start starts the embedded server, if it is to be one, and then the door and
// the relay. It fails when the embedded server can not start; a server that can
// not be reached is tried until Stop.
func Start(o Options) (*Service, error) {
	s := &Service{opts: o.orDefault(), state: newState()}
	if o.URL == "" {
		var err error
		if s.server, err = startEmbedded(o.Dir, o.Listen, o.Log); err != nil {
			return nil, err
		}
	}
	if err := s.connect(); err != nil {
		s.close()
		return nil, err
	}
	work, abandon := context.WithCancel(context.Background())
	s.abandon = abandon
	s.keepAt(work, doorPart, func(stop context.Context) error { return s.takeRecords(stop, work) })
	s.keepAt(work, relayPart, func(stop context.Context) error { return s.relayChanges(stop, work) })
	if s.server != nil {
		s.keepAt(work, serverPart, s.watchServer)
	}
	return s, nil
}

// connect connects, now or as soon as it can be done, and stays so.
func (s *Service) connect() (err error) {
	opts := []nats.Option{
		nats.Name("nailbridge " + Token(s.opts.Clinic)),
		nats.RetryOnFailedConnect(true), nats.MaxReconnects(-1), nats.ReconnectWait(s.opts.Pause),
		// A publish without connection fails at once and is tried again by its
		// part, in order, rather than sent later.
		nats.ReconnectBufSize(-1),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				s.opts.Log.Warn("NATS connection lost", "error", err)
			}
		}),
		nats.ReconnectHandler(func(c *nats.Conn) { s.opts.Log.Info("NATS connected again", "server", c.ConnectedUrlRedacted()) }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { s.opts.Log.Warn("NATS", "error", err) }),
	}
	if s.server != nil {
		opts = append(opts, nats.InProcessServer(s.server))
	}
	if s.conn, err = nats.Connect(s.opts.URL, opts...); err != nil {
		return errors.New("NATS: the URL can not be used") // the cause may hold credentials
	}
	s.js, err = jetstream.New(s.conn)
	return err
}

// keepAt runs a part again and again until it is stopped.
func (s *Service) keepAt(work context.Context, name string, run func(stop context.Context) error) {
	stop, cancel := context.WithCancel(work)
	p := part{stop: cancel, ended: make(chan struct{})}
	s.parts = append(s.parts, p)
	go func() {
		defer close(p.ended)
		pause := s.opts.Pause
		for {
			began := time.Now()
			err := run(stop)
			if stop.Err() != nil {
				return
			}
			s.state.set(name, err)
			if !errors.Is(err, errNotConnected) { // the connection says so itself
				s.opts.Log.Warn("NATS: trying again", "part", name, "error", err)
			}
			if time.Since(began) > time.Minute {
				pause = s.opts.Pause
			}
			select {
			case <-stop.Done():
				return
			case <-time.After(pause):
			}
			if pause = min(2*pause, 64*s.opts.Pause); errors.Is(err, errNotConnected) {
				pause = s.opts.Pause
			}
		}
	}()
}

// sickBeats is how often in a row the embedded server must be found unhealthy
// to be started again: while a stream is made it is so for a moment.
const sickBeats = 3

// watchServer starts the embedded server again when it can no longer store.
func (s *Service) watchServer(ctx context.Context) error {
	beat := time.NewTicker(s.opts.Poll)
	defer beat.Stop()
	for sick := 0; ; {
		err := s.fault("health")
		if err == nil {
			err = s.server.health()
		}
		s.state.set(serverPart, err)
		if sick++; err == nil {
			sick = 0
		}
		if sick >= sickBeats && s.server.roomToStart() == nil {
			s.opts.Log.Error("the embedded NATS server is started again", "error", err)
			return errors.Join(err, s.server.restart())
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-beat.C:
		}
	}
}

// Stop takes no more records and finishes those under way, then relays what
// was committed until now, then ends the connection and the embedded server.
// When ctx ends first, what is under way is given up; it comes again at the
// next start.
func (s *Service) Stop(ctx context.Context) {
	defer s.close()
	defer s.abandon()
	release := context.AfterFunc(ctx, s.abandon)
	defer release()
	for _, p := range s.parts {
		p.stop()
		<-p.ended
	}
}

func (s *Service) close() {
	if s.conn != nil {
		s.conn.Close()
	}
	if s.server != nil {
		s.server.stop()
	}
}

// Health is what keeps the door or the relay from working; nil when nothing
// does. Its text is safe for logs.
func (s *Service) Health() error {
	if !s.conn.IsConnected() {
		return fmt.Errorf("NATS: %w", errNotConnected)
	}
	return s.state.health()
}

// Relayed is the number, in the outbox, of the last event that this process
// relayed; 0: none yet.
func (s *Service) Relayed() int64 { return s.relayedSeq.Load() }

// ClientURL is where others reach the embedded server; "" with an outside one.
func (s *Service) ClientURL() string {
	if s.server == nil {
		return ""
	}
	if run := s.server.current(); run != nil {
		return run.ClientURL()
	}
	return ""
}

// errNotConnected: there is no server now; the connection comes by itself.
var errNotConnected = errors.New("not connected")

// may says whether an operation on the server can be tried.
func (s *Service) may(op string) error {
	if !s.conn.IsConnected() {
		return errNotConnected
	}
	return s.fault(op)
}

func (s *Service) fault(op string) error {
	if s.opts.Fault == nil {
		return nil
	}
	if err := s.opts.Fault(op); err != nil {
		return fmt.Errorf("%s: %w", op, err)
	}
	return nil
}

// headerRoom is more than the headers of any message of ours take.
const headerRoom = 1 << 10

// room is how large a body may be.
func (s *Service) room() int {
	limit := int64(record.MaxBytes)
	if m := s.conn.MaxPayload(); m > 0 {
		limit = min(limit, m)
	}
	return int(limit) - headerRoom
}

// The parts of a service.
const (
	doorPart   = "door"
	relayPart  = "relay"
	serverPart = "server"
)

// state is what the parts last said of themselves.
type state struct {
	mu   sync.Mutex
	says map[string]error
}

var errStarting = errors.New("starting")

func newState() state {
	return state{says: map[string]error{doorPart: errStarting, relayPart: errStarting}}
}

func (s *state) set(part string, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.says[part] = err
}

func (s *state) health() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, part := range []string{serverPart, doorPart, relayPart} {
		if err := s.says[part]; err != nil {
			return fmt.Errorf("NATS %s: %w", part, err)
		}
	}
	return nil
}
