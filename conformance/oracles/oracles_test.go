package oracles

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const definitions = "testdata/definitions"

// TestOracleFindsSeededFaults shows, before anything else is believed, that the validator reports each of the faults by
// its message id and place, and that it is silent about their valid twins.
func TestOracleFindsSeededFaults(t *testing.T) {
	Require(t)
	require.GreaterOrEqual(t, len(faults), 12)

	names, twins := readTwins(t)
	documents := slices.Clone(twins)
	for _, f := range faults {
		documents = append(documents, f.sow(t))
	}
	report, err := Validate(t.Context(), Options{Documents: documents, DefinitionPaths: []string{definitions}})
	require.NoError(t, err)
	found := map[string][]Finding{}
	for _, f := range report.Findings {
		found[f.Input] = append(found[f.Input], f)
	}

	for i, name := range names {
		t.Run("valid/"+name, func(t *testing.T) {
			assert.Empty(t, found[fmt.Sprintf("documents.ndjson:%d", i+1)])
		})
	}
	for i, f := range faults {
		t.Run(f.name, func(t *testing.T) {
			mine := found[fmt.Sprintf("documents.ndjson:%d", len(twins)+i+1)]
			assert.True(t, slices.ContainsFunc(mine, f.isNamedBy),
				"want %s %s at %q, got:\n%s", f.level, f.id+f.text, f.place, lines(mine))
		})
	}
}

// sow makes the edit.
func (f fault) sow(t *testing.T) []byte {
	t.Helper()
	twin, err := os.ReadFile(filepath.Join("testdata", "valid", f.twin+".json"))
	require.NoError(t, err)
	require.Equal(t, 1, strings.Count(string(twin), f.old), "%s: %q must stand once in %s", f.name, f.old, f.twin)
	require.NotEqual(t, f.old, f.new, f.name)
	return []byte(strings.Replace(string(twin), f.old, f.new, 1))
}

func (f fault) isNamedBy(got Finding) bool {
	return got.Level == f.level && got.ID == f.id && got.Place == f.place && strings.Contains(got.Text, f.text) &&
		(f.id != "" || f.text != "")
}

// TestOracleCountsWhatItReads: resources read equal resources present, in folders, NDJSON lines and Bundles.
func TestOracleCountsWhatItReads(t *testing.T) {
	Require(t)
	_, twins := readTwins(t)
	folder := t.TempDir()
	require.NoError(t, os.CopyFS(filepath.Join(folder, "below"), os.DirFS("testdata/valid")))
	require.NoError(t, writeLines(filepath.Join(folder, "lines.ndjson"), twins))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "README.md"), []byte("no resource"), 0o644))
	present, err := CountTypes(append(slices.Clone(twins), twins...))
	require.NoError(t, err)

	o := Options{Paths: []string{folder}, DefinitionPaths: []string{definitions}, Expect: present}
	report, err := Validate(t.Context(), o)
	require.NoError(t, err)
	assert.NoError(t, report.Err())
	assert.Equal(t, 2*len(twins), report.Inputs)
	assert.Equal(t, present, report.Types)

	present["Goal"]++
	_, err = Validate(t.Context(), o)
	assert.ErrorContains(t, err, "resources read")
}

// TestOracleFilters: an entry ignores its message at its place and nowhere else, and one that meets nothing fails.
func TestOracleFilters(t *testing.T) {
	Require(t)
	at := slices.IndexFunc(faults, func(f fault) bool { return strings.HasPrefix(f.name, "obs-6") })
	faulty := faults[at].sow(t)
	other := []byte(strings.Replace(string(faulty), "88888888-8888-", "88888888-9999-", 1))
	entry := func(id, where, place string) string {
		return strings.Join([]string{id, where, place, "a test"}, "\t") + "\n"
	}
	filters := filepath.Join(t.TempDir(), "filters.tsv")
	require.NoError(t, os.WriteFile(filters, []byte("# what is ignored here\n"+
		entry(faults[at].id, "Observation/88888888-8888-5888-8888-888888888888", "Observation")+
		entry(faults[at].id, "Observation", "Observation.value")), 0o644))

	report, err := Validate(t.Context(),
		Options{Documents: [][]byte{faulty, other}, DefinitionPaths: []string{definitions}, Filters: filters})
	require.NoError(t, err)
	assert.Equal(t, 1, report.Filtered)
	assert.Equal(t, 1, report.Errors)
	assert.Equal(t, []string{faults[at].id + "\tObservation\tObservation.value"}, report.Unused)
	for _, f := range report.Findings {
		assert.Equal(t, f.Input == "documents.ndjson:1", f.Filtered, f.String())
	}
	assert.ErrorContains(t, report.Err(), "filter entry without an alarm")
}

// TestOracleExitStatus: 0 for clean, 1 for complaints and for a wrong count, 2 for a run that proves nothing.
func TestOracleExitStatus(t *testing.T) {
	Require(t)
	goal := "testdata/valid/Goal.json"
	empty := t.TempDir()
	twice := t.TempDir()
	for _, name := range []string{"1.json", "2.json"} {
		text, err := os.ReadFile(filepath.Join(definitions, "CodeSystem-oracle-toe.json"))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(twice, name), text, 0o644))
	}
	broken := filepath.Join(t.TempDir(), "broken.json")
	require.NoError(t, os.WriteFile(broken, []byte(`{"resourceType": "Goal"`), 0o644))
	vague := filepath.Join(t.TempDir(), "filters.tsv")
	require.NoError(t, os.WriteFile(vague, []byte("some-message\tGoal\tGoal.status\t\n"), 0o644))

	for _, c := range []struct {
		name string
		args []string
		want int
		says string
	}{
		{"clean", []string{"--expect", "1", goal}, 0, "errors=0\twarnings=0"},
		{"wrong count", []string{"--expect", "2", goal}, 1, "1 resources read, 2 expected"},
		{"not JSON", []string{broken}, 1, "resources=0"},
		{"nothing to read", []string{empty}, 2, "nothing to read"},
		{"no input named", nil, 2, "usage:"},
		{"no such file", []string{filepath.Join(empty, "none.json")}, 2, "no such file"},
		{"unknown option", []string{"--lenient", goal}, 2, "unknown option"},
		{"two definitions of one url", []string{"--definitions", twice, goal}, 2, "a second definition of"},
		{"unreadable definition", []string{"--definitions", filepath.Dir(broken), goal}, 2, "broken.json"},
		{"filter without a reason", []string{"--filters", vague, goal}, 2, "filters.tsv:1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			stdout, stderr, status, err := run(t.Context(), c.args, false)
			require.NoError(t, err)
			assert.Equal(t, c.want, status, string(stderr))
			assert.Contains(t, string(stdout)+string(stderr), c.says)
		})
	}
}

// readTwins gives the valid resources and their names, in the same order.
func readTwins(t *testing.T) (names []string, documents [][]byte) {
	t.Helper()
	files, err := filepath.Glob("testdata/valid/*.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		names = append(names, strings.TrimSuffix(filepath.Base(file), ".json"))
		documents = append(documents, text)
	}
	return names, documents
}

func lines(findings []Finding) string {
	var b strings.Builder
	for _, f := range findings {
		fmt.Fprintf(&b, "  %s\n", f)
	}
	return b.String()
}
