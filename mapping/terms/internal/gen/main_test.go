package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
)

// The committed evidence is what the generator writes from today's sources.
func TestEvidenceIsGenerated(t *testing.T) {
	const root = "../../../.."
	tsv := official.Terminology(t)
	core := official.CoreArchive(t)
	data := filepath.Join(root, "mapping", "terms", "data")
	dir := t.TempDir()
	require.NoError(t, os.CopyFS(dir, os.DirFS(data)))
	require.NoError(t, run(tsv, core, dir))
	require.NoError(t, fs.WalkDir(os.DirFS(data), "evidence", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		want, err := os.ReadFile(filepath.Join(data, path))
		require.NoError(t, err)
		got, err := os.ReadFile(filepath.Join(dir, path))
		require.NoError(t, err)
		assert.Equal(t, string(want), string(got), path)
		return nil
	}))
}

func TestShorten(t *testing.T) {
	for in, want := range map[string]string{
		"3: Set A (npm a@1 (b) c) | Set B (x/y.fsh)": "Set A; Set B",
		"UCUM validator: valid":                      "UCUM validator: valid",
		"":                                           "",
	} {
		assert.Equal(t, want, shorten(in))
	}
}
