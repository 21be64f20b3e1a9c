package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/sync/errgroup"

	"nailbridge/conformance/running"
	"nailbridge/internal/generate"
	"nailbridge/mapping/record"
)

// fillers is how many senders fill a store.
const fillers = 8

// filled gives a bridge on a store in dir with so many generated cases, of each the
// surgery; one that was filled before is used again.
func filled(ctx context.Context, w io.Writer, binary, dir string, cases int, l load) (*running.Bridge, error) {
	b, before, err := running.Kept(binary, dir)
	switch {
	case err != nil:
		return nil, err
	case before:
		fmt.Fprintln(w, "a store filled before")
		return b, nil
	}
	if err := b.Start(ctx); err != nil {
		return nil, err
	}
	began := time.Now()
	if err := fill(ctx, b, cases, l); err != nil {
		return nil, errors.Join(err, b.Stop())
	}
	fmt.Fprintf(w, "%d cases, filled in %s\n", cases, time.Since(began).Round(time.Second))
	return b, errors.Join(b.Stop(), b.Keep())
}

// measureStarts starts a bridge on a filled store again and again: each time from
// exec to the first ready.
func measureStarts(ctx context.Context, w io.Writer, binary, dir string, starts, cases int, l load) error {
	b, err := filled(ctx, w, binary, dir, cases, l)
	if err != nil {
		return err
	}
	took, err := running.Starts(ctx, b, starts)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "%d starts from exec to both doors open: median %s, fastest %s, slowest %s\n", starts,
		running.Quantile(took, .5).Round(time.Millisecond), took[0].Round(time.Millisecond), took[len(took)-1].Round(time.Millisecond))
	return err
}

// fill sends the first record of each case.
func fill(ctx context.Context, b *running.Bridge, cases int, l load) error {
	door := b.HTTP(fillers)
	defer door.Close()
	bar := progressbar.NewOptions(cases, progressbar.OptionSetWriter(os.Stderr), progressbar.OptionSetDescription("cases"),
		progressbar.OptionThrottle(time.Second), progressbar.OptionShowCount())
	g, sending := errgroup.WithContext(ctx)
	g.SetLimit(fillers)
	for n := range cases {
		if ctx.Err() != nil {
			break
		}
		g.Go(func() error {
			text, err := record.Encode(generate.Case(running.CaseOf(l.Seed, n), generate.Options{Clinic: running.Clinic, Zone: l.Zone, Number: n})[0])
			if err != nil {
				return err
			}
			if _, err := door.Send(sending, text, func() {}); err != nil {
				return err
			}
			return bar.Add(1)
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	return ctx.Err()
}
