package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
)

// The rows of the suite are those of the reference, with its levels, places and
// scope, and say in our own words what they ask.
func TestRowsAreThoseOfTheReference(t *testing.T) {
	dir := official.Requirements(t)
	root := filepath.Join("..", "..", "..", "..")
	text, err := rows(read(filepath.Join(dir, "fhir-requirements.md")), read(filepath.Join(dir, "requirements-scope.tsv")),
		read(filepath.Join(root, "conformance", "REQUIREMENTS.md")))
	require.NoError(t, err)
	have, err := os.ReadFile(filepath.Join(root, "conformance", "suite", "rows.tsv"))
	require.NoError(t, err)
	assert.Equal(t, text, string(have), "run this generator")
	assert.NotContains(t, text, "\tunknown\t")
	for l := range strings.Lines(text) {
		section := strings.Split(l, "\t")[2]
		assert.Less(t, len(strings.Fields(section)), 8, "a place and no sentence: %s", section)
	}
}

// The search parameters of the suite are R4's (searchparameter-registry.html).
func TestParametersAreR4s(t *testing.T) {
	docs, err := official.Documents(official.CoreArchive(t))
	require.NoError(t, err)
	have, err := os.ReadFile(filepath.Join("..", "..", "parameters.tsv"))
	require.NoError(t, err)
	assert.Equal(t, parameters(docs), string(have), "run this generator")
	assert.Contains(t, string(have), "activity-date:date")
}

// A row without its line in the reference, or in our own table, is an error.
func TestALackingRowIsAnError(t *testing.T) {
	const scope = "id\tpriority\tstate\tshort\tnote\nR-X-01\t1\tnow\ta\t\n"
	const line = "| R-X-01 | 1 | a\\|b | SHALL (if offered) | http.html §3.1.0.2 as read | test | read |\n"
	text, err := rows(line, scope, "| R-X-01 | what it asks | shown | `T` | – |\n")
	require.NoError(t, err)
	assert.Equal(t, header+"R-X-01\tSHALL\thttp.html §3.1.0.2\tnow\t\twhat it asks\n", text)
	_, err = rows("", scope, "| R-X-01 | what it asks | shown | `T` | – |\n")
	assert.Error(t, err)
	_, err = rows(line, scope, "")
	assert.Error(t, err)
}
