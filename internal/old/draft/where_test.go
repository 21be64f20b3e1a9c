package draft_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/draft"
	"nailbridge/internal/old/layout"
)

// A column that tells surgeries from reviews makes two tables of a file (metadata vocabulary 5.4: a table of
// its own each, by our annotation where): by title and cells for certain, by the cells alone, or where rows
// say neither, unsure. What a column says of another kind of thing makes none.
func TestAColumnTellsSurgeriesFromReviews(t *testing.T) {
	const none = "-"
	for name, c := range map[string]struct {
		text    string
		unsure  string // of the column; none: one table
		key, by string // of the surgeries, and the column of reviews that names it; "": not found
		marks   int    // columns unsure, of both tables
	}{
		"a key of their own": {"Visit no;Visit type;Op no;Pat no;Date;Toe;Operation;Outcome\n1;Surgery;A1;11;13/06/2014;R hallux lat;PNA;\n2;Review;A1;11;20/06/2014;;;healed\n3;follow-up;A1;11;27/06/2014;;;healed\n4;surgery;A2;12;28/06/2014;L1 med;PNA;\n", "", "op_no", "op_no", 0},
		"the op first":       {"Op no;Visit no;Visit type;Pat no;Date;Toe;Operation;Outcome\nA1;1;op;11;13/06/2014;R hallux lat;PNA;\nA1;2;review;11;20/06/2014;;;healed\n", "", "op_no", "op_no", 0},
		"the first is none":  {"Type;Op no;Visit no;Pat no;Date;Operation;Outcome\nop;A1;1;11;13/06/2014;PNA;\nreview;A1;2;11;20/06/2014;;healed\n", "", "op_no", "op_no", 0},
		"another title":      {"No;Sort;Of op;Pat no;Date;Operation;Outcome\n1;op;;11;13/06/2014;PNA;\n1;check;1;11;20/06/2014;;healed\n", "", "no", "of_op", 1},
		"no title":           {"No;Zz;Op no;Pat no;Date;Operation;Outcome\n1;op;;11;13/06/2014;PNA;\n2;check;1;11;20/06/2014;;healed\n", "no word of the title is known; its cells tell surgeries from reviews", "no", "op_no", 2},
		"some say neither":   {"No;Sort;Op no;Pat no;Date;Operation\n1;op;;11;13/06/2014;PNA\n2;op;;11;14/06/2014;PNA\n3;op;;11;15/06/2014;PNA\n4;op;;11;16/06/2014;PNA\n5;op;;11;17/06/2014;PNA\n6;op;;11;18/06/2014;PNA\n7;op;;11;19/06/2014;PNA\n8;op;;11;20/06/2014;PNA\n9;FU;1;11;21/06/2014;\n10;phone;1;11;22/06/2014;\n", "some rows say neither surgery nor review: no table takes them", "no", "op_no", 2},
		"names no surgery":   {"No;Sort;Pat no;Date;Operation;Outcome\n1;op;11;13/06/2014;PNA;\n2;review;11;20/06/2014;;healed\n", "", "no", "", 0},
		"one kind":           {"No;Sort;Pat no;Date;Operation\n1;op;11;13/06/2014;PNA\n2;op;11;20/06/2014;PNA\n", none, "", "", 0},
		"other words":        {"No;Type;Pat no;Date;Operation\n1;ingrown;11;13/06/2014;PNA\n2;op;11;20/06/2014;PNA\n3;review;11;20/06/2014;PNA\n", none, "", "", 0},
		"what was done":      {"No;Operation;Pat no;Date\n1;operation;11;13/06/2014\n2;review;11;20/06/2014\n", none, "", "", 0},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "log.csv")
			require.NoError(t, os.WriteFile(path, []byte(c.text), 0o600))
			l, err := draft.File(path, "", "brindlemere", "Europe/London")
			require.NoError(t, err)
			if c.unsure == none {
				assert.Empty(t, l.Tables)
				assert.Nil(t, l.Note.Where)
				return
			}
			require.Len(t, l.Tables, 2)
			marks := 0
			for i, kind := range []string{"surgery", "review"} {
				of := l.Tables[i]
				assert.Equal(t, kind, string(of.Note.Kind))
				assert.Equal(t, "old-log-"+kind+"-", of.Note.RecordPrefix)
				for _, column := range of.Schema.Columns {
					if column.Note.Unsure != "" {
						marks++
						t.Logf("unsure: %s %s: %s", kind, column.Name, column.Note.Unsure)
					}
					if column.Name == of.Note.Where.Column {
						assert.Equal(t, c.unsure, column.Note.Unsure)
					}
				}
			}
			assert.Equal(t, c.marks, marks)
			assert.Equal(t, layout.Strings{c.key}, l.Tables[0].Schema.PrimaryKey)
			b, err := json.Marshal(l)
			require.NoError(t, err)
			_, err = layout.Read(b)
			if c.by == "" {
				assert.ErrorContains(t, err, "which surgery a review belongs to")
				assert.Contains(t, l.Tables[1].Note.Unsure, "foreignKeys")
				return
			}
			require.NoError(t, err)
			assert.Equal(t, layout.Strings{c.by}, l.Tables[1].Schema.ForeignKeys[0].ColumnReference)
			assert.NotContains(t, l.Tables[1].Schema.PrimaryKey, c.by)
		})
	}

	path := filepath.Join(t.TempDir(), "log.csv")
	require.NoError(t, os.WriteFile(path, []byte("No;Visit type;Op no\n1;Surgery;\n2;Follow  up;1\n3;REVIEW;1\n4;review;1\n"), 0o600))
	l, err := draft.File(path, "", "brindlemere", "Europe/London")
	require.NoError(t, err)
	assert.Equal(t, &layout.Where{Column: "visit_type", Says: layout.Strings{"Follow  up", "REVIEW"}}, l.Tables[1].Note.Where)
	l, err = draft.File(path, "review", "brindlemere", "Europe/London")
	require.NoError(t, err)
	assert.Empty(t, l.Tables, "who says what a row is is not asked")
}
