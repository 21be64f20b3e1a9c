package batch_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/batch"
	"nailbridge/internal/old/layout"
)

// source is what a Provenance says of one record that was converted.
type source struct {
	record, file, row, layout string
	decidedBy                 []string
}

// sources are all sources that the Provenances of a run name.
func sources(t *testing.T, out string) (all []source) {
	t.Helper()
	type extension struct {
		URL          string      `json:"url"`
		ValueString  string      `json:"valueString"`
		ValueDecimal json.Number `json:"valueDecimal"`
		Extension    []extension `json:"extension"`
	}
	b, err := os.ReadFile(filepath.Join(out, "Provenance.ndjson"))
	require.NoError(t, err)
	for line := range strings.Lines(string(b)) {
		var p struct {
			Entity []struct{ Extension []extension }
		}
		require.NoError(t, json.Unmarshal([]byte(line), &p))
		for _, e := range p.Entity {
			for _, header := range e.Extension {
				var s source
				for _, x := range header.Extension {
					switch x.URL {
					case "record":
						s.record = x.ValueString
					case "file":
						s.file = x.ValueString
					case "row":
						s.row = x.ValueDecimal.String()
					case "layout":
						s.layout = x.ValueString
					case "decided-by":
						s.decidedBy = append(s.decidedBy, x.ValueString)
					}
				}
				all = append(all, s)
			}
		}
	}
	require.NotEmpty(t, all)
	return all
}

// What a record says of its row is in its Provenance: the file, the row as the
// file counts, the layout and who decided; in words too.
func TestProvenanceNamesTheRow(t *testing.T) {
	o := options(t, filepath.Join(shipped, "surgeries.csv"), filepath.Join(shipped, "surgeries.layout.json"))
	run(t, o)
	o.Decided = answered(t, o.Out, func(lines [][]string) {
		for _, l := range lines {
			l[8], l[9], l[10] = "correct", "right hallux", "A. Quill"
		}
	})
	o.Out = t.TempDir()
	run(t, o)
	rows, decided := map[string]string{}, map[string]bool{}
	for _, s := range sources(t, o.Out) {
		assert.Equal(t, "surgeries.csv", s.file)
		assert.Equal(t, "surgeries.layout.json", strings.Fields(s.layout)[0])
		rows[s.record] = s.row
		if s.decidedBy != nil {
			assert.Equal(t, []string{"A. Quill"}, s.decidedBy)
			decided[s.record] = true
		}
	}
	assert.Equal(t, map[string]string{"old-op-000101": "2", "old-op-000102": "3", "old-op-000103": "4", "old-op-000104": "5", "old-op-000105": "7"}, rows)
	assert.Equal(t, map[string]bool{"old-op-000104": true, "old-op-000105": true}, decided)
	text, err := os.ReadFile(filepath.Join(o.Out, "Provenance.ndjson"))
	require.NoError(t, err)
	for line := range strings.Lines(string(text)) {
		assert.Contains(t, line, "converted from old data, file surgeries.csv, row ")
	}
}

// Of rows with one key, the Provenance names the row that is counted as published,
// and it alone: of equal rows the first, of rows that differ the one saved last.
func TestProvenanceNamesTheRowThatCounts(t *testing.T) {
	const (
		first = "000101;004711;Ashgrove;Tilda;14/03/71;03/06/2014;10:05;HB;R;hallux;lat;PNA;;;;;;04/06/2014\n"
		later = "000101;004711;Ashgrove;Tilda;14/03/71;03/06/2014;10:05;HB;R;hallux;med;PNA;;;;;;05/06/2014\n"
	)
	text, err := os.ReadFile(filepath.Join(shipped, "surgeries.csv"))
	require.NoError(t, err)
	head, _, _ := strings.Cut(string(text), "\n")
	for name, c := range map[string]struct {
		rows, counts string
		ends         map[string]int
	}{
		"equal":         {first + first + first, "2", map[string]int{"provenance": 1, "unchanged": 2}},
		"many equal":    {strings.Repeat(first, 40), "2", map[string]int{"provenance": 1, "unchanged": 39}},
		"later after":   {first + later, "3", map[string]int{"provenance": 1, "superseded": 1}},
		"later before":  {later + first + later, "2", map[string]int{"provenance": 1, "superseded": 1, "unchanged": 1}},
		"among skipped": {head + "\n" + first + first, "3", map[string]int{"provenance": 1, "unchanged": 1, "skipped": 1}},
	} {
		t.Run(name, func(t *testing.T) {
			o := options(t, filepath.Join(t.TempDir(), "surgeries.csv"), filepath.Join(shipped, "surgeries.layout.json"))
			saved := &o.Layout.Schema.Columns[17]
			saved.Datatype, saved.Note = layout.Datatype{Base: "date", Format: "dd/MM/yyyy"}, layout.ColumnNote{Path: "/savedAt"}
			require.NoError(t, os.WriteFile(o.Files[0], []byte(head+"\n"+c.rows), 0o644))
			s := run(t, o)
			assert.Equal(t, c.ends, s.Outcomes)
			for _, source := range sources(t, o.Out) {
				assert.Equal(t, c.counts, source.row, source.record)
			}
		})
	}
}

// Rows that name no author are history that the clinic answers for: they are
// published, the Provenance says so, and nobody is made up.
func TestRowsWithoutAnAuthorAreTheClinics(t *testing.T) {
	o := options(t, filepath.Join(shipped, "surgeries.csv"), filepath.Join(shipped, "surgeries.layout.json"))
	require.Contains(t, o.Layout.Note.Constants, "/author/staffKey")
	delete(o.Layout.Note.Constants, "/author/staffKey")
	s := run(t, o)
	assert.Equal(t, map[string]int{"provenance": 3, "worksheet": 2, "skipped": 2}, s.Outcomes)
	clinic := "Organization/" + only(t, o.Out, "Organization")["id"].(string)
	for _, p := range resources(t, o.Out, "Provenance") {
		first := list(p["agent"])[0].(map[string]any)
		assert.Equal(t, map[string]any{"reference": clinic, "display": "Author not recorded"}, first["who"])
		for _, e := range list(p["entity"]) {
			assert.NotContains(t, e, "agent")
		}
	}
	for _, p := range resources(t, o.Out, "CarePlan") {
		assert.Equal(t, clinic, p["author"].(map[string]any)["reference"])
	}
}

func only(t *testing.T, dir, typ string) map[string]any {
	t.Helper()
	all := resources(t, dir, typ)
	require.Len(t, all, 1)
	return all[0]
}

// oneRow converts one row of the shipped surgeries, which is published.
func oneRow(t *testing.T, row string) (batch.Options, batch.Summary) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(shipped, "surgeries.csv"))
	require.NoError(t, err)
	head, _, _ := strings.Cut(string(text), "\n")
	o := options(t, filepath.Join(t.TempDir(), "surgeries.csv"), filepath.Join(shipped, "surgeries.layout.json"))
	require.NoError(t, os.WriteFile(o.Files[0], []byte(head+"\n"+row+"\n"), 0o600))
	s := run(t, o)
	require.Equal(t, map[string]int{"provenance": 1}, s.Outcomes)
	return o, s
}

// A number, a date and a member of staff that cannot be read as what their columns say are
// no value, and stay in the words of the visit: nothing that was written is lost.
func TestWhatCannotBeReadStaysInTheNote(t *testing.T) {
	o, s := oneRow(t, "000101;004711;Ashgrove;Tilda;14/03/71;03/06/2014;10:05;zz;R;hallux;lat;PNA;;;;;heavy;")
	assert.Equal(t, map[string]int{"not-a-number": 1, "not-in-crosswalk": 1}, s.Reasons)
	notes, err := os.ReadFile(filepath.Join(o.Out, "Observation.ndjson"))
	require.NoError(t, err)
	for _, words := range []string{"Clinician: zz", "Wt lb: heavy"} {
		assert.Contains(t, string(notes), words)
	}
	listed, err := os.ReadFile(filepath.Join(o.Out, "noticed.tsv"))
	require.NoError(t, err)
	assert.Contains(t, string(listed), "surgeries.csv\t2\tweight\tnot-a-number\t\t")
}

// The amounts of an anaesthetic that is not named make no injection: a MedicationAdministration
// has a medication (R4, medication[x] 1..1). They stay in the words of the visit.
func TestAmountsOfAnUnnamedAnaesthetic(t *testing.T) {
	o, s := oneRow(t, "000101;004711;Ashgrove;Tilda;14/03/71;03/06/2014;10:05;;R;hallux;lat;PNA;LA 3ml plain;;;;;")
	assert.Equal(t, map[string]int{"no-place": 1}, s.Reasons)
	notes, err := os.ReadFile(filepath.Join(o.Out, "Observation.ndjson"))
	require.NoError(t, err)
	assert.Contains(t, string(notes), "LA: LA 3ml plain")
	assert.NoFileExists(t, filepath.Join(o.Out, "MedicationAdministration.ndjson"))
}
