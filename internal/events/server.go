package events

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"nailbridge/internal/access"
	"nailbridge/mapping/record"
)

// embedded is a nats-server within the process, with an account for each
// clinic. It can be started again while clients within the process stay: they
// reach whichever runs.
type embedded struct {
	opts  server.Options
	guard *guard
	log   *slog.Logger

	mu  sync.Mutex
	run *server.Server
}

// startupTime is how long a server may take to recover its streams.
const startupTime = time.Minute

// ErrClinics: a server without keys can not tell more than one clinic apart.
var ErrClinics = errors.New("NATS: more than one clinic needs keys")

// ErrReader: with keys, "/reader" after a clinic's id is how its practice system
// comes in to read.
var ErrReader = errors.New("NATS: with keys the id of a clinic can not end in " + readingSuffix)

// startEmbedded starts a server for clinics with its data in a folder, on a
// loopback address, or with keys and a certificate on any.
func startEmbedded(o Options, clinics []string) (*embedded, error) {
	err := access.Loopback(o.Listen)
	if errors.Is(err, access.ErrNotLoopback) && o.Keys != nil && o.TLS != nil {
		err = nil
	}
	if err != nil {
		return nil, fmt.Errorf("NATS: %w", err)
	}
	if o.Keys == nil && len(clinics) != 1 {
		return nil, ErrClinics
	}
	if o.Keys != nil && slices.ContainsFunc(clinics, func(c string) bool { return strings.HasSuffix(c, readingSuffix) }) {
		return nil, ErrReader
	}
	host, text, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return nil, fmt.Errorf("NATS address: %w", err)
	}
	port, err := strconv.ParseUint(text, 10, 16)
	if err != nil {
		return nil, errors.New("NATS address: the port is not a number up to 65535")
	}
	so := serverOptions(o)
	so.Host, so.Port, so.TLS, so.TLSConfig, so.AuthTimeout = host, int(port), o.TLS != nil, o.TLS, admitTime.Seconds()
	if port == 0 {
		so.Port = server.RANDOM_PORT
	}
	if o.tune != nil {
		o.tune(&so)
	}
	return run(so, newGuard(o.Keys, clinics, o.Log, o.Clock), o.Log)
}

// startAlone starts a server with its data in dir that listens nowhere.
func startAlone(dir string, g *guard, log *slog.Logger) (*embedded, error) {
	so := serverOptions(Options{Dir: dir})
	so.DontListen = true
	return run(so, g, log)
}

func run(so server.Options, g *guard, log *slog.Logger) (*embedded, error) {
	so.CustomClientAuthentication = g
	e := &embedded{opts: so, guard: g, log: log}
	if err := e.start(); err != nil {
		return nil, err
	}
	return e, nil
}

// Limits of what clients may take of the server's memory. Plain use meets none: a
// practice system has two connections, with three subjects and some inboxes.
const (
	// serverConnections is how many connections there may be, those of the bridge
	// and those that are not let in yet among them: 64 keys with mostConnections
	// each. Idle ones take some 40 KB each.
	serverConnections = 64 * mostConnections
	// connectionSubjects is how many subscriptions a connection may have: a message
	// goes to each, so each is a copy of every answer to come.
	connectionSubjects = 64
	// connectionPending is how much may wait to be sent to a client until it is
	// taken for gone: all that a reader may hold unacknowledged (mostRead), at 64 KB
	// each.
	connectionPending = mostRead << 16
	// connectionWait is how long a client may take nothing of what waits.
	connectionWait = 10 * time.Second
	// protocolLine is how long a line of the protocol may be: two subjects, which
	// Token bounds, or what a client says of itself as it comes.
	protocolLine = 4 << 10
	// closedConnections is how many connections that have ended the server
	// remembers, with their subjects, for a monitor that nobody can ask; 0 would be
	// ten thousand.
	closedConnections = 1
)

// serverOptions are those of every server with its data in a folder, but for its
// address and guard.
func serverOptions(o Options) server.Options {
	return server.Options{
		ServerName: "nailbridge", NoSigs: true, NoLog: true,
		MaxPayload: record.MaxBytes, MaxControlLine: protocolLine,
		MaxConn: serverConnections, MaxSubs: connectionSubjects, MaxClosedClients: closedConnections,
		MaxPending: connectionPending, WriteDeadline: connectionWait,
		JetStream: true, StoreDir: o.Dir, SyncAlways: true, DisableJetStreamBanner: true,
		// The age limits and the disk bound the data. A share of what is free at
		// the start, as is the default, would after a full disk be nothing.
		JetStreamMaxStore: 1 << 50,
	}
}

// start starts the server. Its files are kept meanwhile (kept).
func (e *embedded) start() error {
	if !e.opts.DontListen {
		if err := e.free(); err != nil {
			return err
		}
	}
	k := kept{e.opts.StoreDir}
	s, gone, err := e.recover(k)
	if err == nil && len(gone) > 0 {
		// Gone by age, and it will be so again; or not read, for this once.
		e.log.Warn("the embedded NATS server took blocks of messages off as it started: once more", "streams", len(gone))
		shut(s)
		if s, gone, err = e.recover(k); err == nil {
			err = k.lost(gone)
		}
	}
	if err == nil {
		err = k.forget()
	}
	if err != nil {
		shut(s)
		return fmt.Errorf("NATS server: %w", err)
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.run = s
	// A port chosen by the system stays through a restart.
	if a, ok := s.Addr().(*net.TCPAddr); ok {
		e.opts.Port = a.Port
	}
	return nil
}

// recover runs a server on the files as they were kept last, if they still are,
// and gives the streams of which it took blocks off. Clients may come meanwhile:
// what they add stays.
func (e *embedded) recover(k kept) (s *server.Server, gone []stream, err error) {
	if err := k.putBack(); err != nil {
		return nil, nil, err
	}
	if err := k.keep(); errors.Is(err, errors.ErrUnsupported) {
		e.log.Warn("the file system of the data folder knows no second names: a stream that can not be read is lost", "error", err)
	} else if err != nil {
		return nil, nil, err
	}
	if s, err = server.NewServer(e.opts.Clone()); err != nil {
		return nil, nil, err
	}
	fatal := make(chan string, 1)
	s.SetLoggerV2(serverLog{e.guard.said, fatal}, false, false, false)
	open := e.guard.attach(s)
	defer open()
	s.Start()
	if err = e.ready(s, fatal); err == nil {
		err = e.accounts(s)
	}
	if err == nil {
		gone, err = k.changed()
	}
	if err != nil {
		shut(s)
		return nil, nil, err
	}
	return s, gone, nil
}

// ready waits until a server is, or says why it will not be.
func (e *embedded) ready(s *server.Server, fatal <-chan string) error {
	for until := time.Now().Add(startupTime); time.Now().Before(until); {
		ready := s.ReadyForConnections(100 * time.Millisecond)
		select {
		case text := <-fatal:
			return errors.New(text)
		default:
		}
		if ready && s.JetStreamEnabled() {
			return nil
		}
		if ready {
			break
		}
	}
	return fmt.Errorf("it does not start at %s", net.JoinHostPort(e.opts.Host, strconv.Itoa(e.opts.Port)))
}

// shut stops a server, if there is one.
func shut(s *server.Server) {
	if s != nil {
		s.Shutdown()
		s.WaitForShutdown()
	}
}

// accounts makes the accounts of each clinic.
func (e *embedded) accounts(s *server.Server) error {
	for _, clinic := range e.guard.clinics {
		if err := makeAccounts(s, clinic, e.guard.keys != nil); err != nil {
			return fmt.Errorf("accounts of a clinic: %w", err)
		}
	}
	return nil
}

// free says at once that the address is taken; the server would only log it.
func (e *embedded) free() error {
	l, err := net.Listen("tcp", net.JoinHostPort(e.opts.Host, strconv.Itoa(max(e.opts.Port, 0))))
	if err != nil {
		return fmt.Errorf("NATS server: %w", err)
	}
	return l.Close()
}

func (e *embedded) current() *server.Server {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.run
}

// InProcessConn connects a client to the server that runs.
func (e *embedded) InProcessConn() (net.Conn, error) {
	s := e.current()
	if s == nil {
		return nil, errors.New("NATS server: not running")
	}
	return s.InProcessConn()
}

// health says what keeps the server from storing messages.
func (e *embedded) health() error {
	s := e.current()
	if s == nil {
		return errors.New("NATS server: not running")
	}
	for _, clinic := range e.guard.clinics {
		h := s.Healthz(&server.HealthzOptions{Account: Token(clinic)})
		if h.StatusCode != http.StatusOK && h.StatusCode != http.StatusNotFound { // not found: it has no stream yet
			return fmt.Errorf("NATS server: %s", h.Error)
		}
	}
	return nil
}

// roomToStart says whether the disk takes a record again; until it does, a
// server started again would fail again, and now at least answers can be read.
func (e *embedded) roomToStart() (err error) {
	f, err := os.CreateTemp(e.opts.StoreDir, "room-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close(), os.Remove(f.Name())) }()
	if _, err := f.Write(make([]byte, record.MaxBytes)); err != nil {
		return err
	}
	return f.Sync()
}

// restart stops the server and starts it on the same data and address.
func (e *embedded) restart() error {
	e.stop()
	return e.start()
}

func (e *embedded) stop() {
	e.mu.Lock()
	s := e.run
	e.run = nil
	e.mu.Unlock()
	shut(s)
	e.guard.said.end()
}

// serverLog passes on what the server says of trouble. Of a client that is
// refused it keeps what the client sent to itself: it may be a key.
type serverLog struct {
	said  *said
	fatal chan<- string // the first error that the server does not outlive
}

// ofClient is in every line that is about one connection: its number.
const ofClient = " - cid:"

func (l serverLog) say(level slog.Level, format string, v []any) {
	text := fmt.Sprintf(format, v...)
	if of := ofAClient(format, text); of != "" {
		l.said.say(slog.LevelWarn, of, of)
		return
	}
	l.said.say(level, format, text)
}

// ofAClient says in our words what a line tells of a connection; "": it is of none.
func ofAClient(format, text string) string {
	switch {
	case strings.Contains(text, server.ErrAuthentication.Error()):
		return "a client without a key in force was refused"
	case strings.Contains(format, "Violation"):
		return "a client asked for more than its key opens"
	case strings.Contains(text, server.ErrTooManySubs.Error()), strings.Contains(text, server.ErrTooManyConnections.Error()):
		return "a client came to the limit of connections or of subscriptions"
	case strings.Contains(text, ofClient): // it may go on with bytes that the client sent
		return "a client's connection failed, or did not speak the protocol"
	}
	return ""
}

// Noticef passes on, for debugging, what is no trouble.
func (l serverLog) Noticef(format string, v ...any) { l.say(slog.LevelDebug, format, v) }

// Warnf passes on a warning.
func (l serverLog) Warnf(format string, v ...any) { l.say(slog.LevelWarn, format, v) }

// Fatalf passes on an error that the server does not outlive.
func (l serverLog) Fatalf(format string, v ...any) {
	l.say(slog.LevelError, format, v)
	select {
	case l.fatal <- fmt.Sprintf(format, v...):
	default:
	}
}

// Errorf passes on an error.
func (l serverLog) Errorf(format string, v ...any) { l.say(slog.LevelError, format, v) }

// Debugf passes on nothing: the server's debug lines may hold what clients send.
func (l serverLog) Debugf(string, ...any) {}

// Tracef passes on nothing: traces hold what clients send.
func (l serverLog) Tracef(string, ...any) {}
