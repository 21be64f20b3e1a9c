package batch_test

import (
	"context"
	"encoding/csv"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/batch"
	"nailbridge/mapping/record"
)

// endsLayout describes surgeries and their reviews, whose rows end in every way.
const endsLayout = `{"@context": "http://www.w3.org/ns/csvw", "tables": [
 {"url": "ops.csv", "tableSchema": {"primaryKey": "op", "columns": [
   {"titles": "op", "name": "op"},
   {"titles": "patient", "name": "patient", "required": true, "https://nailbridge.example/layout": {"path": "/patient/identifier/value"}},
   {"titles": "revision", "name": "revision", "datatype": "integer", "https://nailbridge.example/layout": {"path": "/revision"}},
   {"titles": "day", "name": "day", "datatype": {"base": "date", "format": "yyyy-MM-dd"}, "https://nailbridge.example/layout": {"path": "/surgery/start"}},
   {"titles": "sharing", "name": "sharing", "https://nailbridge.example/layout": {"path": "/sharing"}},
   {"titles": "toe", "name": "toe", "https://nailbridge.example/layout": {"read": ["site", "border"]}}]},
  "https://nailbridge.example/layout": {"kind": "surgery", "clinic": "brindlemere", "zone": "Europe/London", "recordPrefix": "op-",
   "constants": {"/author/staffKey": "records-office", "/surgery/outcome": "done", "/patient/identifier/system": "https://brindlemere.example/id/patient"}}},
 {"url": "seen.csv", "tableSchema": {"primaryKey": "id",
   "foreignKeys": [{"columnReference": "op", "reference": {"resource": "ops.csv", "columnReference": "op"}}], "columns": [
   {"titles": "id", "name": "id"},
   {"titles": "op", "name": "op"},
   {"titles": "patient", "name": "patient", "required": true, "https://nailbridge.example/layout": {"path": "/patient/identifier/value"}},
   {"titles": "day", "name": "day", "datatype": {"base": "date", "format": "yyyy-MM-dd"}, "https://nailbridge.example/layout": {"path": "/review/at"}},
   {"titles": "words", "name": "words", "https://nailbridge.example/layout": {"read": ["attendance", "wound"]}}]},
  "https://nailbridge.example/layout": {"kind": "review", "clinic": "brindlemere", "zone": "Europe/London", "recordPrefix": "seen-",
   "constants": {"/author/staffKey": "records-office", "/patient/identifier/system": "https://brindlemere.example/id/patient"}}},
 {"url": "other.csv", "tableSchema": {"primaryKey": "op", "columns": [
   {"titles": "op", "name": "op"},
   {"titles": "patient", "name": "patient", "https://nailbridge.example/layout": {"path": "/patient/identifier/value"}},
   {"titles": "day", "name": "day", "datatype": {"base": "date", "format": "yyyy-MM-dd"}, "https://nailbridge.example/layout": {"path": "/surgery/start"}},
   {"titles": "toe", "name": "toe", "https://nailbridge.example/layout": {"read": ["site", "border"]}}]},
  "https://nailbridge.example/layout": {"kind": "surgery", "clinic": "other", "zone": "Europe/London", "recordPrefix": "op-",
   "constants": {"/author/staffKey": "records-office", "/surgery/outcome": "done", "/patient/identifier/system": "https://other.example/id/patient"}}}]}`

// Where each row ends is written beside it, before anything was run.
var endsRows = map[string]string{
	"ops.csv": `op,patient,revision,day,sharing,toe
A1,00101,1,2014-05-01,,R hallux lat
A1,00101,1,2014-05-01,,R hallux lat
C1,00102,1,2014-05-02,,R hallux lat
C1,00102,1,2014-05-03,,R hallux med
S1,00103,1,2014-05-02,,L hallux lat
S1,00103,2,2014-05-01,,L hallux med
N1,00104,1,2014-05-01,declined,L hallux med
W1,00105,1,2014-05-01,,R/L hallux
R1,,1,2014-05-01,,L hallux med
Total,,,,,9
E1,00199,1,2014-05-01,,L hallux med
`,
	"seen.csv": `id,op,patient,day,words
v1,A1,00101,2014-06-01,healed
v2,Z9,00101,2014-06-02,healed
v3,A1,00103,2014-06-03,healed
`,
	"other.csv": `op,patient,day,toe
H1,00106,2014-05-01,L hallux med
`,
}

var endsWanted = map[string]string{
	"ops.csv:2": "provenance", "ops.csv:3": "unchanged", "ops.csv:4": "conflict", "ops.csv:5": "provenance", "ops.csv:6": "superseded", "ops.csv:7": "provenance",
	"ops.csv:8": "not-shared", "ops.csv:9": "worksheet", "ops.csv:10": "rejected", "ops.csv:11": "skipped", "ops.csv:12": "skipped",
	"seen.csv:2": "provenance", "seen.csv:3": "waiting", "seen.csv:4": "waiting", "other.csv:2": "held",
}

func endsOptions(t *testing.T) batch.Options {
	t.Helper()
	in := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(in, "ends.layout.json"), []byte(endsLayout), 0o600))
	o := options(t, "", filepath.Join(in, "ends.layout.json"))
	o.Files, o.Folder = nil, in
	broken := o.Clinics[0] // what is made under it does not pass our own check
	broken.Clinic.ID, broken.Clinic.IdentifierBase = "other", "no base"
	o.Clinics = append(o.Clinics, broken)
	for _, name := range []string{"ops.csv", "other.csv", "seen.csv"} {
		path := filepath.Join(in, name)
		require.NoError(t, os.WriteFile(path, []byte(endsRows[name]), 0o600))
		o.Files = append(o.Files, path)
	}
	o.Exclude = map[string]bool{"00199": true}
	return o
}

// counted gives where each row ended, by the files alone: a row that two files name is a
// fault.
func counted(t *testing.T, out string) map[string]string {
	t.Helper()
	ends := map[string]string{}
	add := func(row, end string) {
		was, twice := ends[row]
		require.False(t, twice && (was != end || end != "worksheet"), "%s: %s and %s", row, was, end)
		ends[row] = end
	}
	published := map[string]bool{}
	if _, err := os.Stat(filepath.Join(out, "Provenance.ndjson")); err == nil {
		for _, s := range sources(t, out) {
			published[s.file+":"+s.row] = true
		}
	}
	for row := range published {
		add(row, "provenance")
	}
	for _, list := range []string{"ends.tsv", "rejects.tsv"} {
		for _, f := range table(t, filepath.Join(out, list), '\t') {
			add(f[0]+":"+f[1], f[2])
		}
	}
	for _, f := range table(t, filepath.Join(out, "worksheet.csv"), ',') {
		add(f[0]+":"+f[1], "worksheet")
	}
	return ends
}

// table are the rows of a list behind its header.
func table(t *testing.T, path string, comma rune) [][]string {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comma, r.LazyQuotes = comma, comma == '\t'
	all, err := r.ReadAll()
	require.NoError(t, err)
	require.NotEmpty(t, all)
	return all[1:]
}

// totals counts the rows of each end.
func totals(ends map[string]string) map[string]int {
	out := map[string]int{}
	for _, end := range ends {
		out[end]++
	}
	return out
}

// Rows end in each of the classes, every row in one of them: Provenance, unchanged,
// superseded, waiting, conflict, held, not shared, worksheet, rejected, skipped. What is
// counted from the files is what the summary says.
func TestEachEndIsReachedAndCountedFromTheFiles(t *testing.T) {
	o := endsOptions(t)
	s := run(t, o)
	ends := counted(t, o.Out)
	assert.Equal(t, endsWanted, ends)
	assert.Equal(t, totals(ends), s.Outcomes)
	assert.Equal(t, len(endsWanted), s.Rows)
	assert.True(t, s.Unfinished())

	// What is left to do is said for each end that wants a person, and skipped rows say in
	// words why.
	var text strings.Builder
	require.NoError(t, s.WriteText(&text))
	for _, left := range []string{"worksheet.csv has 1 questions", "rejects.tsv says why", "reviews and contacts whose surgery is not there", "what did not pass", "other content under the same revision"} {
		assert.Contains(t, text.String(), left)
	}
	assert.NotContains(t, text.String(), "records were refused")
	rejects, err := os.ReadFile(filepath.Join(o.Out, "rejects.tsv"))
	require.NoError(t, err)
	assert.Contains(t, string(rejects), "total: a line of totals")
	assert.Contains(t, string(rejects), "excluded: its patient is in the --exclude file")

	// A row that is held or waits says why, and the summary counts it by each reason.
	why := map[string]string{}
	for _, f := range table(t, filepath.Join(o.Out, "ends.tsv"), '\t') {
		assert.Equal(t, f[2] == "held" || f[2] == "waiting", f[4] != "", "%v", f)
		if f[4] != "" {
			code, _, _ := strings.Cut(f[4], ": ")
			assert.Equal(t, 1, s.Reasons[code], f[4])
			why[f[0]+":"+f[1]] = code
		}
	}
	assert.Equal(t, "surgery-not-there", why["seen.csv:3"])
	assert.Equal(t, "surgery-of-another", why["seen.csv:4"])
}

// At a door that takes records in, each row ends where the door says; its rows are all
// listed, since no Provenance is written here.
func TestEachEndOfADoorIsCountedFromTheFiles(t *testing.T) {
	o := endsOptions(t)
	gives := []batch.Outcome{batch.Published, batch.Unchanged, batch.Superseded, batch.Conflict, batch.Waiting, batch.Held, batch.NotShared, batch.Refused}
	given := 0
	o.Into = "door"
	o.Deliver = func(_ context.Context, records []batch.Record) (ends []batch.End, err error) {
		for range records {
			ends = append(ends, batch.End{Outcome: gives[given%len(gives)]})
			given++
		}
		return ends, nil
	}
	s := run(t, o)
	ends := counted(t, o.Out)
	assert.Len(t, ends, len(endsWanted))
	assert.Equal(t, totals(ends), s.Outcomes)
	for _, g := range gives {
		assert.Positive(t, s.Outcomes[string(g)], g)
	}
	assert.Equal(t, len(endsWanted)-5, given, "all but the worksheet, the rejects, the skipped and a review whose toes nobody tells: %v", s.Outcomes)
}

// Rows dated before Since are skipped with the reason, and so many rows of each file are read
// as Limit says; what is left ends as in a run over all.
func TestSinceAndLimit(t *testing.T) {
	o := endsOptions(t)
	since, err := record.ParseWhen("2014-05-02")
	require.NoError(t, err)
	o.Since, o.Limit = &since, 5
	s := run(t, o)
	ends := counted(t, o.Out)
	assert.Equal(t, map[string]string{"ops.csv:2": "skipped", "ops.csv:3": "skipped", "ops.csv:4": "conflict", "ops.csv:5": "provenance", "ops.csv:6": "provenance",
		"other.csv:2": "skipped", "seen.csv:2": "waiting", "seen.csv:3": "waiting", "seen.csv:4": "waiting"}, ends)
	assert.Equal(t, totals(ends), s.Outcomes)
	assert.Equal(t, 3, s.Reasons["before-since"])
}

// A review takes its toes from its surgery in whatever order the files are given.
func TestSurgeriesAreReadBeforeTheirReviews(t *testing.T) {
	o := endsOptions(t)
	run(t, o)
	reversed := endsOptions(t)
	slices.Reverse(reversed.Files)
	run(t, reversed)
	assert.Equal(t, endsWanted, counted(t, reversed.Out))
	want := must(os.ReadFile(filepath.Join(o.Out, "Observation.ndjson")))(t)
	assert.Contains(t, string(want), "wound")
	assert.Equal(t, string(want), string(must(os.ReadFile(filepath.Join(reversed.Out, "Observation.ndjson")))(t)))
}
