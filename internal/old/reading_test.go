package old

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/layout"
	"nailbridge/internal/old/table"
	"nailbridge/mapping/shorthand"
)

// What accepting a reading would record is said in words, with what is not told.
func TestAReadingInWords(t *testing.T) {
	type value = shorthand.Value
	for _, x := range []struct {
		kind shorthand.Kind
		v    value
		want string
	}{
		{shorthand.Site, value{Side: "right", Digit: "1", Border: "lateral"}, "toe: right hallux, lateral border"},
		{shorthand.Site, value{Side: "left", Digit: "2"}, "toe: left second toe, border not told"},
		{shorthand.Site, value{Digit: "1", Border: "whole"}, "toe: side not told, hallux, whole nail"},
		{shorthand.Border, value{Border: "medial"}, "border: medial border"},
		{shorthand.Procedure, value{Code: "partial-avulsion"}, "procedure: partial avulsion"},
		{shorthand.Chemical, value{Code: "sodium-hydroxide"}, "agent: sodium hydroxide"},
		{shorthand.Percent, value{Percent: "89"}, "strength of the agent: 89 %"},
		{shorthand.Applications, value{Seconds: []string{"", ""}}, "applications: 2, length not told"},
		{shorthand.Applications, value{Seconds: []string{"60", "60", "60"}}, "applications: 3, 60 s each"},
		{shorthand.Applications, value{Seconds: []string{"180"}}, "applications: 1, 180 s"},
		{shorthand.Applications, value{Seconds: []string{"60", "30", ""}}, "applications: 3, 60 s, 30 s, length not told"},
		{shorthand.Anaesthetic, value{Percent: "3", ML: "1.8"}, "anaesthetic: drug not told, 3 %, 1.8 mL; stays in the note"},
		{shorthand.Anaesthetic, value{Code: "lidocaine", ML: "3", Vasoconstrictor: "none"}, "anaesthetic: lidocaine, strength not told, 3 mL, no vasoconstrictor"},
		{shorthand.Anaesthetic, value{Code: "lidocaine", Percent: "2", Vasoconstrictor: "adrenaline", Ratio: "80000"}, "anaesthetic: lidocaine, 2 %, volume not told, with adrenaline 1:80000"},
		{shorthand.Tourniquet, value{Code: "not-used"}, "tourniquet: not used"},
		{shorthand.On, value{Time: "11:25"}, "tourniquet on at: 11:25"},
		{shorthand.Minutes, value{Minutes: "12"}, "minutes of the tourniquet: 12; stays in the note"},
		{shorthand.Outcome, value{Code: "not-done"}, "outcome: not done"},
		{shorthand.Wound, value{Code: "healed"}, "wound: healed; stays in the note"},
	} {
		assert.Equal(t, x.want, inWords("surgery", x.kind, x.v))
	}
}

// The worksheet has the reading and the others in words, accepting them records what they say, and
// words that were not read are told by column and place, never by what they are.
func TestWordsForAPerson(t *testing.T) {
	column := func(name, path, group string, read ...shorthand.Kind) layout.Column {
		return layout.Column{Titles: layout.Strings{name}, Name: name, Note: layout.ColumnNote{Path: path, Read: read, Group: group}}
	}
	matrix := []shorthand.Kind{shorthand.Chemical, shorthand.Applications}
	day := column("day", "/surgery/start", "")
	day.Datatype = layout.Datatype{Base: "date", Format: "yyyy-MM-dd"}
	lay := layout.Table{Note: layout.TableNote{Kind: "surgery", Zone: "Europe/London", Clinic: "c", RecordPrefix: "r-",
		Constants: map[string]string{"/patient/identifier/system": "https://invented.example/id", "/author/staffKey": "a"}},
		Schema: layout.Schemata{PrimaryKey: layout.Strings{"op"}, Columns: []layout.Column{column("op", "", ""), column("pat", "/patient/identifier/value", ""), day,
			column("toe", "", "", shorthand.Site, shorthand.Border), column("agent", "", "matrix", matrix...), column("times", "", "matrix", matrix...)}}}
	c, err := New(lay, []string{"op", "pat", "day", "toe", "agent", "times"}, false, false, Beside{})
	require.NoError(t, err)
	row := func(toe, agent, times string) table.Row {
		return table.Row{Number: 2, Cells: []string{"1", "p1", "2014-03-02", toe, agent, times}}
	}

	res := c.Row(row("R/L hallux", "phenol", "3 x 1 min"), nil)
	require.NotEmpty(t, res.Questions)
	q := res.Questions[0]
	assert.Regexp(t, "^toe: (right|left) hallux, border not told$", q.Reading)
	assert.Contains(t, q.Others, map[bool]string{true: "toe: left hallux, border not told", false: "toe: right hallux, border not told"}[q.Reading == "toe: right hallux, border not told"])
	accept := map[string]Decision{"toe": {Kind: "accept", Who: "w", Record: "r-1", Originals: []string{q.Original}}}
	require.NotNil(t, c.Row(row("R/L hallux", "phenol", "3 x 1 min"), accept).Record)

	res = c.Row(row("R hallux lat", "agent not stated", ""), nil)
	require.Len(t, res.Questions, 1)
	q = res.Questions[0]
	assert.Equal(t, "agent: not told", q.Reading, "no agent is proposed that nobody named")
	assert.Contains(t, q.Others, "agent: phenol")
	res = c.Row(row("R hallux lat", "agent not stated", ""), map[string]Decision{q.Column: {Kind: "accept", Who: "w", Record: "r-1", Originals: []string{q.Original}}})
	require.NotNil(t, res.Record, res.Findings)
	assert.NotContains(t, string(res.Record), `"agent":`)
	assert.Contains(t, string(res.Record), `"chemical-ablation"`)

	res = c.Row(row("R hallux", "phenol xyzzy", "3 x 1 min plugh grault"), nil)
	var text string
	for _, f := range res.Findings {
		if f.Code == NotRead {
			text = f.Text
		}
	}
	t.Log(res.Questions, res.Findings)
	assert.Contains(t, text, "word 2 of agent, words 5 and 6 of times;")
}
