package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata"

	"nailbridge/conformance/running"
)

func main() { running.Main("load", run) }

// run drives a fresh bridge for each number of senders and each choice of doors,
// and prints a row of each.
func run(ctx context.Context, args []string, w io.Writer) (err error) {
	flags := flag.NewFlagSet("load", flag.ContinueOnError)
	senders := flags.String("senders", "1,8,64", "numbers of senders by each door, one run each")
	doors := flags.String("doors", "http,nats,both", "doors to drive, one run each: http, nats, both")
	duration := flags.Duration("for", time.Minute, "how long each run sends")
	seed := flags.Uint64("seed", 1, "seed of the invented records")
	starts := flags.Int("starts", 0, "instead: fill a store with --cases and start a bridge on it so often")
	cases := flags.Int("cases", 10_000, "cases of the store for --starts")
	kept := flags.String("store", "", "folder of the store for --starts, filled if it was not before, and left")
	given := flags.String("binary", "", "the bridge to drive; built when it is not given")
	if err := flags.Parse(args); err != nil {
		return err
	}
	loads, err := plan(*senders, *doors)
	if err != nil {
		return err
	}
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "nailbridge-load-")
	if err != nil {
		return err
	}
	made := dir
	defer func() { err = errors.Join(err, os.RemoveAll(made)) }()
	binary, done, err := running.Binary(ctx, *given)
	if err != nil {
		return err
	}
	defer done()
	if *starts > 0 {
		if *kept != "" {
			if err := os.MkdirAll(*kept, 0o700); err != nil {
				return err
			}
			dir = *kept
		}
		return measureStarts(ctx, w, binary, dir, *starts, *cases, load{Seed: *seed, Zone: zone})
	}
	fmt.Fprintln(w, line(columns))
	for _, l := range loads {
		l.Pollers, l.For, l.Every, l.Seed, l.Zone = 2, *duration, time.Second, *seed, zone
		r, err := once(ctx, binary, dir, l)
		if err != nil {
			return fmt.Errorf("%d senders by HTTP, %d by NATS: %w", l.HTTP, l.NATS, err)
		}
		if _, err := fmt.Fprintln(w, line(row(l, r))); err != nil {
			return err
		}
	}
	return nil
}

// plan lists the runs: each number of senders by each choice of doors.
func plan(senders, doors string) (out []load, err error) {
	for _, count := range strings.Split(senders, ",") {
		n, err := strconv.Atoi(count)
		if err != nil || n < 1 {
			return nil, fmt.Errorf("--senders: %q is no number of senders", count)
		}
		for _, which := range strings.Split(doors, ",") {
			var l load
			if l.HTTP, l.NATS, err = share(which, n); err != nil {
				return nil, err
			}
			out = append(out, l)
		}
	}
	return out, nil
}

// share gives the senders to the doors.
func share(doors string, n int) (http, nats int, err error) {
	switch doors {
	case "http":
		return n, 0, nil
	case "nats":
		return 0, n, nil
	case "both":
		return n, n, nil
	}
	return 0, 0, fmt.Errorf("--doors: %q is no door", doors)
}

// once drives one bridge on an empty store.
func once(ctx context.Context, binary, dir string, l load) (r report, err error) {
	work, err := os.MkdirTemp(dir, "run-")
	if err != nil {
		return r, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	s, err := running.New(binary, work)
	if err != nil {
		return r, err
	}
	if err := s.Start(ctx); err != nil {
		return r, err
	}
	defer func() { err = errors.Join(err, s.Stop()) }()
	return drive(ctx, s, l)
}

// columns of the table of runs.
var columns = []string{
	"by HTTP", "by NATS", "records", "per second", "p50 ms", "p99 ms", "max ms", "503", "polled", "resident MiB, first", "median", "max", "files, max",
}

// line is a row of the table, as wide as its head, so that each can be printed
// when its run ends.
func line(cells []string) string {
	var b strings.Builder
	for i, c := range cells {
		fmt.Fprintf(&b, "%*s", max(len(columns[i]), 8)+2, c)
	}
	return b.String()
}

// row tells of a run.
func row(l load, r report) []string {
	all := slices.Concat(r.HTTP, r.NATS)
	slices.Sort(all)
	resident := func(of func([]int64) int64) float64 { return float64(of(residents(r.Usage))) / (1 << 20) }
	ms := func(q float64) float64 { return float64(running.Quantile(all, q).Microseconds()) / 1000 }
	return strings.Fields(fmt.Sprintf("%d %d %d %.1f %.1f %.1f %.1f %d %d %.0f %.0f %.0f %d",
		l.HTTP, l.NATS, len(all), float64(len(all))/r.Took.Seconds(), ms(.5), ms(.99), ms(1), r.Busy, r.Entries,
		resident(func(b []int64) int64 { return b[0] }), resident(median), resident(slices.Max), mostFiles(r.Usage)))
}

func residents(us []usage) []int64 {
	out := make([]int64, len(us))
	for i, u := range us {
		out[i] = u.resident
	}
	return out
}

func mostFiles(us []usage) (n int) {
	for _, u := range us {
		n = max(n, u.files)
	}
	return n
}

func median(b []int64) int64 {
	b = slices.Sorted(slices.Values(b))
	return b[len(b)/2]
}
