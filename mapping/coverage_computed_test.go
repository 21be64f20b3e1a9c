package mapping_test

import (
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping"
	"nailbridge/mapping/coverage"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// provenanceOf is the Provenance of some records as sent, which names none but
// them.
func provenanceOf(t *testing.T, lines [][]byte) (resource.Resource, bool) {
	in := mapping.ProvenanceInput{
		Targets:  []mapping.VersionedRef{{Ref: resource.Ref{Type: "Patient", ID: "p"}, VersionID: "e-1"}},
		Activity: mapping.ActivityCreate, Recorded: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), Owner: "o", Case: "c", Commit: "e-1",
	}
	for _, l := range lines {
		d := deliverBytes(l)
		if d.Refused {
			return resource.Resource{}, false
		}
		in.Sources = append(in.Sources, mapping.SourceOf(worldSettings(), d))
	}
	p, err := mapping.MakeProvenance(worldSettings(), in)
	require.NoError(t, err)
	return p, true
}

// D5.9: each value of the header of a record, and of its author, reaches exactly the
// paths of the Provenance that COVERAGE.md claims for it; the hash of what is
// published stands for every other value.
func TestCoverageOfTheProvenance(t *testing.T) {
	const hash = ".entity.what.identifier.value"
	found := map[string]map[string]bool{}
	for _, base := range coverageBases(t) {
		for _, line := range base.lines {
			before, ok := provenanceOf(t, [][]byte{line})
			require.True(t, ok)
			for _, p := range record.Paths() {
				if !p.Leaf() || !ofTheHeader(p.Path) {
					continue
				}
				for _, m := range mutations(p, valueAt(t, line, p.Path)) {
					changed, ok := mutated(t, line, p.Path, m)
					if !ok {
						continue
					}
					after, ok := provenanceOf(t, [][]byte{changed})
					if !ok {
						continue
					}
					for _, f := range differ(values(before, nil), values(after, nil)) {
						if found[p.Path] == nil {
							found[p.Path] = map[string]bool{}
						}
						found[p.Path]["Provenance"+f] = f != hash
					}
				}
			}
		}
	}
	claimed := map[string]map[string]bool{}
	for _, c := range readCoverage(t).Provenance {
		if claimed[c.Record] == nil {
			claimed[c.Record] = map[string]bool{}
		}
		claimed[c.Record][c.FHIR] = true
	}
	for path := range found {
		maps.DeleteFunc(found[path], func(_ string, told bool) bool { return !told })
		if len(found[path]) == 0 {
			delete(found, path)
		}
	}
	assert.Equal(t, claimed, found)
}

// ofTheHeader reports a place of every kind of record that says what the record
// is, or who wrote it.
func ofTheHeader(path string) bool {
	return strings.HasPrefix(path, "/author/") || strings.HasPrefix(path, "/converted/") || strings.Count(path, "/") == 1
}

// everyBaseResource is what the base records become, as it is served and once more
// as it is withdrawn, with the Provenance of each base.
func everyBaseResource(t *testing.T) []resource.Resource {
	var out []resource.Resource
	for _, base := range coverageBases(t) {
		res, ok := foldLines(t, base.lines)
		require.True(t, ok)
		prov, ok := provenanceOf(t, base.lines)
		require.True(t, ok)
		for _, r := range append(res.Resources, prov) {
			served, err := r.Splice("e-1", time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))
			require.NoError(t, err)
			s, err := resource.FromJSON(served)
			require.NoError(t, err)
			gone, _, err := mapping.EnterInError(worldSettings(), r, false)
			require.NoError(t, err)
			out = append(out, s, gone)
		}
	}
	return out
}

// everyGolden is what the goldens of the demo hold.
func everyGolden(t *testing.T) []resource.Resource {
	files, err := filepath.Glob("../testdata/golden/*.free-set.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	var out []resource.Resource
	for _, f := range files {
		b, err := os.ReadFile(f)
		require.NoError(t, err)
		var bundle struct {
			Entry []struct{ Resource json.RawMessage }
		}
		require.NoError(t, json.Unmarshal(b, &bundle))
		for _, e := range bundle.Entry {
			r, err := resource.FromJSON(e.Resource)
			require.NoError(t, err)
			out = append(out, r)
		}
	}
	return out
}

// Every path of what the base records and the demo become is claimed by a place of
// the record, or COVERAGE.md says how it is made; and it says so of no path that is
// not there.
func TestCoverageOfComputedPaths(t *testing.T) {
	c := readCoverage(t)
	valued := map[string]bool{} // of each path, whether it holds a value or only others
	for _, r := range append(everyBaseResource(t), everyGolden(t)...) {
		coverage.Walk(r.Tree(), func(path string, v any) { valued[path] = valued[path] || v != nil })
	}
	require.Greater(t, len(valued), 1000)
	said := map[string]bool{}
	for _, p := range slices.Sorted(maps.Keys(valued)) {
		o := c.Of(p)
		assert.True(t, o.Known() || !valued[p], "nothing says where %s comes from", p)
		for _, how := range o.Computed {
			said[how] = true
		}
	}
	for _, e := range c.Computed {
		one := coverage.Table{Computed: []coverage.Computed{e}}
		there := slices.ContainsFunc(slices.Collect(maps.Keys(valued)), func(p string) bool { return one.Of(p).Known() })
		assert.True(t, there, "%s is said to be computed, and does not occur", e.FHIR)
		assert.True(t, said[e.How], "%q is said of nothing that needs it", e.How)
		assert.True(t, strings.HasPrefix(e.How, "computed"), e.How)
	}
	maps.DeleteFunc(valued, func(p string, v bool) bool { return !v })
	t.Logf("%d paths of values, %d of them computed by %d sentences", len(valued), computedOf(c, valued), len(said))
}

func computedOf(c *claimed, paths map[string]bool) (n int) {
	for p := range paths {
		if o := c.Of(p); len(o.Claims) == 0 && o.With == "" {
			n++
		}
	}
	return n
}
