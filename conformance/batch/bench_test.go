package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/internal/old/batch"
	"nailbridge/internal/old/layout"
)

// shippedFolder is the folder of the shipped exports, seen from here.
const shippedFolder = "../../testdata/old"

// BenchmarkConversion converts a generated export of 1,000 rows, whole and packed, and says
// what a row takes.
func BenchmarkConversion(b *testing.B) {
	const rows = 1000
	e, err := write(b.TempDir(), shippedFolder, rows, 1)
	require.NoError(b, err)
	o := batchOptions(b, e)
	b.ReportAllocs()
	for b.Loop() {
		o.Out = b.TempDir()
		s, err := batch.Run(b.Context(), o)
		require.NoError(b, err)
		require.Equal(b, rows, s.Rows)
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N*rows), "µs/row")
}

func batchOptions(t testing.TB, e export) batch.Options {
	settings, err := config.Read(e.settings)
	require.NoError(t, err)
	clinics, err := settings.Settings(config.DemoNamespace)
	require.NoError(t, err)
	text, err := os.ReadFile(e.layout)
	require.NoError(t, err)
	l, err := layout.Read(text)
	require.NoError(t, err)
	return batch.Options{Files: e.files(), Layout: l, Folder: filepath.Dir(e.layout), Clinics: clinics, LayoutName: filepath.Base(e.layout),
		AsOf: asOf, Workers: 1, Gzip: true, Sharing: "agreed", Basis: "invented basis"}
}
