package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// kills kills a conversion at random points of its time, lets it go on, and compares.
func (o options) kills(ctx context.Context) error {
	if o.kill == 0 {
		return nil
	}
	dir := o.folder(o.kill)
	e, err := write(dir, o.shipped, o.kill, o.seed)
	if err != nil {
		return err
	}
	whole := filepath.Join(dir, "whole")
	t, err := o.convert(ctx, e, whole, twoCores)
	if err != nil {
		return err
	}
	fmt.Fprint(o.w, head, t.line("convert", o.kill, twoCores))
	r := rand.New(rand.NewPCG(o.seed, 9))
	each := o.fresh
	if o.chain {
		each = o.chained
	}
	points, files, err := each(ctx, e, dir, whole, t.clock, r)
	if err != nil {
		return err
	}
	fmt.Fprintf(o.w, "  killed at %d points and resumed: %d files compared, all equal\n", points, files)
	return os.RemoveAll(dir)
}

// fresh kills a fresh run at each point.
func (o options) fresh(ctx context.Context, e export, dir, whole string, time1 time.Duration, r *rand.Rand) (points, files int, err error) {
	for points < o.points {
		out := filepath.Join(dir, "killed")
		if err := os.RemoveAll(out); err != nil {
			return points, files, err
		}
		after := time.Duration(r.Float64() * float64(time1))
		dead, err := o.killed(ctx, e, out, after)
		if err != nil {
			return points, files, err
		}
		if !dead {
			time1 = after // it took less than was thought
			continue
		}
		points++
		left := stage(out)
		n, err := o.goesOn(ctx, e, out, whole)
		if err != nil {
			return points, files, fmt.Errorf("killed after %s: %w", after, err)
		}
		files += n
		fmt.Fprintf(o.w, "  killed after %.1f s, %s: equal\n", after.Seconds(), left)
	}
	return points, files, nil
}

// chained kills one run at all points, one after another.
func (o options) chained(ctx context.Context, e export, dir, whole string, clock time.Duration, r *rand.Rand) (points, files int, err error) {
	out := filepath.Join(dir, "killed")
	for points < o.points {
		after := time.Duration((0.5 + r.Float64()) * float64(clock) / float64(o.points))
		dead, err := o.killed(ctx, e, out, after)
		if err != nil {
			return points, files, err
		}
		if !dead {
			break
		}
		points++
		fmt.Fprintf(o.w, "  killed after %.1f s more, %s\n", after.Seconds(), stage(out))
	}
	files, err = o.goesOn(ctx, e, out, whole)
	return points, files, err
}

// stage says how far a killed run was.
func stage(out string) string {
	packed, working, err := sizeOf(out)
	switch {
	case err != nil:
		return "before its folder"
	case packed == 0:
		return fmt.Sprintf("reading (working file %.1f MB)", float64(working)/1e6)
	}
	if _, err := os.Stat(filepath.Join(out, "manifest.json")); err == nil {
		return "with its manifest"
	}
	return fmt.Sprintf("folding (%.1f MB of resources)", float64(packed)/1e6)
}

// goesOn lets a run go on, and compares its files but the working one with those of an
// unbroken run; it gives how many they are.
func (o options) goesOn(ctx context.Context, e export, out, whole string) (int, error) {
	if _, err := timed(ctx, twoCores, o.conversion(e, out, true), ""); err != nil {
		return 0, err
	}
	want, err := names(whole)
	if err != nil {
		return 0, err
	}
	got, err := names(out)
	if err != nil {
		return 0, err
	}
	if strings.Join(want, " ") != strings.Join(got, " ") {
		return 0, fmt.Errorf("files %s, wanted %s", got, want)
	}
	for _, name := range want {
		if err := same(filepath.Join(whole, name), filepath.Join(out, name)); err != nil {
			return 0, err
		}
	}
	return len(want), nil
}

// names are the files of a run but the working one.
func names(out string) (all []string, err error) {
	entries, err := os.ReadDir(out)
	for _, d := range entries {
		if !strings.HasPrefix(d.Name(), "working") {
			all = append(all, d.Name())
		}
	}
	return all, err
}

// same compares two files byte for byte.
func same(a, b string) error {
	x, err := os.Open(a)
	if err != nil {
		return err
	}
	defer func() { _ = x.Close() }()
	y, err := os.Open(b)
	if err != nil {
		return err
	}
	defer func() { _ = y.Close() }()
	left, right := make([]byte, 1<<16), make([]byte, 1<<16)
	for {
		n, err1 := io.ReadFull(x, left)
		m, err2 := io.ReadFull(y, right)
		if !bytes.Equal(left[:n], right[:m]) {
			return fmt.Errorf("%s differs", filepath.Base(a))
		}
		if err1 != nil || err2 != nil {
			return errors.Join(unexpected(err1), unexpected(err2))
		}
	}
}

// unexpected leaves out that a file ended.
func unexpected(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return nil
	}
	return err
}

// publishedIn is how many records a run published, by its manifest.
func publishedIn(out string) (int, error) {
	text, err := os.ReadFile(filepath.Join(out, "manifest.json"))
	var m struct {
		Summary struct {
			Outcomes map[string]int `json:"outcomes"`
		} `json:"extension"`
	}
	if err == nil {
		err = json.Unmarshal(text, &m)
	}
	return m.Summary.Outcomes["provenance"], err
}
