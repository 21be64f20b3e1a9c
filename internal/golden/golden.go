// Package golden is a test aid: it compares what a test made with a file that
// a person has read, and rewrites the file when the test runs with -update.
package golden

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// Updating reports whether the test rewrites its goldens.
func Updating() bool { return *update }

// Equal compares got with the file, and names the first line that differs.
func Equal(t testing.TB, file string, got []byte) {
	t.Helper()
	if *update {
		if err := write(file, got); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("%v (run with -update to write it)", err)
	}
	if line, w, g := firstDifference(want, got); line > 0 {
		t.Errorf("%s:%d differs (run with -update and read the diff)\nwant %s\ngot  %s", file, line, w, g)
	}
}

func write(file string, b []byte) error {
	if old, err := os.ReadFile(file); err == nil && bytes.Equal(old, b) {
		return nil
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		return err
	}
	return os.WriteFile(file, b, 0o644)
}

// firstDifference gives the number of the first line that differs, from 1, and
// the two lines; 0 when nothing does.
func firstDifference(want, got []byte) (line int, w, g []byte) {
	if bytes.Equal(want, got) {
		return 0, nil, nil
	}
	a, b := bytes.Split(want, []byte("\n")), bytes.Split(got, []byte("\n"))
	n := min(len(a), len(b))
	for i := range n {
		if !bytes.Equal(a[i], b[i]) {
			return i + 1, a[i], b[i]
		}
	}
	a, b = append(a, []byte("(end of file)")), append(b, []byte("(end of file)"))
	return n + 1, a[n], b[n]
}

// NoOthers fails for each file in dir that is not among the used: a golden that
// no test reads says nothing. With -update it is removed.
func NoOthers(t testing.TB, dir string, used []string) {
	t.Helper()
	for _, file := range others(t, dir, used) {
		if *update {
			if err := os.Remove(file); err != nil {
				t.Error(err)
			}
			continue
		}
		t.Errorf("%s is a golden that no test reads (run with -update to remove it)", file)
	}
}

func others(t testing.TB, dir string, used []string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		file := filepath.Join(dir, e.Name())
		if !slices.ContainsFunc(used, func(u string) bool { return filepath.Clean(u) == file }) {
			out = append(out, file)
		}
	}
	return out
}
