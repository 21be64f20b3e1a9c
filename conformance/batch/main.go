package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	_ "time/tzdata"

	"nailbridge/conformance/running"
)

func main() { running.Main("batch", run) }

// options are what is measured.
type options struct {
	dir, binary, shipped         string
	rows                         []int
	parallel, back, kill, points int
	chain                        bool
	seed                         uint64
	w                            io.Writer
}

func parse(args []string) (o options, err error) {
	flags := flag.NewFlagSet("batch", flag.ContinueOnError)
	flags.StringVar(&o.dir, "dir", "", "folder for exports and output, which is emptied of them; required")
	flags.StringVar(&o.binary, "binary", "", "the bridge to run; built when it is not given")
	flags.StringVar(&o.shipped, "shipped", "testdata/old", "folder of the shipped exports")
	rows := flags.String("rows", "", "numbers of rows to convert on two cores")
	flags.IntVar(&o.parallel, "parallel", 0, "rows to convert on one core and on two, and to fold and check alone")
	flags.IntVar(&o.back, "back", 0, "rows to convert and take back, all at once")
	flags.IntVar(&o.kill, "kill", 0, "rows of the conversion that is killed")
	flags.IntVar(&o.points, "points", 20, "how often it is killed")
	flags.BoolVar(&o.chain, "chain", false, "kill one run again and again, not a fresh one at each point")
	flags.Uint64Var(&o.seed, "seed", 1, "seed of the rows and of the points")
	if err := flags.Parse(args); err != nil {
		return o, err
	}
	for text := range strings.SplitSeq(*rows, ",") {
		n, err := strconv.Atoi(text)
		if text != "" && (err != nil || n < 1) {
			return o, fmt.Errorf("--rows: %q is no number of rows", text)
		}
		if text != "" {
			o.rows = append(o.rows, n)
		}
	}
	if o.dir == "" {
		return o, errors.New("--dir names the folder to work in")
	}
	o.dir, err = filepath.Abs(o.dir)
	return o, err
}

func run(ctx context.Context, args []string, w io.Writer) error {
	o, err := parse(args)
	if err != nil {
		return err
	}
	o.w = w
	if err := os.MkdirAll(o.dir, 0o700); err != nil {
		return err
	}
	var done func()
	if o.binary, done, err = running.Binary(ctx, o.binary); err != nil {
		return err
	}
	defer done()
	fmt.Fprintln(w, running.Machine(ctx))
	for _, step := range []func(context.Context) error{o.sizes, o.cores, o.wayBack, o.kills} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}
