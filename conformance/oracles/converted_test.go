package oracles

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/config"
	"nailbridge/internal/old/batch"
	"nailbridge/internal/old/layout"
	"nailbridge/mapping/record"
)

// convertedSample is how many resources of converted old records are validated.
const convertedSample = 2000

// wordings are what the columns of the wide export say, in turn; of different lengths,
// so that few rows are alike.
var wordings = map[string][]string{
	"Side":      {"R", "L", "right", "Lt"},
	"Toe":       {"hallux", "1st", "2nd", "big toe", "5th", "great toe", "3rd"},
	"Border":    {"lat", "med", "both borders", "fibular", "tibial"},
	"Operation": {"PNA", "PNA, abandoned", "partial nail avulsion", "TNA", "PNA", "nail avulsion"},
	"LA":        {"ligno 2% 3ml plain", "mepivacaine 3% 2x1.8", "", "prilocaine 4% 2.2 ml", "ligno 1% 4ml", "bupivacaine 0.5% 2 ml"},
	"Phenol":    {"89% phenol 3x1 min", "phenol 60s x 3", "NaOH 10% 60s", "", "89% x 4 applications"},
	"TQ":        {"on 10:10 off 10:24", "TQ 10:25-10:41", "no TQ", "", "on 10:12"},
	"Dressing":  {"paraffin gauze", "non-adh", "", "pressure drsg"},
	"Wt lb":     {"154", "176,5", "", "210"},
	"DOB":       {"14/03/71", "1962", "", "02/11/58"},
	"Op date":   {"03/06/2014", "06/2014", "2014", "17/11/2015"},
	"Notes":     {"", "pus at second week", "says <b>no</b> & leaves"},
}

// wideRows is a file under the header of the shipped wide export.
func wideRows(t *testing.T, n int) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(shippedOld, "surgeries.csv"))
	require.NoError(t, err)
	head, _, _ := strings.Cut(string(text), "\n")
	titles := strings.Split(strings.TrimSpace(head), ";")
	var out bytes.Buffer
	fmt.Fprintln(&out, head)
	for i := range n {
		cells := make([]string, len(titles))
		for c, title := range titles {
			switch words := wordings[title]; title {
			case "OpNo":
				cells[c] = fmt.Sprintf("%06d", 300000+i)
			case "Pat No":
				cells[c] = fmt.Sprintf("%06d", 600000+i)
			case "Surname":
				cells[c] = "Ashgrove"
			case "First name":
				cells[c] = "Tilda"
			case "Start":
				cells[c] = "10:05"
			case "Clinician":
				cells[c] = "HB"
			default:
				cells[c] = words[(i+c)%len(words)]
			}
		}
		fmt.Fprintln(&out, strings.Join(cells, ";"))
	}
	path := filepath.Join(t.TempDir(), "surgeries.csv")
	require.NoError(t, os.WriteFile(path, out.Bytes(), 0o600))
	return path
}

const shippedOld = "../../testdata/old"

// convertOld gives the resources, by type, of the three shipped exports and of further
// rows of the wide one, some of them followed here.
func convertOld(t *testing.T) map[string][][]byte {
	t.Helper()
	file, err := config.Read("../../testdata/settings.json")
	require.NoError(t, err)
	clinics, err := file.Settings(config.DemoNamespace)
	require.NoError(t, err)
	for i := range clinics {
		clinics[i].Clinic.ShareUnstated = "invented basis"
	}
	since, err := record.ParseWhen("2015-01-01")
	require.NoError(t, err)
	byType := map[string][][]byte{}
	for _, in := range []struct{ path, layout, without string }{
		{filepath.Join(shippedOld, "visits.xlsx"), "visits.layout.json", ""},
		{filepath.Join(shippedOld, "older.json"), "older.layout.json", ""},
		{filepath.Join(shippedOld, "surgeries.csv"), "surgeries.layout.json", ""},
		{wideRows(t, 90), "surgeries.layout.json", "patients"},
	} {
		text, err := os.ReadFile(filepath.Join(shippedOld, in.layout))
		require.NoError(t, err)
		l, err := layout.Read(text)
		require.NoError(t, err)
		if in.without != "" { // the crosswalk lists the shipped patients alone
			l.Schema.Columns[1].Note.Crosswalk = ""
		}
		o := batch.Options{Files: []string{in.path}, Layout: l, Folder: shippedOld, Clinics: clinics, LayoutName: in.layout, FollowSince: &since,
			AsOf: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), Out: t.TempDir(), Workers: 2, Sharing: "agreed", Basis: "invented basis"}
		_, err = batch.Run(context.Background(), o)
		require.NoError(t, err)
		paths, err := filepath.Glob(filepath.Join(o.Out, "*.ndjson"))
		require.NoError(t, err)
		for _, p := range paths {
			b, err := os.ReadFile(p)
			require.NoError(t, err)
			typ := strings.TrimSuffix(filepath.Base(p), ".ndjson")
			for line := range bytes.Lines(b) {
				byType[typ] = append(byType[typ], bytes.TrimSpace(line))
			}
		}
	}
	return byType
}

// sampled takes n resources, of each type in turn the next, from those spread evenly over
// all of its type: the rare types are there whole, and the same input gives the same
// sample.
func sampled(t *testing.T, byType map[string][][]byte, n int) (out [][]byte, counts map[string]int) {
	t.Helper()
	counts = map[string]int{}
	types := slices.Sorted(maps.Keys(byType))
	for total := 0; total < n; {
		before := total
		for _, typ := range types {
			if counts[typ] < len(byType[typ]) && total < n {
				counts[typ]++
				total++
			}
		}
		require.Greater(t, total, before, "only %d resources were converted", total)
	}
	for _, typ := range types {
		all, take := byType[typ], counts[typ]
		for i := range take {
			out = append(out, all[i*len(all)/take])
		}
	}
	return out, counts
}

// TestOracleConverted asks the Java validator about a sample of 2,000 resources of
// converted old records: no error and no warning.
func TestOracleConverted(t *testing.T) {
	Require(t)
	documents, ofType := sampled(t, convertOld(t), convertedSample)
	definitions, err := OwnDefinitions()
	require.NoError(t, err)
	report, err := Validate(t.Context(), Options{Documents: documents, Definitions: definitions})
	require.NoError(t, err)
	assert.NoError(t, report.Err())
	assert.Equal(t, convertedSample, report.Resources)
	t.Logf("%d resources of converted old records: %v", report.Resources, ofType)
}
