package draft_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"nailbridge/internal/old/draft"
	"nailbridge/internal/old/layout"
	"nailbridge/mapping/shorthand"
)

// A drafted layout of a shipped export marks at most a fifth of its columns, says of
// the rest what the layout that a person wrote says, and is a layout once the marks are
// answered.
func TestDraftsOfTheShippedExports(t *testing.T) {
	for name, want := range map[string]map[string]string{
		"surgeries.csv": {"opno": "", "pat_no": "/patient/identifier/value", "op_date": "/surgery/start", "wt_lb": "/surgery/weight/kg", "notes": "/surgery/note"},
		"visits.xlsx":   {"visit_id": "", "date_of_surgery": "/surgery/start", "seen_on": "/review/at", "weight_kg": "/surgery/weight/kg"},
		"older.json":    {"ref": "", "client_number": "/patient/identifier/value", "when": "/surgery/start", "by": "/surgery/operator/staffKey"},
	} {
		t.Run(name, func(t *testing.T) {
			l, err := draft.File(filepath.Join("../../../testdata/old", name), "", "brindlemere", "Europe/London")
			require.NoError(t, err)
			columns, unsure, found := 0, 0, map[string]string{}
			for _, table := range l.All() {
				for _, c := range table.Schema.Columns {
					columns++
					if c.Note.Unsure != "" {
						unsure++
						t.Logf("unsure: %s: %s", c.Name, c.Note.Unsure)
					}
					found[c.Name] = c.Note.Path
				}
			}
			assert.LessOrEqual(t, unsure*5, columns, "%d of %d columns unsure", unsure, columns)
			for column, path := range want {
				got, known := found[column]
				assert.True(t, known, column)
				assert.Equal(t, path, got, column)
			}
			b, err := json.Marshal(l)
			require.NoError(t, err)
			_, err = layout.Read(b)
			assert.NoError(t, err)
		})
	}
}

// Rows before the header, such as the clinic's name, are no header (metadata vocabulary 5.9:
// skipRows, headerRowCount): the draft goes past them and says that it is unsure.
func TestRowsBeforeTheHeader(t *testing.T) {
	header := "Op no;Pat no;Op date;Site;Operation\n"
	rows := "1;11;3/6/2014;R hallux lat;PNA\n2;12;17/6/2014;L hallux med;PNA, 2% lignocaine 1,5ml\n"
	for name, c := range map[string]struct {
		text         string
		skip, header int
		first        string
	}{
		"none":                  {header + rows, 0, 1, "Op no"},
		"a title":               {"Nail surgery register 2009-2011\n" + header + rows, 1, 1, "Op no"},
		"titles, an empty line": {"Invented Foot Rooms, register\nprinted 12/1/2019;;;;\n\n" + header + rows, 3, 1, "Op no"},
		"merged, twice a word":  {"Register\n;Patient;;Toe;\nNo;No;Op date;Site;Operation\n" + rows, 1, 2, "No"},
		"merged, word above":    {";;;Toe;Operation\nOp no;Pat no;Op date;Site;\n" + rows, 0, 2, "Op no"},
		"unknown words":         {"Register\nq;r;s;t;u\n" + rows, 1, 1, "q"},
		"no header at all":      {rows, 0, 1, "1"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "register.csv")
			require.NoError(t, os.WriteFile(path, []byte(c.text), 0o600))
			l, err := draft.File(path, "surgery", "brindlemere", "Europe/London")
			require.NoError(t, err)
			assert.Equal(t, ";", l.Dialect.Delimiter)
			assert.Equal(t, c.skip, l.Dialect.SkipRows)
			assert.Equal(t, c.header, l.Dialect.HeaderRows())
			require.Len(t, l.Schema.Columns, 5)
			assert.Equal(t, c.first, l.Schema.Columns[0].Titles[0])
			assert.Equal(t, c.skip > 0 || c.header > 1, l.Note.Unsure != "", l.Note.Unsure)
			b, err := json.Marshal(l)
			require.NoError(t, err)
			_, err = layout.Read(b)
			assert.NoError(t, err)
		})
	}
}

// Dates of a workbook stand as numbers, and some as text: the draft declares the form of those, and
// says where their order of day and month is not told.
func TestDatesOfAWorkbookAsTextToo(t *testing.T) {
	for text, want := range map[string]layout.Column{
		"20/04/2012": {Datatype: layout.Datatype{Base: "date", Format: "dd/MM/yyyy"}},
		"2.4.2012":   {Datatype: layout.Datatype{Base: "date", Format: "dd.MM.yyyy"}, Note: layout.ColumnNote{Unsure: "the order of day and month; day first is assumed"}},
		"no date":    {Datatype: layout.Datatype{Base: "date"}},
	} {
		path := filepath.Join(t.TempDir(), "log.xlsx")
		book := excelize.NewFile()
		for i, row := range [][]any{{"Op no", "Op date", "Operation"}, {"1", 40974, "PNA"}, {"2", text, "PNA"}, {"3", 40975, "PNA"}} {
			require.NoError(t, book.SetSheetRow("Sheet1", fmt.Sprintf("A%d", i+1), &row))
		}
		require.NoError(t, book.SaveAs(path))
		require.NoError(t, book.Close())
		l, err := draft.File(path, "", "brindlemere", "Europe/London")
		require.NoError(t, err)
		got := l.Schema.Columns[1]
		assert.Equal(t, want.Datatype, got.Datatype, text)
		assert.Equal(t, want.Note.Unsure, got.Note.Unsure, text)
	}
}

// A column that names an agent and the next, which has its times, are one group, and what a draft says of
// the two is read as one: by the titles for certain, by the cells alone unsure. Other times are not the agent's.
func TestAnAgentAndItsTimesAreAGroup(t *testing.T) {
	for name, c := range map[string]struct {
		head, rows string
		unsure     string // of the second column; "-": no group
	}{
		"titles":          {"Phenol;Application time", "phenol;3 x 1 min\nphenol 89%;60s x 3\n", ""},
		"operation":       {"Operation;Mins", "PNA + phenol;3 x 1 min\nTNA;\n", "no word of the title is known; taken for the times of what operation names"},
		"some no times":   {"Agent;Applications", "phenol;3 x 1 min\nphenol;2 x 30s\nNaOH;as usual\n", "not all cells are times of what agent names"},
		"no agent named":  {"Operation;Mins", "PNA;3 x 1 min\nTNA;\n", "-"},
		"words":           {"Phenol;Remarks2", "phenol;tolerated well\nphenol;3 x 1 min, then phenol again\n", "-"},
		"of a tourniquet": {"Phenol;TQ", "phenol;15 min\nphenol;12 min\n", "-"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "ops.csv")
			text := "Op no;Op date;" + c.head + "\n"
			for i, row := range strings.Split(strings.TrimSpace(c.rows), "\n") {
				text += fmt.Sprintf("%d;13/06/2014;%s\n", i+1, row)
			}
			require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
			l, err := draft.File(path, "surgery", "brindlemere", "Europe/London")
			require.NoError(t, err)
			agent, times := l.Schema.Columns[2], l.Schema.Columns[3]
			if c.unsure == "-" {
				assert.Empty(t, agent.Note.Group)
				assert.Empty(t, times.Note.Group)
				return
			}
			assert.Equal(t, agent.Name, agent.Note.Group)
			assert.Equal(t, agent.Name, times.Note.Group)
			assert.Equal(t, c.unsure, times.Note.Unsure)
			assert.Empty(t, times.Note.Ignore)
			assert.Equal(t, agent.Note.Read, times.Note.Read)
			read := shorthand.Read("phenol 3 x 1 min", agent.Note.Read...)
			assert.Len(t, read.Of(shorthand.Applications), 1)
			b, err := json.Marshal(l)
			require.NoError(t, err)
			_, err = layout.Read(b)
			assert.NoError(t, err)
		})
	}
}
