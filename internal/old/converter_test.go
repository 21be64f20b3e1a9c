package old

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/layout"
	"nailbridge/internal/old/table"
	"nailbridge/mapping/record"
	"nailbridge/mapping/shorthand"
)

// A line of sums is known by its first word, in the column of the key or in any other, with a
// year or what is summed behind it; words of an operation are no sum, and a whole key is none.
// A cell under no title is not lost unseen.
func TestLinesThatAreNoData(t *testing.T) {
	column := func(title string) layout.Column {
		return layout.Column{Titles: layout.Strings{title}, Name: title, Note: layout.ColumnNote{Path: "/surgery/note"}}
	}
	lay := layout.Table{Note: layout.TableNote{Kind: "surgery", Zone: "Europe/London"},
		Schema: layout.Schemata{Columns: []layout.Column{column("key"), column("what"), column("n")}, PrimaryKey: layout.Strings{"key"}}}
	c, err := New(lay, []string{"key", "what", "", "n"}, false, false, Beside{})
	require.NoError(t, err)
	for _, x := range []struct {
		cells []string
		skip  string
	}{
		{[]string{"Total", "", "", "9"}, Total},
		{[]string{"Total:", "of all the year", "", "9"}, Total},
		{[]string{"Total 2009", "", "", "9"}, Total},
		{[]string{"Sub total 2016", "", "", "2"}, Total},
		{[]string{"Sub total", "", "", "2"}, Total},
		{[]string{"TOTAL OPS", "", "", "9,5"}, Total},
		{[]string{"", "", "", "Total ops: 12"}, Total},
		{[]string{"", "Total visits", "", "10"}, Total},
		{[]string{"", "Total avulsion", "", "9"}, ""},
		{[]string{"Total 2009", "phenol", "", ""}, ""},
		{[]string{"9/001", "Total", "", ""}, ""},
		{[]string{"Sumner", "", "", "9"}, ""},
		{[]string{"", "", "", " "}, EmptyRow},
		{[]string{"KEY", "What", "", "N"}, RepeatedHeader},
		{[]string{"2016", "", "", ""}, Heading},
		{[]string{" March  2016 ", " ", "", ""}, Heading},
		{[]string{"Sept. '16:", "", "", ""}, Heading},
		{[]string{"03/2016", "", "", ""}, Heading},
		{[]string{"March", "", "", ""}, Heading},
		{[]string{"2016", "phenol", "", ""}, ""},
		{[]string{"", "2016", "", ""}, ""},
		{[]string{"2016/17", "", "", ""}, ""},
		{[]string{"Marchant", "", "", ""}, ""},
		{[]string{"160312", "", "", ""}, ""},
	} {
		assert.Equal(t, x.skip, c.skipped(x.cells), "%q", x.cells)
	}
	assert.Equal(t, []string{"cells reject"}, codesOf(c.Row(table.Row{Number: 2, Cells: []string{"1", "a", "lost?", "2"}}, nil).Findings))
	assert.NotContains(t, codesOf(c.Row(table.Row{Number: 3, Cells: []string{"1", "a", " ", "2"}}, nil).Findings), "cells reject")
}

// What a column says of a toe, or of a border, belongs to the one that the words of the row name, or
// to the one that the surgery of a review treated; where they name several, or none, it stays in the
// note and goes to no toe.
func TestAColumnOfAToeGoesToTheOnlyToe(t *testing.T) {
	column := func(title, path string, read ...shorthand.Kind) layout.Column {
		c := layout.Column{Titles: layout.Strings{title}, Name: title, Note: layout.ColumnNote{Path: path, Read: read}}
		if path == "/review/at" {
			c.Datatype = layout.Datatype{Base: "date", Format: "yyyy-MM-dd"}
		}
		return c
	}
	lay := layout.Table{Note: layout.TableNote{Kind: "review", Zone: "Europe/London", Clinic: "c", RecordPrefix: "r-",
		Constants: map[string]string{"/patient/identifier/system": "https://invented.example/id", "/author/staffKey": "a"}},
		Schema: layout.Schemata{PrimaryKey: layout.Strings{"visit"}, Columns: []layout.Column{column("visit", ""), column("op", ""), column("pat", "/patient/identifier/value"),
			column("on", "/review/at"), column("site", "", shorthand.Site, shorthand.Border), column("pain", "/review/toes/0/pain"), column("stage", "/review/toes/0/borders/0/woundStage")}}}
	lay.Schema.ForeignKeys = []layout.ForeignKey{{ColumnReference: layout.Strings{"op"}}}
	c, err := New(lay, []string{"visit", "op", "pat", "on", "site", "pain", "stage"}, false, false, Beside{})
	require.NoError(t, err)
	right := Site{"right", "1", "lateral"}
	for _, x := range []struct {
		site       string
		treated    []Site
		pain       []any // of each toe
		stage      any   // of the first border
		loose      int
		noteHas    string
		wantRecord bool
	}{
		{"R hallux lat", nil, []any{json.Number("4")}, "healed", 0, "", true},
		{"R hallux", nil, []any{json.Number("4")}, "healed", 0, "", true},
		{"", []Site{right}, []any{json.Number("4")}, "healed", 0, "", true},
		{"", []Site{right, {"right", "1", "medial"}}, []any{json.Number("4")}, nil, 1, "stage: healed", true},
		{"", []Site{right, {"left", "1", "lateral"}}, nil, nil, 2, "pain: 4; stage: healed", true},
		{"", nil, nil, nil, 2, "pain: 4; stage: healed", true},
	} {
		c.Surgery = func(string) ([]Site, bool) { return x.treated, x.treated != nil }
		res := c.Row(table.Row{Number: 2, Cells: []string{"v1", "o1", "p1", "2014-03-02", x.site, "4", "healed"}}, nil)
		require.NotNil(t, res.Record, "%v %v", x, res.Findings)
		var got struct {
			Review struct {
				Note string
				Toes []struct {
					Side    string
					Pain    any
					Borders []struct{ WoundStage any }
				}
			}
		}
		d := json.NewDecoder(bytes.NewReader(res.Record))
		d.UseNumber()
		require.NoError(t, d.Decode(&got))
		var pain []any
		for _, toe := range got.Review.Toes {
			assert.Equal(t, "right", toe.Side)
			pain = append(pain, toe.Pain)
		}
		assert.Equal(t, x.pain, pain, "%v", x)
		if x.pain != nil {
			assert.Equal(t, x.stage, got.Review.Toes[0].Borders[0].WoundStage, "%v", x)
		}
		assert.Contains(t, got.Review.Note, x.noteHas)
		loose := 0
		for _, f := range res.Findings {
			if f.Code == ToWhichToe {
				loose++
			}
		}
		assert.Equal(t, x.loose, loose, "%v", res.Findings)
	}
}

// A review of which columns say the toe has the words of the row on that one, whatever its surgery
// treated; where they name one toe twice, or half of it, the words go to none.
func TestWordsGoToTheToeThatColumnsSay(t *testing.T) {
	column := func(title, path string, read ...shorthand.Kind) layout.Column {
		return layout.Column{Titles: layout.Strings{title}, Name: title, Note: layout.ColumnNote{Path: path, Read: read}}
	}
	lay := surgeryTable()
	lay.Note.Kind, lay.Note.Constants = "review", map[string]string{"/patient/identifier/system": "https://invented.example/id", "/patient/identifier/value": "p1", "/author/staffKey": "a", "/savedAt": "2014-03-02"}
	lay.Schema = layout.Schemata{PrimaryKey: layout.Strings{"visit"}, ForeignKeys: []layout.ForeignKey{{ColumnReference: layout.Strings{"op"}}},
		Columns: []layout.Column{column("visit", ""), column("op", ""), column("words", "", shorthand.Wound), column("side", "/review/toes/0/side"), column("digit", "/review/toes/0/digit"),
			column("border", "/review/toes/0/borders/0/border"), column("side 2", "/review/toes/1/side"), column("digit 2", "/review/toes/1/digit")}}
	c, err := New(lay, []string{"visit", "op", "words", "side", "digit", "border", "side 2", "digit 2"}, false, false, Beside{})
	require.NoError(t, err)
	c.Surgery = func(string) ([]Site, bool) { return []Site{{"left", "1", "medial"}}, true }
	for toe, want := range map[string][]record.ToeFindings{
		"right,2,lateral,,":       {{Side: "right", Digit: "2", Borders: []record.BorderFindings{{Border: "lateral", WoundStage: "healed"}}}},
		"right,2,,left,2":         {{Side: "right", Digit: "2", Borders: []record.BorderFindings{{WoundStage: "healed"}}}, {Side: "left", Digit: "2", Borders: []record.BorderFindings{{WoundStage: "healed"}}}},
		"right,2,lateral,right,2": {{Side: "right", Digit: "2", Borders: []record.BorderFindings{{Border: "lateral"}}}, {Side: "right", Digit: "2"}},
		",,,left,2":               {{Side: "left", Digit: "2", Borders: []record.BorderFindings{{WoundStage: "healed"}}}},
		",,,,":                    {{Side: "left", Digit: "1", Borders: []record.BorderFindings{{Border: "medial", WoundStage: "healed"}}}},
	} {
		res := c.Row(table.Row{Number: 2, Cells: append([]string{"v1", "o1", "healed"}, strings.Split(toe, ",")...)}, nil)
		require.NotNil(t, res.Record, "%s %v", toe, res.Findings)
		assert.Equal(t, want, record.Read(res.Record, time.UTC).Record.Review.Toes, toe)
	}
	res := c.Row(table.Row{Number: 2, Cells: []string{"v1", "o1", "healed", "right", "", "", "", ""}}, nil)
	assert.True(t, res.Rejected(), "half of a toe (D2.1)")
}

// Where columns and words name different toes, or borders, a surgery is asked of and a review keeps
// the words in its note: no record has a toe of the one and a border of the other. A toe that
// both name has the border that either tells.
func TestColumnsAndWordsThatNameDifferentToes(t *testing.T) {
	column := func(title, path string, read ...shorthand.Kind) layout.Column {
		return layout.Column{Titles: layout.Strings{title}, Name: title, Note: layout.ColumnNote{Path: path, Read: read}}
	}
	for _, x := range []struct{ words, toe, want string }{
		{"L hallux", "right,1,lateral,", ""},
		{"L2 and L3", "right,1,lateral,", ""},
		{"L2 and R hallux", "right,1,lateral,", ""},
		{"R hallux med", "right,1,lateral,", ""},
		{"R hallux med and lat", "right,1,lateral,", ""},
		{"R2", "right,1,,", ""},
		{"R hallux", "right,1,lateral,", "right 1 lateral"},
		{"R hallux lat", "right,1,lateral,", "right 1 lateral"},
		{"R hallux lat", "right,1,,", "right 1 lateral"},
		{"R hallux med and lat", "right,1,,", "right 1 medial, right 1 lateral"},
		{"R hallux med and lat", "right,1,lateral,medial", "right 1 lateral, right 1 medial"},
		{"R hallux", "right,1,,medial", "right 1 medial"},
		{"R hallux lat", "right,,,", "right 1 lateral"},
		{"R hallux lat", "left,,,", ""},
		{"R hallux lat", ",,,", "right 1 lateral"},
	} {
		cells := append([]string{"1", "p", "2013-03-02", x.words, "", ""}, strings.Split(x.toe, ",")...)
		paths := func(tree string) []layout.Column {
			return []layout.Column{column("side", tree+"/toes/0/side"), column("digit", tree+"/toes/0/digit"), column("border", tree+"/toes/0/borders/0/border"), column("border 2", tree+"/toes/0/borders/1/border")}
		}
		header := []string{"op", "pat", "on", "site", "did", "of", "side", "digit", "border", "border 2"}

		lay := surgeryTable(append([]layout.Column{column("did", "", shorthand.Procedure), column("of", "")}, paths("/surgery")...)...)
		c, err := New(lay, header, false, false, Beside{})
		require.NoError(t, err)
		cells[4] = "PNA"
		res := c.Row(table.Row{Number: 2, Cells: cells}, nil)
		var sites []string
		for _, s := range res.Sites {
			sites = append(sites, strings.TrimSpace(string(s.Side+" "+s.Digit+" "+s.Border)))
		}
		assert.Equal(t, x.want, strings.Join(sites, ", "), "%v %v", x, res)
		if x.want == "" {
			assert.Equal(t, []Question{{Column: "site", Original: x.words, Rule: ToWhichToe}}, res.Questions, "%v", x)
			left := c.Row(table.Row{Number: 2, Cells: cells}, map[string]Decision{"site": {Kind: "leave", Who: "a", Record: "r-1", Originals: []string{x.words}}})
			assert.Empty(t, left.Questions, "%v: the columns count where a person leaves the words", x)
		}

		lay = surgeryTable(append([]layout.Column{column("did", "", shorthand.Wound), column("of", "")}, paths("/review")...)...)
		lay.Note.Kind, lay.Note.Constants = "review", map[string]string{"/patient/identifier/system": "https://invented.example/id", "/author/staffKey": "a"}
		lay.Schema.Columns[2].Note.Path = "/review/at"
		lay.Schema.ForeignKeys = []layout.ForeignKey{{ColumnReference: layout.Strings{"of"}}}
		c, err = New(lay, header, false, false, Beside{})
		require.NoError(t, err)
		cells[4], cells[5] = "healed", "7"
		res = c.Row(table.Row{Number: 2, Cells: cells}, nil)
		if x.toe == "left,,," {
			assert.True(t, res.Rejected(), "half of a toe (D2.1)")
			continue
		}
		require.NotNil(t, res.Record, "%v %v", x, res)
		sites = nil
		for _, toe := range record.Read(res.Record, time.UTC).Record.Review.Toes {
			for _, border := range toe.Borders {
				if border.WoundStage == "healed" {
					sites = append(sites, strings.TrimSpace(string(toe.Side+" "+toe.Digit+" "+border.Border)))
				}
			}
		}
		assert.Equal(t, x.want, strings.Join(sites, ", "), "%v %v", x, string(res.Record))
		assert.Contains(t, string(res.Record), "site: "+x.words)
		assert.Equal(t, x.want == "", slices.Contains(codesOf(res.Findings), ToWhichToe), "%v", x)
	}
}

// surgeryTable is a layout of surgeries with some columns of words.
func surgeryTable(words ...layout.Column) layout.Table {
	return layout.Table{Note: layout.TableNote{Kind: "surgery", Zone: "Europe/London", Clinic: "c", RecordPrefix: "r-",
		Constants: map[string]string{"/patient/identifier/system": "https://invented.example/id", "/author/staffKey": "a", "/surgery/outcome": "done"}},
		Schema: layout.Schemata{PrimaryKey: layout.Strings{"op"}, Columns: append([]layout.Column{
			{Titles: layout.Strings{"op"}, Name: "op"},
			{Titles: layout.Strings{"pat"}, Name: "pat", Note: layout.ColumnNote{Path: "/patient/identifier/value"}},
			{Titles: layout.Strings{"on"}, Name: "on", Datatype: layout.Datatype{Base: "date", Format: "yyyy-MM-dd"}, Note: layout.ColumnNote{Path: "/surgery/start"}},
			{Titles: layout.Strings{"site"}, Name: "site", Note: layout.ColumnNote{Read: []shorthand.Kind{shorthand.Site, shorthand.Border}}}}, words...)}}
}

// A row whose dates cannot be read is rejected for that.
func TestARowWithoutADateSaysSo(t *testing.T) {
	c, err := New(surgeryTable(), []string{"op", "pat", "on", "site"}, false, false, Beside{})
	require.NoError(t, err)
	res := c.Row(table.Row{Number: 2, Cells: []string{"1", "p", "spring 2013", "R hallux lat"}}, nil)
	require.Nil(t, res.Record)
	assert.Equal(t, []string{"not-a-date", "missing reject"}, codesOf(res.Findings))
	assert.Contains(t, res.Findings[1].Text, "no date of the row can be read")
}

// A header of which the layout knows nothing is one fault, not one of each column.
func TestAnotherRowAsTheHeader(t *testing.T) {
	_, err := New(surgeryTable(), []string{"Invented Foot Rooms"}, false, false, Beside{})
	assert.ErrorIs(t, err, errNoColumn)
	_, err = New(surgeryTable(), []string{"op", "when"}, false, false, Beside{})
	assert.ErrorContains(t, err, "column pat: the file has no pat")
	assert.ErrorContains(t, err, `the layout does not know the column "when"`)
}

// What two columns say alike is said once; two that differ are of no border, and amounts of two
// columns may both have been given.
func TestTwoColumnsThatSayOneThing(t *testing.T) {
	words := func(name string, read ...shorthand.Kind) layout.Column {
		return layout.Column{Titles: layout.Strings{name}, Name: name, Note: layout.ColumnNote{Read: read}}
	}
	lay := surgeryTable(words("did", shorthand.Procedure, shorthand.Chemical), words("chem", shorthand.Chemical, shorthand.Applications), words("la", shorthand.Anaesthetic), words("top-up", shorthand.Anaesthetic))
	c, err := New(lay, []string{"op", "pat", "on", "site", "did", "chem", "la", "top-up"}, false, false, Beside{})
	require.NoError(t, err)
	for _, x := range []struct {
		chem  string
		agent string
		codes []string
	}{
		{"phenol 3x1 min", "phenol", nil},
		{"", "phenol", nil},
		{"NaOH 3x1 min", "", []string{"to-which-toe"}},
	} {
		res := c.Row(table.Row{Number: 2, Cells: []string{"1", "p", "2013-03-02", "R hallux lat", "PNA + phenol", x.chem, "lidocaine 2% 2 ml", "lidocaine 2% 2 ml"}}, nil)
		require.NotNil(t, res.Record, "%v", res.Findings)
		var got struct {
			Surgery struct {
				Toes []struct {
					Block   struct{ Agents []any }
					Borders []struct{ Matrix struct{ Agent string } }
				}
			}
		}
		require.NoError(t, json.Unmarshal(res.Record, &got))
		assert.Equal(t, x.agent, got.Surgery.Toes[0].Borders[0].Matrix.Agent, x.chem)
		assert.Len(t, got.Surgery.Toes[0].Block.Agents, 2, "both amounts count")
		assert.Equal(t, x.codes, codesOf(res.Findings), x.chem)
	}
}

// What is read of a review in the row of a surgery has no place there: that is told, and the words stay.
func TestAReadingWithoutAPlaceIsTold(t *testing.T) {
	c, err := New(surgeryTable(layout.Column{Titles: layout.Strings{"1 week"}, Name: "week", Note: layout.ColumnNote{Read: []shorthand.Kind{shorthand.Wound, shorthand.Dressing}}}),
		[]string{"op", "pat", "on", "site", "1 week"}, false, false, Beside{})
	require.NoError(t, err)
	res := c.Row(table.Row{Number: 2, Cells: []string{"1", "p", "2013-03-02", "R hallux lat", "healed"}}, nil)
	require.NotNil(t, res.Record, "%v", res.Findings)
	assert.Equal(t, []Finding{{Column: "week", Code: NoPlace, Text: "a reading (wound) that a surgery has no place for; kept in the note"}}, res.Findings)
	assert.Contains(t, string(res.Record), "1 week: healed")
}
