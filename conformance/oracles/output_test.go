package oracles

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/internal/convert"
	"nailbridge/internal/generate"
	"nailbridge/mapping/record"
	"nailbridge/testdata"
)

// generatedCases is how many generated cases are validated.
const generatedCases = 200

// R-NDJ-03, R-CONT-03: TestOracleOutput validates the Bundle of every story of the demo
// clinic, under both licence settings, what is made of 200 generated cases, and a sample
// of 2,000 resources of converted old records. One Java process checks all, since to
// start one takes as long as to check hundreds of resources.
func TestOracleOutput(t *testing.T) {
	Require(t)
	goldens := readGoldens(t)
	generated, resources := convertGenerated(t, generatedCases)
	converted, ofType := sampled(t, convertOld(t), convertedSample)
	documents := slices.Concat(goldens, generated, converted)
	definitions, err := OwnDefinitions()
	require.NoError(t, err)

	report, err := Validate(t.Context(), Options{Documents: documents, Definitions: definitions})
	require.NoError(t, err)
	assert.NoError(t, report.Err())

	inGoldens, err := CountTypes(goldens)
	require.NoError(t, err)
	assert.Equal(t, report.Resources, sum(inGoldens)+len(generated)+resources+convertedSample)
	t.Logf("%d golden Bundles with %d resources; %d generated cases, %d resources in %d Bundles; %d of converted old records: %v; %d resources read: %v",
		len(goldens), sum(inGoldens)-len(goldens), generatedCases, resources, len(generated), len(converted), ofType, report.Resources, report.Types)
}

func readGoldens(t *testing.T) [][]byte {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("..", "..", "testdata", "golden", "*.json"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	var documents [][]byte
	for _, f := range files {
		text, err := os.ReadFile(f)
		require.NoError(t, err)
		documents = append(documents, text)
	}
	return documents
}

// convertGenerated gives the Bundle of every patient of n generated cases who is shared, as the command to-fhir writes
// it, and how many resources they hold.
func convertGenerated(t *testing.T, n int) (bundles [][]byte, resources int) {
	t.Helper()
	file, err := config.Parse(testdata.Settings())
	require.NoError(t, err)
	settings, err := file.Settings(config.DemoNamespace)
	require.NoError(t, err)
	asOf := time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)
	cases := generate.Cases(20, n, generate.Options{Clinic: settings[0].Clinic.ID, Zone: settings[0].Clinic.Zone})
	for _, records := range byPatient(cases) {
		var inputs []convert.Input
		for _, rec := range records {
			b, err := record.Encode(rec)
			require.NoError(t, err)
			inputs = append(inputs, convert.Input{Name: rec.Record, Data: b})
		}
		result, err := convert.Convert(settings, inputs, asOf)
		require.NoError(t, err)
		require.Empty(t, result.Issues)
		if len(result.Resources) == 0 {
			continue // not shared (D3.1)
		}
		var b bytes.Buffer
		require.NoError(t, convert.WriteBundle(&b, result.Resources, file.PublicBaseURL, asOf.Format(time.RFC3339)))
		bundles = append(bundles, b.Bytes())
		resources += len(result.Resources)
	}
	joined := slices.ContainsFunc(bundles, func(b []byte) bool { return bytes.Contains(b, []byte(`"replaced-by"`)) })
	require.True(t, joined, "D1.5: Patients that a merge joins are among them")
	require.Greater(t, len(bundles), n/2)
	require.Greater(t, resources, 25*n)
	return bundles, resources
}

// byPatient joins the records of neighbouring cases that begin with the same patient, as generate.Cases makes them.
func byPatient(cases [][]*record.Record) [][]*record.Record {
	var out [][]*record.Record
	for i, records := range cases {
		if i > 0 && firstPatient(records) == firstPatient(cases[i-1]) {
			out[len(out)-1] = append(out[len(out)-1], records...)
			continue
		}
		out = append(out, slices.Clone(records))
	}
	return out
}

func firstPatient(records []*record.Record) record.Identifier {
	for _, r := range records {
		if r.Patient != nil && r.Patient.Identifier != nil {
			return *r.Patient.Identifier
		}
	}
	return record.Identifier{}
}

func sum(counts map[string]int) int {
	total := 0
	for _, n := range counts {
		total += n
	}
	return total
}
