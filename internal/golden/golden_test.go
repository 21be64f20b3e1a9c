package golden

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// recorder notes what a helper reports instead of failing.
type recorder struct {
	testing.TB
	said []string
}

func (r *recorder) Helper()                      {}
func (r *recorder) Errorf(f string, args ...any) { r.said = append(r.said, fmt.Sprintf(f, args...)) }
func (r *recorder) Fatalf(f string, args ...any) { r.Errorf(f, args...); panic(r) }

// reported runs fn and gives what it reported.
func reported(t *testing.T, fn func(testing.TB)) (said []string) {
	r := &recorder{TB: t}
	defer func() {
		if p := recover(); p != nil && p != any(r) {
			panic(p)
		}
		said = r.said
	}()
	fn(r)
	return r.said
}

func TestEqualNamesTheFirstLineThatDiffers(t *testing.T) {
	file := filepath.Join(t.TempDir(), "a.txt")
	require.NoError(t, os.WriteFile(file, []byte("one\ntwo\n"), 0o644))
	for got, want := range map[string]string{
		"one\ntwo\n":        "",
		"one\nTWO\n":        ":2 differs",
		"one\ntwo\nthree\n": ":3 differs",
		"one":               ":2 differs",
		"one\ntwo":          ":3 differs",
	} {
		said := reported(t, func(tb testing.TB) { Equal(tb, file, []byte(got)) })
		if want == "" {
			assert.Empty(t, said)
			continue
		}
		require.Len(t, said, 1, "%q", got)
		assert.Contains(t, said[0], want, "%q", got)
	}
	assert.NotEmpty(t, reported(t, func(tb testing.TB) { Equal(tb, file+".missing", nil) }), "a golden that is not there is no pass")
}

func TestUpdateWritesAndRemoves(t *testing.T) {
	dir := t.TempDir()
	kept, stale := filepath.Join(dir, "kept"), filepath.Join(dir, "stale")
	require.NoError(t, os.WriteFile(stale, nil, 0o644))
	*update = true
	defer func() { *update = false }()
	Equal(t, kept, []byte("x"))
	NoOthers(t, dir, []string{kept})
	*update = false
	Equal(t, kept, []byte("x"))
	assert.NoFileExists(t, stale)
}

func TestNoOthersFindsUnusedGoldens(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"a", "b"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), nil, 0o644))
	}
	said := reported(t, func(tb testing.TB) { NoOthers(tb, dir, []string{filepath.Join(dir, "a")}) })
	require.Len(t, said, 1)
	assert.Contains(t, said[0], filepath.Join(dir, "b"))
}
