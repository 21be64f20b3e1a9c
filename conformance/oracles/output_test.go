package oracles

import (
	"os"
	"path/filepath"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/internal/convert"
	"nailbridge/internal/generate"
	"nailbridge/mapping/record"
	"nailbridge/testdata"
)

// requireValid fails the test unless the outside validator read every resource and
// found no error and no warning.
func requireValid(t *testing.T, o Options) Report {
	t.Helper()
	defs, err := OwnDefinitions()
	require.NoError(t, err)
	o.Definitions = defs
	r, err := Validate(t.Context(), o)
	require.NoError(t, err)
	require.NoError(t, r.Err())
	return r
}

// TestOracleGoldens validates the Bundle of every story of the demo clinic,
// under both licence settings.
func TestOracleGoldens(t *testing.T) {
	Require(t)
	golden := filepath.Join("..", "..", "testdata", "golden")
	files, err := filepath.Glob(filepath.Join(golden, "*.json"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	var docs [][]byte
	for _, f := range files {
		b, err := os.ReadFile(f)
		require.NoError(t, err)
		docs = append(docs, b)
	}
	r := requireValid(t, Options{Documents: docs})
	t.Logf("%d golden Bundles: %v", len(files), r)
}

// TestOracleGenerated validates what is made of 200 generated cases. It takes
// minutes, so it runs where it is asked for by NAILBRIDGE_ORACLE=1.
func TestOracleGenerated(t *testing.T) {
	if os.Getenv("NAILBRIDGE_ORACLE") != "1" {
		t.Skip("takes minutes; ask for it by NAILBRIDGE_ORACLE=1")
	}
	Require(t)
	const cases = 200
	file, err := config.Parse(testdata.Settings())
	require.NoError(t, err)
	settings, err := file.Settings(config.DemoNamespace)
	require.NoError(t, err)
	var docs [][]byte
	for _, records := range generate.Cases(20, cases, generate.Options{Clinic: settings.Clinic.ID, Zone: settings.Clinic.Zone}) {
		var inputs []convert.Input
		for _, rec := range records {
			b, err := record.Encode(rec)
			require.NoError(t, err)
			inputs = append(inputs, convert.Input{Name: rec.Record, Data: b})
		}
		res, err := convert.Convert(settings, inputs, time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
		require.NoError(t, err)
		require.Empty(t, res.Issues)
		for _, x := range res.Resources {
			docs = append(docs, x.JSON())
		}
	}
	require.Greater(t, len(docs), 10*cases)
	r := requireValid(t, Options{Documents: docs})
	t.Logf("%d cases, %d resources: %v", cases, len(docs), r)
}
