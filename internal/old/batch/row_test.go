package batch_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// rowsNamed are the rows that the Provenance of a run names as its sources, by record.
func rowsNamed(t *testing.T, out string) map[string][]string {
	t.Helper()
	type extension struct {
		URL          string      `json:"url"`
		ValueString  string      `json:"valueString"`
		ValueDecimal json.Number `json:"valueDecimal"`
		Extension    []extension `json:"extension"`
	}
	b, err := os.ReadFile(filepath.Join(out, "Provenance.ndjson"))
	require.NoError(t, err)
	rows := map[string][]string{}
	for line := range strings.Lines(string(b)) {
		var p struct {
			Entity []struct{ Extension []extension }
		}
		require.NoError(t, json.Unmarshal([]byte(line), &p))
		for _, e := range p.Entity {
			for _, header := range e.Extension {
				record, row := "", ""
				for _, x := range header.Extension {
					switch x.URL {
					case "record":
						record = x.ValueString
					case "row":
						row = x.ValueDecimal.String()
					}
				}
				rows[record] = append(rows[record], row)
			}
		}
	}
	return rows
}

// Of rows with one key, the Provenance names the row that is counted as published,
// and it alone: of equal rows the first, of rows that differ the one saved last.
func TestProvenanceNamesTheRowThatCounts(t *testing.T) {
	const (
		first = "000101;004711;Ashgrove;Tilda;14/03/71;03/06/2014;10:05;HB;R;hallux;lat;PNA;;;;;;\n"
		later = "000101;004711;Ashgrove;Tilda;14/03/71;04/06/2014;10:05;HB;R;hallux;lat;PNA;;;;;;\n"
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
			require.NoError(t, os.WriteFile(o.Files[0], []byte(head+"\n"+c.rows), 0o644))
			s := run(t, o)
			assert.Equal(t, c.ends, s.Outcomes)
			named := rowsNamed(t, o.Out)
			require.NotEmpty(t, named)
			for record, rows := range named {
				for _, row := range rows {
					assert.Equal(t, c.counts, row, record)
				}
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
