package events

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"nailbridge/internal/access"
	"nailbridge/mapping/record"
)

// embedded is a nats-server within the process. It can be started again while
// clients within the process stay: they reach whichever runs.
type embedded struct {
	opts server.Options
	log  *slog.Logger

	mu  sync.Mutex
	run *server.Server
}

// startupTime is how long a server may take to recover its streams.
const startupTime = time.Minute

// startEmbedded starts a server on a loopback address, its data in dir.
func startEmbedded(dir, listen string, log *slog.Logger) (*embedded, error) {
	if err := access.Loopback(listen); err != nil {
		return nil, fmt.Errorf("NATS: %w", err)
	}
	host, text, err := net.SplitHostPort(listen)
	if err != nil {
		return nil, fmt.Errorf("NATS address: %w", err)
	}
	port, err := strconv.ParseUint(text, 10, 16)
	if err != nil {
		return nil, errors.New("NATS address: the port is not a number up to 65535")
	}
	e := &embedded{log: log, opts: server.Options{
		ServerName: "nailbridge", Host: host, Port: int(port), NoSigs: true, NoLog: true,
		MaxPayload: record.MaxBytes,
		JetStream:  true, StoreDir: dir, SyncAlways: true, DisableJetStreamBanner: true,
		// The age limits and the disk bound the data. A share of what is free at
		// the start, as is the default, would after a full disk be nothing.
		JetStreamMaxStore: 1 << 50,
	}}
	if port == 0 {
		e.opts.Port = server.RANDOM_PORT
	}
	if err := e.start(); err != nil {
		return nil, err
	}
	return e, nil
}

func (e *embedded) start() error {
	if err := e.free(); err != nil {
		return err
	}
	s, err := server.NewServer(e.opts.Clone())
	if err != nil {
		return fmt.Errorf("NATS server: %w", err)
	}
	s.SetLoggerV2(serverLog{e.log}, false, false, false)
	s.Start()
	if !s.ReadyForConnections(startupTime) || !s.JetStreamEnabled() {
		s.Shutdown()
		s.WaitForShutdown()
		return fmt.Errorf("NATS server: it does not start at %s", net.JoinHostPort(e.opts.Host, strconv.Itoa(e.opts.Port)))
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
	if h := s.Healthz(&server.HealthzOptions{}); h.StatusCode != 200 {
		return fmt.Errorf("NATS server: %s", h.Error)
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
	if s != nil {
		s.Shutdown()
		s.WaitForShutdown()
	}
}

// serverLog passes on what the server says of trouble.
type serverLog struct{ log *slog.Logger }

func (l serverLog) say(level slog.Level, format string, v []any) {
	l.log.Log(context.Background(), level, "NATS server", "says", fmt.Sprintf(format, v...))
}

func (l serverLog) Noticef(format string, v ...any) { l.say(slog.LevelDebug, format, v) }
func (l serverLog) Warnf(format string, v ...any)   { l.say(slog.LevelWarn, format, v) }
func (l serverLog) Fatalf(format string, v ...any)  { l.say(slog.LevelError, format, v) }
func (l serverLog) Errorf(format string, v ...any)  { l.say(slog.LevelError, format, v) }
func (l serverLog) Debugf(string, ...any)           {}
func (l serverLog) Tracef(string, ...any)           {}
