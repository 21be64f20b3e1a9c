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
)

// mixed are surgeries and their reviews in one file; where each row ends is written beside it, before
// anything was run.
const mixed = `No,Sort,Of op,Patient,Day,Toe,Words
1,review,1,00101,2014-06-01,,healed
1,op,,00101,2014-05-01,R hallux lat,PNA
2,Op ,,00102,2014-05-02,L1 med,TNA
2,check,2,00102,2014-06-02,,dry
3,op,,00103,2014-05-03,R/L hallux,PNA
3,review,3,00103,2014-06-03,,healed
4,phone,1,00101,2014-06-04,,healed
5,,1,00101,2014-06-05,,healed
,op,,00104,2014-05-04,R hallux lat,PNA
6,review,,00101,2014-06-06,,healed
No,Sort,Of op,Patient,Day,Toe,Words
Total,,,,,,9
7,op,,00105,2014-05-05,R hallux lat,PNA,more
8,review,1,00101,2014-06-08,R/L hallux,DNA
`

var mixedEnds = map[string]string{
	"mixed.csv:2": "provenance", "mixed.csv:3": "provenance", "mixed.csv:4": "provenance", "mixed.csv:5": "provenance", "mixed.csv:6": "worksheet",
	"mixed.csv:7": "waiting", "mixed.csv:8": "rejected", "mixed.csv:9": "rejected", "mixed.csv:10": "worksheet", "mixed.csv:11": "rejected",
	"mixed.csv:12": "skipped", "mixed.csv:13": "skipped", "mixed.csv:14": "rejected", "mixed.csv:15": "provenance",
}

func mixedOptions(t *testing.T, text string) batch.Options {
	t.Helper()
	o := options(t, filepath.Join(t.TempDir(), "mixed.csv"), "../layout/testdata/mixed.layout.json")
	require.NoError(t, os.WriteFile(o.Files[0], []byte(text), 0o600))
	return o
}

// A file of surgeries and reviews is two tables, and each row ends once, by its number in the file: of
// what no table takes the reason is told, and what is no row of data is skipped. Mended rejects of both
// kinds are one file again.
func TestOneFileOfSurgeriesAndReviews(t *testing.T) {
	o := mixedOptions(t, mixed)
	s := run(t, o)
	ends := counted(t, o.Out)
	assert.Equal(t, mixedEnds, ends)
	assert.Equal(t, totals(ends), s.Outcomes)
	assert.Equal(t, len(mixedEnds), s.Rows)
	why := map[string]string{}
	for _, r := range table(t, filepath.Join(o.Out, "rejects.tsv"), '\t') {
		_, code, _ := strings.Cut(": "+r[3], ": ")
		why[r[1]] = code
	}
	for row, reason := range map[string]string{"8": "sort: no-table: ", "9": "sort: no-table: ", "11": "missing: ", "12": "repeated-header", "13": "total", "14": "cells: "} {
		assert.True(t, strings.HasPrefix(why[row], reason), "row %s: %s", row, why[row])
	}

	rejects := string(must(os.ReadFile(filepath.Join(o.Out, "rejects-mixed.csv")))(t))
	assert.Equal(t, 7, strings.Count(rejects, "\n"), rejects)
	mended := strings.NewReplacer("phone", "review", "5,,1", "5,op,", "6,review,,", "6,review,1,", ",more", "", ",2014-06-05,,healed", ",2014-06-05,L2,PNA").Replace(rejects)
	again := mixedOptions(t, strings.Join(strings.SplitAfter(mixed, "\n")[:3], ""))
	again.Files = append(again.Files, filepath.Join(t.TempDir(), "rejects-mixed.csv"))
	require.NoError(t, os.WriteFile(again.Files[1], []byte(mended), 0o600))
	_, err := batch.Run(t.Context(), again)
	require.ErrorContains(t, err, "give mended rows that are run beside it a name of their own", "the rejects of the one would be written over the other")
	again.Files = again.Files[1:]
	assert.Equal(t, map[string]int{"provenance": 2, "waiting": 2, "skipped": 2}, run(t, again).Outcomes)
}

// A killed run over such a file goes on where it was.
func TestAStoppedRunOverOneFileGoesOn(t *testing.T) {
	whole := mixedOptions(t, mixed)
	run(t, whole)
	o := whole
	o.Out = t.TempDir()
	stopAgainAndAgain(t, o)
	run(t, o)
	same(t, whole.Out, o.Out)
}

// The order of day and month is asked of the rows of a table alone.
func TestDatesOfOneFileAreThoseOfTheTable(t *testing.T) {
	o := mixedOptions(t, "No,Sort,Of op,Patient,Day,Toe,Words\n1,op,,00101,05/17/2014,R hallux lat,PNA\n1,review,1,00101,17/06/2014,,healed\n")
	o.Layout.Tables[0].Schema.Columns[4].Datatype.Format = "MM/dd/yyyy"
	o.Layout.Tables[1].Schema.Columns[4].Datatype.Format = "dd/MM/yyyy"
	assert.Equal(t, map[string]int{"provenance": 2}, run(t, o).Outcomes)
}

// The records are those of a file for each kind, wherever a review stands, and of rows of JSON.
func TestOneFileIsTheRecordsOfTwo(t *testing.T) {
	of := func(kinds ...string) string {
		lines := strings.SplitAfter(mixed, "\n")
		out := lines[0]
		for _, l := range lines[1:7] {
			if _, rest, _ := strings.Cut(l, ","); kinds == nil || strings.HasPrefix(rest, kinds[0]) || strings.HasPrefix(rest, kinds[1]) {
				out += l
			}
		}
		return out
	}
	got := handed(t, mixedOptions(t, ""), map[string]string{"mixed.csv": of()})
	two := mixedOptions(t, "")
	for i := range two.Layout.Tables {
		two.Layout.Tables[i].Note.Where = nil
	}
	two.Layout.Tables[0].URL, two.Layout.Tables[1].URL = "ops.csv", "seen.csv"
	two.Layout.Tables[1].Schema.ForeignKeys[0].Reference.Resource = "ops.csv"
	assert.Equal(t, handed(t, two, map[string]string{"ops.csv": of("op", "Op"), "seen.csv": of("review", "check")}), got)
	assert.Len(t, got, 4)
	assert.Contains(t, got["seen-1"], `"woundStage":"healed"`)

	o := mixedOptions(t, "")
	titles, _, _ := strings.Cut(mixed, "\n")
	var rows []map[string]string
	for line := range strings.Lines(strings.TrimPrefix(of(), titles+"\n")) {
		row := map[string]string{}
		for i, cell := range strings.Split(strings.TrimSuffix(line, "\n"), ",") {
			row[strings.Split(titles, ",")[i]] = cell
		}
		rows = append(rows, row)
	}
	for i := range o.Layout.Tables {
		table := &o.Layout.Tables[i]
		table.URL = "mixed.json"
		for k, c := range table.Schema.Columns {
			table.Schema.Columns[k].Titles = append(c.Titles, "/"+c.Titles[0])
		}
	}
	o.Layout.Tables[1].Schema.ForeignKeys[0].Reference.Resource = "mixed.json"
	assert.Equal(t, got, handed(t, o, map[string]string{"mixed.json": string(must(json.Marshal(rows))(t))}))
}
