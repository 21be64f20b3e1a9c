package main

import (
	"context"
	"math/rand/v2"
	"os"
	"slices"
	"time"

	"nailbridge/conformance/running"
	"nailbridge/internal/store"
)

// savesSender numbers the cases of saves apart from those of the fill.
const savesSender = 50

// saves are what saves took, each sorted.
type saves struct {
	took   []time.Duration // from bytes to a durable commit
	synced []time.Duration // as many bytes appended to a file beside the store, and synced
	all    time.Duration
}

// taken is how many records the intake took before.
func (p *place) taken(ctx context.Context) (n int, err error) {
	err = p.db.View(ctx, func(r store.Reader) error {
		n, _, err = r.Arrived(p.settings.Clinic.ID)
		return err
	})
	return n, err
}

// save lets the intake take so many records, one after another.
func (p *place) save(ctx context.Context, n int) (s saves, err error) {
	before, err := p.taken(ctx)
	if err != nil {
		return s, err
	}
	f, err := os.CreateTemp(p.dir, "synced-")
	if err != nil {
		return s, err
	}
	defer func() { _ = f.Close(); _ = os.Remove(f.Name()) }()
	v := p.receiver(time.Now)
	recs := running.Records{Sender: savesSender, Zone: p.settings.Clinic.Zone, Random: func(number int) *rand.Rand { return running.CaseOf(seed, number) }}
	for i := range before + n {
		body, err := recs.Next()
		if err != nil {
			return s, err
		}
		recs.Sent()
		if i < before { // by an earlier run
			continue
		}
		began := time.Now()
		if _, err := v.Receive(ctx, body, false); err != nil {
			return s, err
		}
		s.took = append(s.took, time.Since(began))
		s.all += time.Since(began)
		began = time.Now()
		if _, err := f.Write(body); err != nil {
			return s, err
		}
		if err := f.Sync(); err != nil {
			return s, err
		}
		s.synced = append(s.synced, time.Since(began))
	}
	slices.Sort(s.took)
	slices.Sort(s.synced)
	return s, nil
}
