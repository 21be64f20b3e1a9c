package batch_test

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/filelock"
	"nailbridge/internal/old/batch"
	"nailbridge/internal/old/layout"
)

// keyed are options over rows of a number, a patient, a day, a toe and when the row was saved.
func keyed(t *testing.T, rows string, paths map[string]string) batch.Options {
	t.Helper()
	in := t.TempDir()
	text := `{"@context": "http://www.w3.org/ns/csvw", "url": "ops.csv", "tableSchema": {"primaryKey": "op", "columns": [
   {"titles": "op", "name": "op"},
   {"titles": "patient", "name": "patient", "https://nailbridge.example/layout": {"path": "/patient/identifier/value"}},
   {"titles": "day", "name": "day", "datatype": {"base": "date", "format": "yyyy-MM-dd"}, "https://nailbridge.example/layout": {"path": "/surgery/start"}},
   {"titles": "toe", "name": "toe", "https://nailbridge.example/layout": {"read": ["site", "border"]}},
   {"titles": "extra", "name": "extra", "https://nailbridge.example/layout": {"ignore": "of no case"}}]},
  "https://nailbridge.example/layout": {"kind": "surgery", "clinic": "brindlemere", "zone": "Europe/London", "recordPrefix": "op-",
   "constants": {"/patient/identifier/system": "https://brindlemere.example/id/patient"}}}`
	require.NoError(t, os.WriteFile(filepath.Join(in, "a.layout.json"), []byte(text), 0o600))
	o := options(t, filepath.Join(in, "ops.csv"), filepath.Join(in, "a.layout.json"))
	for title, path := range paths {
		extra := &o.Layout.Schema.Columns[4]
		extra.Titles, extra.Note = layout.Strings{title}, layout.ColumnNote{Path: path}
		extra.Datatype = map[string]layout.Datatype{"/savedAt": {Base: "date", Format: "yyyy-MM-dd"}, "/revision": {Base: "integer"}}[path]
	}
	require.NoError(t, os.WriteFile(o.Files[0], []byte("op,patient,day,toe,extra\n"+rows), 0o600))
	return o
}

// Rows of one key that say several things wait for a person, of whom the record is and of
// which toe: a clinic that began its numbers anew each year, or a column that is no key,
// would else lose all but one, and the dates or chance would choose it.
func TestOneKeyIsOneRecord(t *testing.T) {
	const right, left = "A1,00101,2014-05-01,R hallux lat,\n", "A1,00101,2014-05-01,L hallux lat,\n"
	for name, c := range map[string]struct {
		rows  string
		paths map[string]string
		want  map[string]int
	}{
		"equal rows":           {right + right, nil, map[string]int{"provenance": 1, "unchanged": 1}},
		"two toes":             {right + left, nil, map[string]int{"worksheet": 2}},
		"two toes, three rows": {right + left + right, nil, map[string]int{"worksheet": 3}},
		"two days":             {right + "A1,00101,2016-05-01,R hallux lat,\n", nil, map[string]int{"worksheet": 2}},
		"two patients":         {right + "A1,00102,2014-05-01,R hallux lat,\n", nil, map[string]int{"worksheet": 2}},
		"saved twice": {"A1,00101,2014-05-01,R hallux lat,2014-05-01\nA1,00101,2014-05-01,L hallux lat,2014-05-02\n",
			map[string]string{"extra": "/savedAt"}, map[string]int{"provenance": 1, "superseded": 1}},
		"saved at once": {"A1,00101,2014-05-01,R hallux lat,2014-05-01\nA1,00101,2014-05-01,L hallux lat,2014-05-01\n",
			map[string]string{"extra": "/savedAt"}, map[string]int{"worksheet": 2}},
		"revisions": {"A1,00101,2014-05-01,R hallux lat,1\nA1,00101,2014-05-01,L hallux lat,2\n",
			map[string]string{"extra": "/revision"}, map[string]int{"provenance": 1, "superseded": 1}},
		"revisions of two patients": {"A1,00101,2014-05-01,R hallux lat,1\nA1,00102,2014-05-01,L hallux lat,2\n",
			map[string]string{"extra": "/revision"}, map[string]int{"worksheet": 2}},
	} {
		t.Run(name, func(t *testing.T) {
			assert.Equal(t, c.want, run(t, keyed(t, c.rows, c.paths)).Outcomes)
		})
	}
}

// A person gives a row another key, or leaves it out; the other then has its own.
func TestAPersonSettlesAKey(t *testing.T) {
	const rows = "A1,00101,2014-05-01,R hallux lat,\nA1,00102,2014-05-01,L hallux lat,\n"
	for kind, want := range map[string]map[string]int{
		"correct": {"provenance": 2},
		"leave":   {"provenance": 1, "rejected": 1},
	} {
		o := keyed(t, rows, nil)
		run(t, o)
		o.Decided = answered(t, o.Out, func(lines [][]string) {
			require.Len(t, lines, 2)
			decide(lines[1], kind, map[string]string{"correct": "A1-2015"}[kind])
		})
		o.Out = t.TempDir()
		assert.Equal(t, want, run(t, o).Outcomes, kind)
		for _, p := range resources(t, o.Out, "Procedure") {
			assert.NotEmpty(t, p["subject"])
		}
	}
}

// What a run is told wrongly is said before it writes, or counted: a layout that names
// nobody's numbers, a folder in which another run is at work, a patient to leave out whom no row has.
func TestWhatARunIsToldWronglyIsSaid(t *testing.T) {
	const rows = "A1,00101,2014-05-01,R hallux lat,\nA2,00102,2014-05-01,R/L hallux,\n"
	o := keyed(t, rows, nil)
	delete(o.Layout.Note.Constants, "/patient/identifier/system")
	_, err := batch.Run(context.Background(), o)
	assert.ErrorContains(t, err, "no constant of the layout is /patient/identifier/system")

	o = keyed(t, rows, nil)
	release, err := filelock.Hold(filepath.Join(o.Out, "working.lock"), 0)
	require.NoError(t, err)
	_, err = batch.Run(context.Background(), o)
	assert.ErrorIs(t, err, filelock.ErrHeld)
	require.NoError(t, release())

	o.Exclude = map[string]bool{"00101": true, "101": true}
	var text bytes.Buffer
	s := run(t, o)
	require.NoError(t, s.WriteText(&text))
	assert.Equal(t, 1, s.Absent)
	assert.Regexp(t, "Identifiers that no row has +1 ", text.String())
	assert.Contains(t, string(must(os.ReadFile(filepath.Join(o.Out, "rejects.tsv")))(t)), "ops.csv\t2\tskipped\texcluded: its patient is in the --exclude file\n")
	assert.NoFileExists(t, filepath.Join(o.Out, "rejects-ops.csv"), "a patient who is left out would come back with the mended rows")
}

// A dry run says of every row what a run would say, and writes no resources.
func TestADryRunWritesItsLists(t *testing.T) {
	o := keyed(t, "A1,00101,2014-05-01,R hallux lat,\nA2,00102,2014-05-01,R/L hallux,\nA3,,2014-05-01,R hallux lat,\n", nil)
	o.DryRun = true
	run(t, o)
	ends := map[string]string{}
	for _, list := range []string{"ends.tsv", "rejects.tsv"} {
		for _, f := range table(t, filepath.Join(o.Out, list), '\t') {
			ends[f[1]] = f[2]
		}
	}
	for _, f := range table(t, filepath.Join(o.Out, "worksheet.csv"), ',') {
		ends[f[1]] = "worksheet"
	}
	assert.Equal(t, map[string]string{"2": "provenance", "3": "worksheet", "4": "rejected"}, ends)
	none, err := filepath.Glob(filepath.Join(o.Out, "*.ndjson"))
	require.NoError(t, err)
	assert.Empty(t, none)
}
