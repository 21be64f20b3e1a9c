package layout_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/layout"
)

// Whatever the text, reading it as a layout ends without a panic; what is taken says the
// same when it is written and read again, and has no column of which nothing is said.
func FuzzLayout(f *testing.F) {
	paths, err := filepath.Glob("../../../testdata/old/*.layout.json")
	require.NoError(f, err)
	require.NotEmpty(f, paths)
	for _, p := range paths {
		b, err := os.ReadFile(p)
		require.NoError(f, err)
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		if len(text) > 16384 {
			return
		}
		l, err := layout.Read(text)
		if err != nil {
			return
		}
		written, err := json.Marshal(l)
		require.NoError(t, err)
		again, err := layout.Read(written)
		require.NoError(t, err, "%s", written)
		l.Context, again.Context = nil, nil // JSON whose blanks may differ
		assert.Equal(t, l, again)
	})
}

// Whatever the pattern and the cell, reading a date ends without a panic, and gives
// numbers that a date can have.
func FuzzPattern(f *testing.F) {
	f.Add("dd/MM/yyyy", "03/06/2014", 1920)
	f.Add("d.M.yy HH:mm", "3.6.14 10:05", 1950)
	f.Add("yyyy-MM-dd", "2014-06-03", 0)
	f.Fuzz(func(t *testing.T, pattern, cell string, century int) {
		p, err := layout.ParsePattern(pattern)
		if err != nil {
			return
		}
		m, err := p.Read(cell, century)
		if err != nil {
			return
		}
		for _, n := range []int{m.Month, m.Day, m.Hour, m.Minute, m.Second} {
			assert.True(t, -1 <= n && n <= 99, "%+v", m)
		}
	})
}
