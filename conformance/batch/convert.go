package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"nailbridge/conformance/running"
)

const (
	oneCore  = "0"
	twoCores = "0,1"
)

// took is what a process took.
type took struct {
	clock, cpu time.Duration
	peak       int64 // bytes resident
}

// table begins and lines go on a table whose columns are as wide as their heads.
const head = "what\trows\tcores\tclock s\tCPU s\trows a second\tCPU ms a row\tpeak MB\n"

func (t took) line(what string, rows int, cores string) string {
	return fmt.Sprintf("%s\t%d\t%d\t%.1f\t%.1f\t%.0f\t%.2f\t%.0f\n", what, rows, len(strings.Split(cores, ",")), t.clock.Seconds(), t.cpu.Seconds(),
		float64(rows)/t.clock.Seconds(), t.cpu.Seconds()*1e3/float64(rows), float64(t.peak)/1e6)
}

// conversion is the command that converts an export into a folder.
func (o options) conversion(e export, out string, packed bool) []string {
	args := append([]string{o.binary, "from-old"}, e.files()...)
	args = append(args, "--layout", e.layout, "--config", e.settings, "--out", out,
		"--sharing", "agreed", "--basis", "invented", "--as-of", asOf.Format(time.DateOnly), "--follow-since", "never", "--demo-ids")
	if packed {
		args = append(args, "--gzip")
	}
	return args
}

// finished tells an end of a conversion that is whole: 1 says that rows wait for a person.
func finished(err error) error {
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.ExitCode() == 1 {
		return nil
	}
	return err
}

// timed runs a command on some cores to its end, and watches its memory.
func timed(ctx context.Context, cores string, args []string, stdout string) (took, error) {
	cmd := exec.CommandContext(ctx, "taskset", append([]string{"-c", cores}, args...)...)
	said := &strings.Builder{}
	cmd.Stderr = said
	if stdout != "" {
		f, err := os.Create(stdout)
		if err != nil {
			return took{}, err
		}
		defer func() { _ = f.Close() }()
		cmd.Stdout = f
	}
	began := time.Now()
	if err := cmd.Start(); err != nil {
		return took{}, err
	}
	end := make(chan error, 1)
	go func() { end <- cmd.Wait() }()
	var t took
	for {
		select {
		case err := <-end:
			t.clock, t.cpu = time.Since(began), cmd.ProcessState.UserTime()+cmd.ProcessState.SystemTime()
			if err = finished(err); err != nil {
				err = fmt.Errorf("%s: %w: %s", args[1], err, said)
			}
			return t, err
		case <-time.After(20 * time.Millisecond):
			if peak, err := running.Peak(cmd.Process.Pid); err == nil {
				t.peak = peak
			}
		}
	}
}

// sizes converts each size on two cores.
func (o options) sizes(ctx context.Context) error {
	var first took
	for i, n := range o.rows {
		e, err := write(o.folder(n), o.shipped, n, o.seed)
		if err != nil {
			return err
		}
		out := filepath.Join(o.folder(n), "out")
		t, err := o.convert(ctx, e, out, twoCores)
		if err != nil {
			return err
		}
		if i == 0 {
			first = t
			fmt.Fprint(o.w, head)
		}
		packed, working, err := sizeOf(out)
		if err != nil {
			return err
		}
		fmt.Fprint(o.w, t.line("convert", n, twoCores))
		fmt.Fprintf(o.w, "  files of resources %.1f MB, working file %.1f MB; peak memory to the first size %.2f\n",
			float64(packed)/1e6, float64(working)/1e6, float64(t.peak)/float64(first.peak))
		if err := os.RemoveAll(o.folder(n)); err != nil {
			return err
		}
	}
	return nil
}

func (o options) folder(n int) string { return filepath.Join(o.dir, "export-"+strconv.Itoa(n)) }

// convert converts an export, packed, into a folder that it makes anew.
func (o options) convert(ctx context.Context, e export, out, cores string) (took, error) {
	if err := os.RemoveAll(out); err != nil {
		return took{}, err
	}
	return timed(ctx, cores, o.conversion(e, out, true), "")
}

// sizeOf is how much a run wrote: files of resources, and the working file.
func sizeOf(out string) (packed, working int64, err error) {
	err = filepath.WalkDir(out, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		switch {
		case err != nil:
			return err
		case strings.HasPrefix(d.Name(), "working"):
			working += info.Size()
		case strings.Contains(d.Name(), ".ndjson"):
			packed += info.Size()
		}
		return nil
	})
	return packed, working, err
}

// cores converts one export on one core and on two, and folds and checks its records
// alone.
func (o options) cores(ctx context.Context) error {
	if o.parallel == 0 {
		return nil
	}
	e, err := write(o.folder(o.parallel), o.shipped, o.parallel, o.seed)
	if err != nil {
		return err
	}
	out := filepath.Join(o.folder(o.parallel), "out")
	one, err := o.convert(ctx, e, out, oneCore)
	if err != nil {
		return err
	}
	two, err := o.convert(ctx, e, out, twoCores)
	if err != nil {
		return err
	}
	records, alone, err := foldAlone(e, out)
	if err != nil {
		return err
	}
	fmt.Fprint(o.w, head, one.line("convert", o.parallel, oneCore), two.line("convert", o.parallel, twoCores), alone.line("fold and check alone", records, oneCore))
	fmt.Fprintf(o.w, "  parallel efficiency %.0f %% by the clock; CPU of two cores to one %.2f; conversion to fold and check alone, by CPU a row, %.2f\n",
		50*one.clock.Seconds()/two.clock.Seconds(), two.cpu.Seconds()/one.cpu.Seconds(),
		one.cpu.Seconds()/float64(o.parallel)/(alone.cpu.Seconds()/float64(records)))
	return os.RemoveAll(o.folder(o.parallel))
}

// wayBack converts an export and takes it back, and holds the number of records to that of
// what was published.
func (o options) wayBack(ctx context.Context) error {
	if o.back == 0 {
		return nil
	}
	dir := filepath.Join(o.dir, "back")
	e, err := write(dir, o.shipped, o.back, o.seed)
	if err != nil {
		return err
	}
	out, back := filepath.Join(dir, "out"), filepath.Join(dir, "back.ndjson")
	if _, err := o.convert(ctx, e, out, twoCores); err != nil {
		return err
	}
	t, err := timed(ctx, twoCores, []string{o.binary, "to-records", "--scratch", dir, out}, back)
	if err != nil {
		return err
	}
	records, err := lines(back)
	if err != nil {
		return err
	}
	published, err := publishedIn(out)
	if err == nil && records != published {
		err = fmt.Errorf("%d records came back of %d", records, published)
	}
	if err != nil {
		return err
	}
	fmt.Fprint(o.w, head, t.line("way back", o.back, twoCores))
	fmt.Fprintf(o.w, "  %d records came back, as many as were published; all rows at once, peak memory %.0f MB\n", records, float64(t.peak)/1e6)
	return os.RemoveAll(dir)
}

// killed runs a conversion and kills it after a time; false: it ended before.
func (o options) killed(ctx context.Context, e export, out string, after time.Duration) (bool, error) {
	args := o.conversion(e, out, true)
	cmd := exec.CommandContext(ctx, args[0], args[1:]...)
	if err := cmd.Start(); err != nil {
		return false, err
	}
	end := make(chan error, 1)
	go func() { end <- cmd.Wait() }()
	select {
	case err := <-end:
		return false, finished(err)
	case <-time.After(after):
	}
	if err := cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return false, err
	}
	<-end
	status, ok := cmd.ProcessState.Sys().(syscall.WaitStatus)
	return ok && status.Signaled(), nil
}

// lines counts the lines of a file.
func lines(path string) (n int, err error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	for in := bufio.NewReader(f); err == nil; {
		_, err = in.ReadSlice('\n')
		switch {
		case err == nil:
			n++
		case errors.Is(err, bufio.ErrBufferFull):
			err = nil
		}
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return n, errors.Join(err, f.Close())
}
