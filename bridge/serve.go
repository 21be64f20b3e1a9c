package main

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"

	"nailbridge/internal/access"
	"nailbridge/internal/config"
	"nailbridge/internal/events"
	"nailbridge/internal/hub"
	"nailbridge/internal/meter"
	"nailbridge/internal/openapi"
	"nailbridge/internal/schedule"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/mapping"
	"nailbridge/mapping/published"
)

type serveCommand struct {
	Config string      `required:"" type:"existingfile" help:"Settings file."`
	Listen string      `default:"127.0.0.1:8470" help:"Address and port to listen on: loopback, but with keys and TLS any."`
	Data   string      `required:"" type:"path" help:"Data folder; made if it does not exist."`
	NATS   natsFlags   `embed:""`
	Access accessFlags `embed:""`
}

// Run serves until it is told to stop.
func (c serveCommand) Run(e *env) (err error) {
	file, err := config.Read(c.Config)
	if err != nil {
		return err
	}
	if err := c.check(file); err != nil {
		return err // before the data folder and its namespace are made
	}
	release, err := config.Lock(c.Data)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, release()) }()
	namespace, err := config.EnsureNamespace(c.Data, nil)
	if err != nil {
		return err
	}
	a, err := newApp(e, file, namespace, c.Data, c.Access)
	if err != nil {
		return err
	}
	a.nats = c.NATS
	return errors.Join(a.serve(e, c.Listen, nil), a.close())
}

// check refuses what can not be served. What the flags name is read once they
// are right: half of a pair would be said twice, the second time in other words.
func (c serveCommand) check(file config.File) error {
	err := errors.Join(c.Access.checkClinics(file), c.Access.check(c.Listen, file.PublicBaseURL), c.NATS.check(c.Access))
	if err != nil {
		return err
	}
	return c.Access.readable()
}

// app is the program put together: one store, a receiver and a door for each
// clinic, one hub over all.
type app struct {
	file      config.File
	dir       string // the data folder
	store     store.Store
	outbox    *events.Announcer // the store, waking the relay
	nats      natsFlags
	access    accessFlags
	certified *tls.Config                    // nil without TLS
	keys      access.Checker                 // nil without keys
	events    atomic.Pointer[events.Service] // nil while the second door is closed
	clinics   clinics
	meter     *meter.Meter
	handler   http.Handler
	clock     func() time.Time
	log       *slog.Logger
	times     httpTimes
	ready     atomic.Bool
	folding   atomic.Bool // what is stored was folded under other settings: hubs wait
	offer     searchparam.Offer
}

func newApp(e *env, file config.File, namespace uuid.UUID, dir string, who accessFlags) (*app, error) {
	if err := who.checkClinics(file); err != nil {
		return nil, err
	}
	settings, err := file.Settings(namespace)
	if err != nil {
		return nil, err
	}
	log := slog.New(slog.NewTextHandler(e.stderr, nil))
	certified, err := who.tls(log)
	if err != nil {
		return nil, err
	}
	st, err := sqlite.Open(e.ctx, sqlite.Options{Dir: dir, NewEpoch: e.epoch})
	if err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	a := &app{file: file, dir: dir, access: who, certified: certified, store: st, outbox: events.Announce(st), meter: meter.New(version), clock: e.clock, log: log, times: servingTimes}
	if err := eraseListed(e, dir, st, namespace, log); err != nil {
		return nil, errors.Join(err, st.Close())
	}
	if err := a.join(e, settings, namespace); err != nil {
		return nil, errors.Join(err, st.Close())
	}
	return a, nil
}

// join puts the receivers, the keys and the doors together.
func (a *app) join(e *env, settings []mapping.Settings, namespace uuid.UUID) (err error) {
	if a.clinics, err = newClinics(a.file, settings, a.outbox, a.log); err != nil {
		return err
	}
	for _, v := range a.clinics {
		v.Clock, v.Meter = a.now, a.meter
	}
	if a.keys, err = a.access.open(a.log, a.meter); err != nil {
		return err
	}
	a.handler, err = a.routes(e, settings[0], namespace)
	return err
}

// now is the clock of the intake, which the demo moves.
func (a *app) now() time.Time { return a.clock() }

func (a *app) close() error { return a.store.Close() }

// routes joins the doors behind the guard. The code maps of s are those of
// every clinic.
func (a *app) routes(e *env, s mapping.Settings, namespace uuid.UUID) (http.Handler, error) {
	static, err := a.clinics.artifacts(e.ctx, s)
	if err != nil {
		return nil, err
	}
	old, err := former(s, static)
	if err != nil {
		return nil, err
	}
	zone, err := a.file.Location()
	if err != nil {
		return nil, err
	}
	secret := sha256.Sum256(append([]byte("page links of "), namespace[:]...))
	fhir, err := hub.New(hub.Options{
		Store: upToDateStore{a.store, &a.folding}, BaseURL: a.file.PublicBaseURL, Zone: zone, Static: static, Former: old, Published: published.At,
		Scope: a.access.scope, Secret: secret[:], Version: version, Released: releaseTime(), Clock: e.clock, Log: a.log,
		Validator: validator(s, e.clock), Offer: &a.offer,
	})
	if err != nil {
		return nil, err
	}
	doors := a.access.byClinic(a.clinics.doors(a.file, a.log))
	return a.guarded(access.Sides(fhir, a.beside(doors))), nil
}

// pages are those about the program, which are beside the doors. /metrics counts
// what all clinics sent: where there are keys it has an address of its own.
func (a *app) pages() map[string]http.Handler {
	out := map[string]http.Handler{
		"/health":      http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { plain(w, http.StatusOK, "ok") }),
		"/health/nats": http.HandlerFunc(a.natsHealth),
		"/ready":       http.HandlerFunc(a.readiness),
		openapi.Path:   openapi.Handler(),
	}
	if a.access.Keys == "" {
		out["/metrics"] = a.meter.Handler()
	}
	return out
}

// beside gives the pages about the program beside a door.
func (a *app) beside(door http.Handler) http.Handler {
	mux := http.NewServeMux()
	pages := a.pages()
	for path, page := range pages {
		mux.Handle("GET "+path, page)
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if pages[r.URL.Path] != nil {
			mux.ServeHTTP(w, r)
			return
		}
		// Unknown paths too: a ServeMux would redirect "//records".
		door.ServeHTTP(w, r)
	})
}

func (a *app) readiness(w http.ResponseWriter, r *http.Request) {
	err := a.store.View(r.Context(), func(store.Reader) error { return nil })
	if err != nil || !a.ready.Load() || a.folding.Load() {
		plain(w, http.StatusServiceUnavailable, "not ready")
		return
	}
	plain(w, http.StatusOK, "ready")
}

func plain(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(text + "\n"))
}

// serve listens, retries what is held, opens the second door, folds the store
// again if the settings have changed, ticks, and when the context ends stops
// gracefully: HTTP, the tick, and then NATS, which relays what they committed.
// started, if any, is told the address.
func (a *app) serve(e *env, listen string, started func(addr string)) error {
	if err := a.access.check(listen, a.file.PublicBaseURL); err != nil {
		return err
	}
	stale, err := a.clinics.outdated(e.ctx, a.store)
	if err != nil {
		return err
	}
	a.folding.Store(stale)
	if err := a.withhold(e.ctx); err != nil {
		return err
	}
	l, err := net.Listen("tcp", listen)
	if err != nil {
		return err
	}
	closeMetrics, err := a.serveMetrics(e.ctx)
	if err != nil {
		return errors.Join(err, l.Close())
	}
	defer closeMetrics()
	a.clinics.retry(e.ctx, a.log)
	stopNATS, err := a.startNATS()
	if err != nil {
		return errors.Join(err, l.Close())
	}
	defer stopNATS()
	stopClock := a.startClock(e.ctx)
	defer stopClock()
	return a.serveHTTP(e.ctx, l, started)
}

// startClock folds the store again, if that is due, and then ticks, and makes
// index rows that are missing meanwhile. It gives what ends that and waits for it.
func (a *app) startClock(ctx context.Context) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		beat := time.NewTicker(schedule.Interval)
		defer beat.Stop()
		a.renew(ctx)
		var indexing sync.WaitGroup
		indexing.Go(func() { a.index(ctx) })
		schedule.Run(ctx, a.clinics, a.now, beat.C, a.log)
		indexing.Wait()
	}()
	return func() {
		cancel()
		<-ended
	}
}

// httpTimes are how long what comes over HTTP may take.
type httpTimes struct {
	header time.Duration // until the header of a request is there
	read   time.Duration // until all of it is: a batch of records over a slow line, not a connection held open
	write  time.Duration // until the client has read one part of an answer: a page of a hub, a line of a batch
	idle   time.Duration // until the next request on a connection
	stop   time.Duration // until requests under way are done, when the program stops
}

// servingTimes are those of the program; shorter in tests.
var servingTimes = httpTimes{header: 10 * time.Second, read: 5 * time.Minute, write: 2 * time.Minute, idle: 2 * time.Minute, stop: 20 * time.Second}

// serveHTTP serves the doors and pages until the context ends, and then until
// what is under way is done.
func (a *app) serveHTTP(ctx context.Context, l net.Listener, started func(addr string)) (err error) {
	srv := a.server(a.handler)
	srv.TLSConfig = a.certified
	a.ready.Store(true)
	a.log.Info("listening", "address", l.Addr().String(), "fhir", a.file.PublicBaseURL)
	if started != nil {
		started(l.Addr().String())
	}
	failed := make(chan error, 1)
	go func() {
		if a.certified != nil {
			failed <- srv.ServeTLS(l, "", "")
			return
		}
		failed <- srv.Serve(l)
	}()
	select {
	case err = <-failed:
	case <-ctx.Done():
		a.ready.Store(false)
		stop, done := context.WithTimeout(context.WithoutCancel(ctx), a.times.stop)
		defer done()
		if err = srv.Shutdown(stop); err != nil {
			err = errors.Join(err, srv.Close()) // no handler outlives the store
		}
	}
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// server bounds what a client may take of a connection. What net/http refuses
// itself, before there is a request (no HTTP, headers of over a megabyte), it
// answers in plain text: there is no path yet that tells a hub from a clinic.
func (a *app) server(h http.Handler) *http.Server {
	return &http.Server{
		Handler: answering(h, a.times.write, a.log), ReadHeaderTimeout: a.times.header, ReadTimeout: a.times.read, IdleTimeout: a.times.idle,
		ErrorLog: slog.NewLogLogger(a.log.Handler(), slog.LevelWarn),
	}
}

// serveMetrics serves /metrics at an address of its own, if one was asked for,
// and gives what ends that.
func (a *app) serveMetrics(ctx context.Context) (stop func(), err error) {
	if a.access.MetricsListen == "" {
		return func() {}, nil
	}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", a.access.MetricsListen)
	if err != nil {
		return nil, err
	}
	srv := a.server(a.metricsAlone())
	go func() {
		if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			a.log.Error("metrics are not served", "error", err)
		}
	}()
	a.log.Info("listening", "metrics", l.Addr().String())
	return func() { _ = srv.Close() }, nil // scrapes may be cut off
}

// metricsAlone is /metrics and nothing else.
func (a *app) metricsAlone() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", a.meter.Handler())
	return access.Guard("", mux)
}
