package layout_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/old/layout"
)

// Reviews name a table of surgeries that the layout has (metadata vocabulary, section 5.6: resource),
// since the ids of its records are not known else, and every review would wait for ever.
func TestReviewsNameATableOfSurgeries(t *testing.T) {
	text, err := os.ReadFile("../../../testdata/old/visits.layout.json")
	require.NoError(t, err)
	const named = `"resource": "visits.xlsx"`
	require.Equal(t, 1, strings.Count(string(text), named))
	_, err = layout.Read([]byte(strings.Replace(string(text), named, `"resource": "ops.csv"`, 1)))
	assert.ErrorContains(t, err, "foreignKeys: no table of surgeries is ops.csv")
}

// Tables of one file have each its rows by one column, with values of their own, so that no row is in
// two of them; case and blanks make no other value.
func TestTablesOfOneFileShareNoRow(t *testing.T) {
	text, err := os.ReadFile("testdata/mixed.layout.json")
	require.NoError(t, err)
	_, err = layout.Read(text)
	require.NoError(t, err)
	for name, c := range map[string]struct{ from, to, want string }{
		"a value twice":        {`["review", "check"]`, `["review", "OP "]`, `table 0 is of the same file: where: rows that say "OP " are of both`},
		"no where":             {`"where": {"column": "sort", "says": "op"}, `, ``, "table 0 is of the same file: where: one of them has none"},
		"two columns":          {`"where": {"column": "sort", "says": "op"}`, `"where": {"column": "no", "says": "op"}`, "table 0 is of the same file: where: they tell their rows by two columns"},
		"a column of no table": {`"where": {"column": "sort", "says": "op"}`, `"where": {"column": "kind", "says": "op"}`, "no column kind"},
		"no value":             {`["review", "check"]`, `[]`, "minItems"},
		"a blank":              {`["review", "check"]`, `["review", " "]`, "does not match pattern"},
		"one sheet":            {`"kind": "review", `, `"kind": "review", "sheet": "Book", `, "sheet: one of them names it"},
		"other rows":           {`"kind": "review", `, `"kind": "review", "rows": "/b", `, "reads other rows of it"},
		"another header": {`"url": "mixed.csv",
    "tableSchema": {"primaryKey": "no", "foreignKeys"`, `"url": "mixed.csv", "dialect": {"skipRows": 1}, "tableSchema": {"primaryKey": "no", "foreignKeys"`, "reads other rows of it"},
	} {
		require.Equal(t, 1, strings.Count(string(text), c.from), name)
		_, err := layout.Read([]byte(strings.Replace(string(text), c.from, c.to, 1)))
		assert.ErrorContains(t, err, c.want, name)
	}
	_, err = layout.Read([]byte(strings.Replace(string(text), `"url": "mixed.csv",`, `"url": "mixed.csv", "dialect": {"encoding": "utf-8", "headerRowCount": 1},`, 1)))
	assert.NoError(t, err, "a dialect of defaults is none")
}
