package main

import (
	"context"
	"fmt"
	"os"
	"runtime"
	"strconv"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/sync/errgroup"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/resource"
)

// batch is how many cases one transaction of the fill writes.
const batch = 2000

// ready is a resource about to be put, checked and with its index rows.
type ready struct {
	owner   store.Owner
	caseID  string
	checked validate.Checked
	rows    []searchparam.Row
}

// fill puts what is missing of the plans, batch by batch: the next is made ready
// while one is written.
func (p *place) fill(ctx context.Context) error {
	from, err := p.filled(ctx)
	if err != nil || from >= p.plans {
		return err
	}
	bar := progressbar.NewOptions(p.plans, progressbar.OptionSetWriter(os.Stderr), progressbar.OptionSetDescription("plans"),
		progressbar.OptionThrottle(5*time.Second), progressbar.OptionShowCount())
	batches := make(chan []ready, 1)
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		defer close(batches)
		for at := from; at < p.plans; at += batch {
			rs, err := p.ready(at, min(at+batch, p.plans))
			if err != nil {
				return err
			}
			select {
			case batches <- rs:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	g.Go(func() error {
		done := from
		for rs := range batches {
			done += len(rs) / len(types)
			if err := p.put(ctx, rs, done); err != nil {
				return err
			}
			if err := bar.Set(done); err != nil {
				return err
			}
		}
		return nil
	})
	return g.Wait()
}

// ready makes the cases of a range ready, on every core.
func (p *place) ready(from, to int) ([]ready, error) {
	out := make([]ready, (to-from)*len(types))
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for n := from; n < to; n++ {
		g.Go(func() error { return p.readyCase(n, out[(n-from)*len(types):]) })
	}
	return out, g.Wait()
}

// readyCase makes one case ready, into the beginning of out.
func (p *place) readyCase(n int, out []ready) error {
	f, err := p.made[n%len(p.made)].fill(n, p.plans)
	if err != nil {
		return err
	}
	stored := func(resource.Ref) bool { return true } // what else they refer to is not
	checked, issues := validate.Check(f.resources, stored, p.settings.Terms, p.settings.Codes)
	if len(issues) > 0 {
		return fmt.Errorf("case %d: %s at %s: %s", n, issues[0].Key, issues[0].Path, issues[0].Text)
	}
	index := p.index()
	for i, c := range checked {
		rows, err := index.Rows(c.Resource())
		if err != nil {
			return err
		}
		out[i] = ready{store.Owner{Clinic: p.settings.Clinic.ID, Patient: mapping.PatientKey(f.patient)}, f.surgery, c, rows}
		if c.Resource().Type() == "Patient" {
			out[i].caseID = "" // folded per patient
		}
	}
	return nil
}

// put writes a batch, and how many plans there are then.
func (p *place) put(ctx context.Context, rs []ready, done int) error {
	return p.db.Update(ctx, func(w store.Writer) error {
		if _, err := w.Stamp(time.Now()); err != nil {
			return err
		}
		for _, r := range rs {
			if _, err := w.Put(r.owner, r.caseID, r.checked, r.rows); err != nil {
				return err
			}
		}
		return w.SetMark(p.settings.Clinic.ID, filledMark, strconv.Itoa(done))
	})
}
