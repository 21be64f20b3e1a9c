package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/url"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"nailbridge/conformance/running"
)

// answerTime is how long a sender waits for one answer before it is taken to be
// lost. The doors take turns at one writer, and that of NATS takes one record a
// turn: on a busy machine the last of 64 waits for minutes.
const answerTime = 10 * time.Minute

// pollPause lies between two walks of a poller: hubs ask at intervals.
const pollPause = 500 * time.Millisecond

// load says what to drive a bridge with.
type load struct {
	HTTP, NATS int // senders by each door
	Pollers    int
	For        time.Duration
	Every      time.Duration // between two readings of what the bridge holds
	Seed       uint64
	Zone       *time.Location
}

// report is what became of it.
type report struct {
	HTTP, NATS []time.Duration // from first sending to promise, sorted
	Busy       int             // 503s
	Entries    int             // resources that pollers read
	Usage      []usage         // in order of time
	Took       time.Duration
}

// driver drives one bridge.
type driver struct {
	load
	s  *running.Bridge
	mu sync.Mutex
	r  report
}

// drive lets senders and pollers at a bridge until the time is up.
func drive(ctx context.Context, s *running.Bridge, l load) (report, error) {
	d := &driver{load: l, s: s}
	nats, err := s.OpenNATS()
	if err != nil {
		return report{}, err
	}
	defer nats.Close()
	web := s.HTTP(l.HTTP)
	defer web.Close()

	began := time.Now()
	until, cancel := context.WithDeadline(ctx, began.Add(l.For))
	defer cancel()
	g, until := errgroup.WithContext(until)
	for i := range l.HTTP {
		g.Go(func() error { return d.sender(until, web, i, &d.r.HTTP) })
	}
	for i := range l.NATS {
		g.Go(func() error { return d.sender(until, nats, l.HTTP+i, &d.r.NATS) })
	}
	for range l.Pollers {
		g.Go(func() error { return d.poller(until) })
	}
	g.Go(func() error { return d.watch(until) })
	err = g.Wait()
	d.r.Took = time.Since(began)
	slices.Sort(d.r.HTTP)
	slices.Sort(d.r.NATS)
	return d.r, err
}

// sender sends records until the time is up, and then waits for the last one's
// answer: what was begun is promised.
func (d *driver) sender(until context.Context, to running.Door, n int, took *[]time.Duration) error {
	recs := running.Records{Sender: n, Zone: d.Zone, Random: func(number int) *rand.Rand { return running.CaseOf(d.Seed, number) }}
	busy := func() {
		d.mu.Lock()
		d.r.Busy++
		d.mu.Unlock()
	}
	for until.Err() == nil {
		rec, err := recs.Next()
		if err != nil {
			return err
		}
		ctx, cancel := context.WithTimeout(context.WithoutCancel(until), answerTime)
		began := time.Now()
		_, err = to.Send(ctx, rec, busy)
		recs.Sent()
		cancel()
		if err != nil {
			return fmt.Errorf("sender %d by %s: %w", n, to.Name(), err)
		}
		d.mu.Lock()
		*took = append(*took, time.Since(began))
		d.mu.Unlock()
	}
	return nil
}

// poller walks what changed since its last walk began, as a hub does.
func (d *driver) poller(until context.Context) error {
	since := time.Now().Add(-time.Minute)
	for until.Err() == nil {
		began := time.Now()
		next := d.s.Base + "/fhir/CarePlan?_count=50&_lastUpdated=" + url.QueryEscape("ge"+since.UTC().Format(time.RFC3339))
		for next != "" && until.Err() == nil {
			page, err := running.ReadPage(until, next)
			switch {
			case until.Err() != nil:
				return nil
			case err != nil:
				return err
			}
			d.mu.Lock()
			d.r.Entries += len(page.Resources)
			d.mu.Unlock()
			next = page.Next
		}
		since = began.Add(-time.Second)
		select {
		case <-until.Done():
		case <-time.After(pollPause):
		}
	}
	return nil
}

// watch reads what the bridge holds until the time is up.
func (d *driver) watch(until context.Context) error {
	for until.Err() == nil {
		u, err := usageOf(d.s.PID())
		if err != nil {
			return err
		}
		d.r.Usage = append(d.r.Usage, u)
		select {
		case <-until.Done():
		case <-time.After(d.Every):
		}
	}
	return nil
}
