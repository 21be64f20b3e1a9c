package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
	_ "time/tzdata"

	"nailbridge/conformance/running"
)

func main() { running.Main("sizes", run) }

// options are what is made and measured.
type options struct {
	plans                   []int
	store, binary           string
	requests, saves, starts int
}

func parse(args []string) (o options, err error) {
	flags := flag.NewFlagSet("sizes", flag.ContinueOnError)
	plans := flags.String("plans", "1000", "care plans of each store, the least first")
	flags.StringVar(&o.store, "store", "", "folder of the stores, which are left; required")
	flags.StringVar(&o.binary, "binary", "", "the bridge to start; built when it is not given")
	flags.IntVar(&o.requests, "requests", 2000, "requests of each question; 0: none, the store is only made")
	flags.IntVar(&o.saves, "saves", 2000, "records that the intake takes on each store before the requests")
	flags.IntVar(&o.starts, "starts", 20, "starts on each store")
	if err := flags.Parse(args); err != nil {
		return o, err
	}
	for _, text := range strings.Split(*plans, ",") {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || len(o.plans) > 0 && n <= o.plans[len(o.plans)-1] {
			return o, fmt.Errorf("--plans: %q is no number of plans above the one before", text)
		}
		o.plans = append(o.plans, n)
	}
	if o.store == "" {
		return o, errors.New("--store names the folder of the stores")
	}
	o.store, err = filepath.Abs(o.store)
	return o, err
}

// run makes the stores that are not there, measures each, and prints what it found.
func run(ctx context.Context, args []string, w io.Writer) (err error) {
	o, err := parse(args)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(o.store, 0o700); err != nil {
		return err
	}
	var done func()
	if o.binary, done, err = running.Binary(ctx, o.binary); err != nil {
		return err
	}
	defer done()
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, running.Machine(ctx))
	places, err := o.places(ctx, w)
	defer func() {
		for _, p := range places {
			err = errors.Join(err, p.db.Close())
		}
	}()
	if err != nil {
		return err
	}
	if err := o.intake(ctx, t, places); err != nil {
		return err
	}
	if err := o.ask(ctx, t, places); err != nil {
		return err
	}
	return o.start(ctx, w, places)
}

// places opens each store and fills it; what was opened is given beside an error
// too.
func (o options) places(ctx context.Context, w io.Writer) (out []*place, err error) {
	for _, n := range o.plans {
		p, err := open(ctx, o.binary, o.store, n)
		if err != nil {
			return out, err
		}
		out = append(out, p)
		began := time.Now()
		if err := p.fill(ctx); err != nil {
			return out, err
		}
		took := time.Since(began)
		taken, err := p.taken(ctx)
		if err != nil {
			return out, err
		}
		size, err := p.settled(ctx)
		if err != nil {
			return out, err
		}
		fmt.Fprintf(w, "%d plans: %.1f kB a plan on disk, with its patient and its procedure, and %d records taken (%d MB); filled in %s\n",
			n, float64(size)/1e3/float64(n), taken, size/1e6, took.Round(time.Second))
	}
	return out, nil
}

// intake lets each store take saves.
func (o options) intake(ctx context.Context, t *tabwriter.Writer, places []*place) error {
	if o.saves == 0 {
		return nil
	}
	fmt.Fprint(t, "\nsaves\tplans\ta second\tp50 ms\tp99 ms\tsynced p50 ms\tp99 ms\t\n")
	for _, p := range places {
		s, err := p.save(ctx, o.saves)
		if err != nil {
			return err
		}
		fmt.Fprintf(t, "%d\t%d\t%.1f\t%s\t%s\t%s\t%s\t\n", len(s.took), p.plans, float64(len(s.took))/s.all.Seconds(),
			ms(s.took, .5), ms(s.took, .99), ms(s.synced, .5), ms(s.synced, .99))
	}
	return t.Flush()
}

// ask asks each question of each store. The last column is the median beside that
// of the least store.
func (o options) ask(ctx context.Context, t *tabwriter.Writer, places []*place) (err error) {
	if o.requests == 0 {
		return nil
	}
	var stores []*asker
	defer func() {
		for _, a := range stores {
			err = errors.Join(err, a.end())
		}
	}()
	for _, p := range places {
		a, err := p.asker(ctx)
		if err != nil {
			return err
		}
		stores = append(stores, a)
	}
	fmt.Fprint(t, "\nquestion\tplans\tp50 ms\tp99 ms\tbare p50 ms\tp99 ms\tratio\tbytes\tto the least\t\n")
	for _, q := range questions {
		found, err := measure(ctx, stores, q, o.requests)
		if err != nil {
			return err
		}
		for i, f := range found {
			p50, bare, least := running.Quantile(f.handler, .5), running.Quantile(f.bare, .5), running.Quantile(found[0].handler, .5)
			fmt.Fprintf(t, "%s\t%d\t%s\t%s\t%s\t%s\t%.1f\t%d\t%.2f\t\n", q.name, stores[i].plans, ms(f.handler, .5), ms(f.handler, .99),
				ms(f.bare, .5), ms(f.bare, .99), float64(p50)/float64(bare), f.bytes, float64(p50)/float64(least))
		}
	}
	return t.Flush()
}

// start starts the bridge on each store, which is closed for it, and beside each
// start runs the shortest command of the same binary.
func (o options) start(ctx context.Context, w io.Writer, places []*place) error {
	for _, p := range places {
		if o.starts == 0 {
			return nil
		}
		if err := p.db.Close(); err != nil {
			return err
		}
		took, empty, err := o.starting(ctx, p)
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "\n%d starts on %d plans, from exec to both doors open: median %s ms, fastest %s, slowest %s; of a command that does nothing: median %s ms, fastest %s\n",
			o.starts, p.plans, ms(took, .5), ms(took, 0), ms(took, 1), ms(empty, .5), ms(empty, 0))
	}
	return nil
}

// starting times starts, but for a first one, which relays to NATS the events of all
// saves that no bridge was there for.
func (o options) starting(ctx context.Context, p *place) (took, empty []time.Duration, err error) {
	if _, err := running.Starts(ctx, p.bridge, 1); err != nil {
		return nil, nil, err
	}
	for range o.starts {
		one, err := running.Starts(ctx, p.bridge, 1)
		if err != nil {
			return nil, nil, err
		}
		took = append(took, one...)
		began := time.Now()
		if err := exec.CommandContext(ctx, o.binary, "version").Run(); err != nil {
			return nil, nil, err
		}
		empty = append(empty, time.Since(began))
	}
	slices.Sort(took)
	slices.Sort(empty)
	return took, empty, nil
}

// ms is a quantile of a sorted list in milliseconds.
func ms(sorted []time.Duration, q float64) string {
	return fmt.Sprintf("%.3f", float64(running.Quantile(sorted, q).Nanoseconds())/1e6)
}
