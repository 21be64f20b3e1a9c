package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	_ "time/tzdata"

	"nailbridge/conformance/running"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, os.Args[1:], os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "batch:", err)
		os.Exit(1)
	}
}

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
	flags.IntVar(&o.back, "back", 0, "rows to take back, 5,000 at a time")
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
	if o.binary == "" {
		if o.binary, err = running.Build(ctx, o.dir); err != nil {
			return err
		}
	}
	commit, err := exec.CommandContext(ctx, "git", "describe", "--always", "--dirty", "--abbrev=12").Output()
	if err != nil {
		commit = []byte("unknown")
	}
	fmt.Fprintf(w, "commit %s, %d cores, %s/%s, %s\n", strings.TrimSpace(string(commit)), runtime.NumCPU(), runtime.GOOS, runtime.GOARCH, runtime.Version())
	for _, step := range []func(context.Context) error{o.sizes, o.cores, o.wayBack, o.kills} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}
