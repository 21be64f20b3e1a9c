package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/batch"
)

// Rows end as they were made: of 510 surgeries 11 have two sides, two lack their key, one
// is the row before it again and one is the header; the others are published, and so are
// 765 reviews of them.
func TestRowsEndAsTheyWereMade(t *testing.T) {
	e, err := write(t.TempDir(), shippedFolder, 1275, 1)
	require.NoError(t, err)
	o := batchOptions(t, e)
	o.Out = t.TempDir()
	s, err := batch.Run(t.Context(), o)
	require.NoError(t, err)
	assert.Equal(t, map[string]int{"provenance": 495 + 765, "worksheet": 11, "rejected": 2, "unchanged": 1, "skipped": 1}, s.Outcomes)
	published, err := publishedIn(o.Out)
	require.NoError(t, err)
	assert.Equal(t, 495+765, published)

	records, alone, err := foldAlone(e, o.Out)
	require.NoError(t, err)
	assert.Equal(t, 496+765, records, "those that count, and the one that came again")
	assert.Positive(t, alone.cpu)
}

// The same seed gives the same rows, another one others.
func TestTheSameSeedGivesTheSameRows(t *testing.T) {
	rows := func(seed uint64) string {
		e, err := write(t.TempDir(), shippedFolder, 300, seed)
		require.NoError(t, err)
		var all string
		for _, f := range e.files() {
			text, err := os.ReadFile(f)
			require.NoError(t, err)
			all += string(text)
		}
		return all
	}
	assert.Equal(t, rows(1), rows(1))
	assert.NotEqual(t, rows(1), rows(2))
}

// A file that differs in one byte, is longer, or is not there is found.
func TestFilesAreComparedByteForByte(t *testing.T) {
	path := func(text string) string {
		p := filepath.Join(t.TempDir(), "file")
		require.NoError(t, os.WriteFile(p, []byte(text), 0o600))
		return p
	}
	long := string(make([]byte, 1<<16))
	require.NoError(t, same(path(long+"same"), path(long+"same")))
	require.Error(t, same(path(long+"same"), path(long+"sama")))
	require.Error(t, same(path(long), path(long+"same")))
	require.Error(t, same(path(""), path("x")))
	require.Error(t, same(path(""), filepath.Join(t.TempDir(), "none")))
}
