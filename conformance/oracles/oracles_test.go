package oracles

import (
	"encoding/json"
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
// its message id and place, alone and inside a Bundle, and that it is silent about their valid twins; and that each
// reference in JavaScript does so of those faults that it can see.
func TestOracleFindsSeededFaults(t *testing.T) {
	Require(t)
	require.GreaterOrEqual(t, len(faults), leastFaults)

	names, twins := readTwins(t)
	var documents [][]byte
	var checks []func(t *testing.T, found []Finding)
	var called []string
	add := func(name string, document []byte, check func(t *testing.T, found []Finding)) {
		documents, checks, called = append(documents, document), append(checks, check), append(called, name)
	}
	silent := func(t *testing.T, found []Finding) { assert.Empty(t, lines(found)) }
	for i, name := range names {
		add("valid/"+name, twins[i], silent)
		add("valid/"+name+" in a Bundle", inBundle(t, twins[i], twins[i]), silent)
	}
	for _, f := range faults {
		twin, sown := f.sow(t)
		add(f.name, sown, func(t *testing.T, found []Finding) { f.requireNamed(t, found, f.isNamedBy) })
		add(f.name+", in a Bundle", inBundle(t, twin, sown), func(t *testing.T, found []Finding) { f.requireNamed(t, found, f.isNamedInBundle) })
	}
	report, err := Validate(t.Context(), Options{Documents: documents, DefinitionPaths: []string{definitions}, Snapshots: true})
	require.NoError(t, err)
	for i, name := range called {
		t.Run(name, func(t *testing.T) { checks[i](t, report.about(i)) })
	}
	t.Run("in JavaScript", func(t *testing.T) { findSeeded(t, documents, called, report.Snapshots) })
}

// leastFaults is how many seeded faults each reference must find.
const leastFaults = 12

// about are the findings about one of the documents, counted from 0.
func (r Report) about(document int) (found []Finding) {
	for _, f := range r.Findings {
		if f.Input == fmt.Sprintf("documents.ndjson:%d", document+1) {
			found = append(found, f)
		}
	}
	return found
}

// inBundle puts a resource, or what an edit made of it, into a collection.
func inBundle(t *testing.T, twin, edited []byte) []byte {
	t.Helper()
	var head struct{ ResourceType, ID string }
	require.NoError(t, json.Unmarshal(twin, &head))
	return fmt.Appendf(nil, `{"resourceType": "Bundle", "type": "collection", "entry": [{"fullUrl": "https://clinic.example/fhir/%s/%s", "resource": %s}]}`,
		head.ResourceType, head.ID, edited)
}

// sow reads the twin and makes the edit.
func (f fault) sow(t *testing.T) (twin, edited []byte) {
	t.Helper()
	twin, err := os.ReadFile(filepath.Join("testdata", "valid", f.twin+".json"))
	require.NoError(t, err)
	require.Equal(t, 1, strings.Count(string(twin), f.old), "%s: %q must stand once in %s", f.name, f.old, f.twin)
	require.NotEqual(t, f.old, f.new, f.name)
	return twin, []byte(strings.Replace(string(twin), f.old, f.new, 1))
}

func (f fault) isNamedBy(got Finding) bool {
	return got.Level == f.level && got.ID == f.id && got.Place == f.place && strings.Contains(got.Text, f.text) &&
		(f.id != "" || f.text != "")
}

// isNamedInBundle compares the place from the resource on, and where there is none in the resource, as isNamedBy does.
func (f fault) isNamedInBundle(got Finding) bool {
	if f.place != "" {
		_, within, _ := strings.Cut(f.place, ".")
		if !strings.HasPrefix(got.Place, "Bundle.entry[0].resource") || !strings.HasSuffix(got.Place, within) {
			return false
		}
		got.Place = f.place
	}
	return f.isNamedBy(got)
}

func (f fault) requireNamed(t *testing.T, found []Finding, named func(Finding) bool) {
	t.Helper()
	assert.True(t, slices.ContainsFunc(found, named), "want %s %s at %q, got:\n%s", f.level, f.id+f.text, f.place, lines(found))
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
	_, faulty := faults[at].sow(t)
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
