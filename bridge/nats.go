package main

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"nailbridge/internal/access"
	"nailbridge/internal/events"
)

// natsFlags say whether and where the second door is open. It is closed unless
// one of the first two is given.
type natsFlags struct {
	URL         string        `name:"nats" xor:"nats" placeholder:"URL" help:"Take records from, and announce changes on, this NATS server with JetStream."`
	Listen      string        `name:"nats-listen" xor:"nats" placeholder:"ADDRESS" help:"Run a NATS server in the data folder on this address and port, such as 127.0.0.1:4270: loopback, but with keys and a certificate any."`
	KeepRecords time.Duration `name:"nats-keep-records" default:"720h" help:"How long records are kept in their stream."`
	KeepAnswers time.Duration `name:"nats-keep-answers" default:"720h" help:"How long answers wait to be read."`
	KeepChanges time.Duration `name:"nats-keep-changes" default:"720h" help:"How long announced changes wait to be read."`
}

// check refuses a server that strangers could reach, before anything is made. A
// proxy that ends TLS stands before HTTP alone.
func (f natsFlags) check(a accessFlags) error {
	open := f.URL != "" || f.Listen != ""
	if least := min(f.KeepRecords, f.KeepAnswers, f.KeepChanges); open && least < leastKept {
		return fmt.Errorf("--nats-keep-...: %s is too short; messages stay for %s at least", least, leastKept)
	}
	if f.Listen == "" || a.Keys != "" && a.TLSCert != "" {
		return nil
	}
	if err := access.Loopback(f.Listen); err != nil {
		return fmt.Errorf("--nats-listen: %w: --keys, --tls-cert and --tls-key", err)
	}
	return nil
}

// natsStop is how long the door may take to finish what is under way.
const natsStop = 20 * time.Second

// leastKept is the shortest time that messages may stay in a stream: a sender
// must have time to read its answer.
const leastKept = time.Minute

// startNATS opens the second door, if it is to be open, and gives what closes
// it. A server elsewhere that can not be reached is no failure: the other door
// stays open and this one opens when it can.
func (a *app) startNATS() (stop func(), err error) {
	f := a.nats
	if f.URL == "" && f.Listen == "" {
		return func() {}, nil
	}
	s, err := events.Start(events.Options{
		URL: f.URL, Dir: a.dir, Listen: f.Listen, Keys: a.keys, TLS: a.certified,
		Clinics: a.clinics.atNATS(), Store: a.outbox, Meter: a.meter, Log: a.log, Hold: a.folding.Load,
		Keep: events.Keep{Records: f.KeepRecords, Answers: f.KeepAnswers, Changes: f.KeepChanges},
	})
	if err != nil {
		return nil, err
	}
	a.events.Store(s)
	a.meter.Gauge("nats_up", "1 while the NATS door and the relay of changes work, else 0.", func() float64 {
		if s.Health() != nil {
			return 0
		}
		return 1
	})
	a.meter.Gauge("outbox_relayed_sequence", "Number of the last event that this process relayed from the outbox, added up over clinics.", func() float64 {
		return float64(s.Relayed())
	})
	if url := s.ClientURL(); url != "" {
		a.log.Info("listening", "nats", url)
	}
	return func() {
		ctx, cancel := context.WithTimeout(context.Background(), natsStop)
		defer cancel()
		s.Stop(ctx)
	}, nil
}

// natsHealth says whether the second door works. It does not count for
// readiness: the first works without it. With keys it says no more, since
// anybody may ask.
func (a *app) natsHealth(w http.ResponseWriter, _ *http.Request) {
	s := a.events.Load()
	if s == nil {
		plain(w, http.StatusNotFound, "NATS is not configured")
		return
	}
	if err := s.Health(); err != nil && a.keys != nil {
		plain(w, http.StatusServiceUnavailable, "not working")
		return
	} else if err != nil {
		plain(w, http.StatusServiceUnavailable, err.Error())
		return
	}
	plain(w, http.StatusOK, "ok")
}
