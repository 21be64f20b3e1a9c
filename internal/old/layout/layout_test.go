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
