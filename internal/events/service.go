package events

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"nailbridge/internal/access"
	"nailbridge/internal/receive"
	"nailbridge/mapping/record"
)

// Clinic is a clinic with a door.
type Clinic struct {
	ID       string // as in record headers
	Receiver Receiver
}

// Options of Start.
type Options struct {
	// URL of an outside server; "" starts one within the process.
	URL string
	// Dir is where the embedded server keeps its data, below "jetstream", and
	// Listen the address and port that it listens on: loopback, but with Keys
	// and TLS any.
	Dir, Listen string
	// Keys tells whose a client of the embedded server is; nil: everybody's who
	// reaches it, and then there is one clinic.
	Keys access.Checker
	// TLS is how the embedded server shows its certificate; nil: no TLS.
	TLS *tls.Config

	Clinics []Clinic
	Store   *Announcer // whose outbox is relayed
	Meter   receive.Meter
	Keep    Keep
	Log     *slog.Logger

	// Hold, if set, keeps changes from being announced while it reports true:
	// what is stored may be shared no longer (D3.1). It must be safe for
	// concurrent use.
	Hold func() bool

	// AckWait is after how long the server sends a message again that was
	// neither acknowledged nor sent back, as after a crash. 0: 20 s.
	AckWait time.Duration
	// Poll is how often the outbox is looked at beside the calls of the
	// Announcer. 0: 5 s.
	Poll time.Duration
	// Timeout is how long a publish, an acknowledgement or another request to the
	// server may take. 0: 10 s.
	Timeout time.Duration
	// Pause is how long a part that failed waits, at first, before it tries
	// again; it doubles to 64 times that. 0: 250 ms.
	Pause time.Duration

	// Clock is for what is bounded by time: the lines that the embedded server
	// logs, and how long readers are known to be there. nil: time.Now.
	Clock func() time.Time

	// Fault, if set, may fail an operation by its name, or hold it up, to try its
	// failures: ensure-records, ensure-changes, resume, publish-answer, ack, nak,
	// publish-change, make-readers, health. It must be safe for concurrent use.
	Fault func(op string) error

	tune func(*server.Options) // tests alone
}

func (o Options) orDefault() Options {
	for d, v := range map[*time.Duration]time.Duration{
		&o.AckWait: 20 * time.Second, &o.Poll: 5 * time.Second, &o.Timeout: 10 * time.Second, &o.Pause: 250 * time.Millisecond,
	} {
		if *d <= 0 {
			*d = v
		}
	}
	if o.Clock == nil {
		o.Clock = time.Now
	}
	o.Keep = o.Keep.orDefault()
	return o
}

// Service is the doors and the relays of all clinics at work.
type Service struct {
	opts   Options
	server *embedded // nil with an outside server
	doors  []*door
	state  state

	parts   []part             // in the order in which they are stopped
	abandon context.CancelFunc // gives up what is under way
}

// door is the door and the relay of one clinic, on a connection of their own.
type door struct {
	*Service
	clinic Clinic
	conn   *nats.Conn
	js     jetstream.JetStream
	bell   <-chan struct{} // rings after each commit

	readers *readers

	relayedSeq atomic.Int64
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
	s := &Service{opts: o.orDefault()}
	if o.URL == "" {
		var ids []string
		for _, c := range o.Clinics {
			ids = append(ids, c.ID)
		}
		var err error
		if s.server, err = startEmbedded(s.opts, ids); err != nil {
			return nil, err
		}
	}
	for _, c := range o.Clinics {
		d := &door{Service: s, clinic: c, bell: o.Store.listen(), readers: newReaders(s.opts)}
		s.doors = append(s.doors, d)
		if err := d.connect(); err != nil {
			s.close()
			return nil, err
		}
	}
	s.begin()
	return s, nil
}

// begin starts the parts: the doors are stopped first, and then the relays,
// which relay what the doors committed.
func (s *Service) begin() {
	work, abandon := context.WithCancel(context.Background())
	s.abandon = abandon
	if s.server != nil {
		s.state.set(serverPart, errStarting) // the first to be told of
		s.server.guard.serve(s)
	}
	for _, d := range s.doors {
		s.keepAt(work, d.part(doorPart), func(stop context.Context) error { return d.takeRecords(stop, work) })
	}
	for _, d := range s.doors {
		s.keepAt(work, d.part(relayPart), func(stop context.Context) error { return d.relayChanges(stop, work) })
	}
	if s.server != nil {
		s.keepAt(work, serverPart, s.watchServer)
		s.keepAt(work, keysPart, s.watchKeys)
	}
	if s.server != nil && s.server.guard.keys != nil {
		for _, d := range s.doors {
			s.keepAt(work, d.part(readersPart), d.keepReaders)
		}
	}
}

// connect connects, now or as soon as it can be done, and stays so.
func (d *door) connect() (err error) {
	opts := []nats.Option{
		nats.Name("nailbridge " + Token(d.clinic.ID)),
		nats.RetryOnFailedConnect(true), nats.MaxReconnects(-1), nats.ReconnectWait(d.opts.Pause),
		// A publish without connection fails at once and is tried again by its
		// part, in order, rather than sent later.
		nats.ReconnectBufSize(-1),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				d.opts.Log.Warn("NATS connection lost", "error", err)
			}
		}),
		nats.ReconnectHandler(func(c *nats.Conn) { d.opts.Log.Info("NATS connected again", "server", d.place(c)) }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { d.opts.Log.Warn("NATS", "error", err) }),
	}
	if d.server != nil {
		opts = append(opts, nats.InProcessServer(d.server), nats.UserInfo(d.clinic.ID, d.server.guard.own))
	}
	if d.conn, err = nats.Connect(d.opts.URL, opts...); err != nil {
		return errors.New("NATS: the URL can not be used") // the cause may hold credentials
	}
	d.js, err = jetstream.New(d.conn, jetstream.WithDefaultTimeout(d.opts.Timeout))
	return err
}

// place names the server that a connection goes to, without what opens it.
func (d *door) place(c *nats.Conn) string {
	if d.server != nil {
		return "within the process"
	}
	return c.ConnectedUrlRedacted()
}

// keepAt runs a part again and again until it is stopped.
func (s *Service) keepAt(work context.Context, name string, run func(stop context.Context) error) {
	stop, cancel := context.WithCancel(work)
	p := part{stop: cancel, ended: make(chan struct{})}
	s.parts = append(s.parts, p)
	s.state.set(name, errStarting)
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

// sickBeats is how often in a row, and sickFor about how long, the embedded server must be
// found unhealthy to be started again: while a stream is made it is so for a moment, which
// a busy machine makes longer.
const (
	sickBeats = 3
	sickFor   = 2 * time.Second
)

// watchServer starts the embedded server again when it can no longer store.
func (s *Service) watchServer(ctx context.Context) error {
	beat := time.NewTicker(s.opts.Poll)
	defer beat.Stop()
	enough := max(sickBeats, int(sickFor/s.opts.Poll))
	for sick := 0; ; {
		err := s.fault("health")
		if err == nil {
			err = s.server.health()
		}
		s.state.set(serverPart, err)
		if sick++; err == nil {
			sick = 0
		}
		if sick >= enough && s.server.roomToStart() == nil {
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

// watchKeys ends the connections of keys that are no longer in force. It asks
// nothing of the streams: no request of a client, and no sick disk, keeps a key in
// that was revoked.
func (s *Service) watchKeys(ctx context.Context) error {
	s.state.set(keysPart, nil)
	beat := time.NewTicker(s.opts.Poll)
	defer beat.Stop()
	for {
		s.sweep()
		s.server.guard.said.tell()
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-beat.C:
		}
	}
}

// sweep ends the connections of keys that are no longer in force, and then has
// their readers taken away, and those that are missing of the others made.
func (s *Service) sweep() {
	stay, ended := s.server.guard.sweep()
	for _, in := range ended {
		s.doorOf(in.clinic).readers.end(in.key)
	}
	for _, in := range stay {
		s.letRead(in.clinic, in.key)
	}
}

// letRead asks for the readers of a key, and gives what is closed when they are
// there or could not be made.
func (s *Service) letRead(clinic, key string) <-chan struct{} {
	return s.doorOf(clinic).readers.letRead(key)
}

// forgetReaders: the server is another now.
func (s *Service) forgetReaders() {
	for _, d := range s.doors {
		d.readers.forget()
	}
}

// doorOf is the door of a clinic that has one.
func (s *Service) doorOf(clinic string) *door {
	i := slices.IndexFunc(s.doors, func(d *door) bool { return d.clinic.ID == clinic })
	return s.doors[i]
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
	for _, d := range s.doors {
		if d.conn != nil {
			d.conn.Close()
		}
	}
	if s.server != nil {
		s.server.stop()
	}
}

// Health is what keeps the door or the relay from working; nil when nothing
// does. Its text is safe for logs.
func (s *Service) Health() error {
	for _, d := range s.doors {
		if !d.conn.IsConnected() {
			return fmt.Errorf("NATS: %w", errNotConnected)
		}
	}
	return s.state.health()
}

// Relayed is the number of the last event that this process relayed, added up
// over the clinics; 0: none yet.
func (s *Service) Relayed() (n int64) {
	for _, d := range s.doors {
		n += d.relayedSeq.Load()
	}
	return n
}

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
func (d *door) may(op string) error {
	if !d.conn.IsConnected() {
		return errNotConnected
	}
	return d.fault(op)
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
func (d *door) room() int {
	limit := int64(record.MaxBytes)
	if m := d.conn.MaxPayload(); m > 0 {
		limit = min(limit, m)
	}
	return int(limit) - headerRoom
}

// The parts of a service: the server and who is in it, and for each clinic a
// door, a relay and its readers.
const (
	doorPart    = "door"
	relayPart   = "relay"
	readersPart = "readers"
	serverPart  = "server"
	keysPart    = "keys"
)

// part names a part of the door's clinic.
func (d *door) part(name string) string { return name + " of " + Token(d.clinic.ID) }

// state is what the parts last said of themselves.
type state struct {
	mu    sync.Mutex
	says  map[string]error
	parts []string // as they came
}

var errStarting = errors.New("starting")

func (s *state) set(part string, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, known := s.says[part]; !known {
		s.parts = append(s.parts, part)
	}
	if s.says == nil {
		s.says = map[string]error{}
	}
	s.says[part] = err
}

func (s *state) health() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, part := range s.parts {
		if err := s.says[part]; err != nil {
			return fmt.Errorf("NATS %s: %w", part, err)
		}
	}
	return nil
}
