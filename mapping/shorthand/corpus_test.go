package shorthand

import (
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// contexts are the kinds of the columns of the corpus; a note is read for all.
var contexts = map[string][]Kind{
	"site":        {Site, Border},
	"border":      {Border},
	"procedure":   {Procedure, Method, Outcome},
	"anaesthetic": {Anaesthetic},
	"matrix":      {Chemical, Percent, Applications, Method, Flush},
	"tourniquet":  {Tourniquet, On, Off, Minutes},
	"dressing":    {Dressing},
	"outcome":     {Attendance, Wound, Exudate, Finding, Diagnosis, Regrowth, Discharge, Outcome, Dressing, Flush},
	"note":        nil,
}

// facts are the readings as the corpus labels them: "kind value", and "kind ?" for
// what a person must decide.
func facts(t Text) []string {
	var out []string
	for _, rd := range t.Readings {
		f := rd.String()
		if rd.Certainty == Ambiguous {
			f = string(rd.Kind) + " ?"
		}
		out = append(out, f)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// labels are the facts of a line of a corpus; "-" is none.
func labels(s string) []string {
	if s == "-" {
		return nil
	}
	out := strings.Split(s, "; ")
	slices.Sort(out)
	return slices.Compact(out)
}

// rows are the lines of a file of testdata, by columns.
func rows(t testing.TB, name string, columns int) [][]string {
	t.Helper()
	b, err := os.ReadFile("testdata/" + name)
	require.NoError(t, err)
	var out [][]string
	for n, line := range strings.Split(strings.TrimSuffix(string(b), "\n"), "\n") {
		f := strings.Split(line, "\t")
		require.Len(t, f, columns, "%s:%d", name, n+1)
		out = append(out, f)
	}
	return out
}

// Each rule, with an example of it; the C-numbers are those of the clinical facts
// (digits, HCPCS modifiers, borders, abbreviations), the others are common practice,
// no source.
func TestRules(t *testing.T) {
	for _, row := range rows(t, "rules.tsv", 4)[1:] {
		kinds, known := contexts[row[1]]
		require.True(t, known, row[1])
		assert.Equal(t, labels(row[3]), facts(Read(row[2], kinds...)), "%s: %s", row[0], row[2])
	}
}

// Every rule that the vocabulary or the grammar can name has an example.
func TestEveryReadingKeepsItsWords(t *testing.T) {
	for _, row := range rows(t, "rules.tsv", 4)[1:] {
		text := Read(row[2], contexts[row[1]]...)
		for _, rd := range text.Readings {
			assert.NotEmpty(t, rd.Rule, row[2])
			assert.NotEmpty(t, strings.TrimSpace(row[2][rd.From:rd.To]), row[2])
			if rd.Certainty == Ambiguous && rd.Kind != Unclear {
				assert.NotEmpty(t, rd.OtherTexts(), "%s: %s", row[2], rd)
			}
		}
	}
}

func FuzzRead(f *testing.F) {
	for _, row := range rows(f, "rules.tsv", 4)[1:] {
		f.Add(row[2])
	}
	f.Fuzz(func(t *testing.T, s string) {
		if len(s) > 4096 {
			return
		}
		for _, kinds := range contexts {
			text := Read(s, kinds...)
			assert.Equal(t, s, text.Original)
			for _, rd := range text.Readings {
				assert.True(t, 0 <= rd.From && rd.From < rd.To && rd.To <= len(s))
			}
		}
	})
}
