package guide_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/guide/defects"
	"nailbridge/internal/validate"
	"nailbridge/internal/validate/engine"
	"nailbridge/mapping/profiles"
	"nailbridge/mapping/terms"
)

// constraints lists the rules of a profile, as element#member. What tells slices
// apart asks nothing by itself: a slice asks how often it stands.
func constraints(t testing.TB, a terms.Artifact) (out []string) {
	t.Helper()
	for _, e := range differential(t, a.JSON) {
		id := e["id"].(string)
		for member := range e {
			says := slices.Contains([]string{"id", "path", "short", "sliceName", "slicing"}, member)
			if !says && (!strings.Contains(id, ":") || member == "min" || member == "max") {
				out = append(out, id+"#"+member)
			}
		}
	}
	slices.Sort(out)
	return out
}

func differential(t testing.TB, definition []byte) (out []map[string]any) {
	t.Helper()
	var d struct {
		Differential struct{ Element []map[string]any }
	}
	require.NoError(t, json.Unmarshal(definition, &d))
	return d.Differential.Element
}

// folder is that of the guide.
const folder = "."

func readExample(t testing.TB, name string) map[string]any {
	t.Helper()
	tree, err := defects.ReadExample(folder, name)
	require.NoError(t, err)
	return tree
}

// Each profile tightens at least five elements, and each of its constraints has a
// line of the battery.
func TestEveryConstraintHasADefect(t *testing.T) {
	lines := map[string][]string{}
	battery, err := defects.Read(folder)
	require.NoError(t, err)
	for _, d := range battery {
		lines[d.Profile] = append(lines[d.Profile], d.Constraint)
	}
	for _, a := range profiles.Artifacts() {
		want := constraints(t, a)
		assert.Equal(t, want, slices.Compact(slices.Sorted(slices.Values(lines[a.ID]))), a.ID)
		tightened := map[string]bool{}
		for _, c := range want {
			id, _, _ := strings.Cut(c, "#")
			tightened[id] = true
		}
		assert.GreaterOrEqual(t, len(tightened), 5, a.ID)
		delete(lines, a.ID)
	}
	assert.Empty(t, lines, "lines of no profile")
}

// Each defect is found under its profile and by no other rule: without the one
// constraint that it breaks nothing is wrong with it.
func TestEachDefectIsFoundByItsConstraintAlone(t *testing.T) {
	all, err := defects.Sow(folder)
	require.NoError(t, err)
	require.Greater(t, len(all.Defects), 300)
	r := validate.Definitions(terms.MustLoad())
	for _, v := range all.Variants {
		_, err := r.Add(v)
		require.NoError(t, err)
	}
	v := engine.New(r)
	for i, d := range all.Defects {
		assert.True(t, engine.Invalid(v.Validate(all.Full[i], validate.Options(nil))), "%s is not found", d.Constraint)
		for _, issue := range v.Validate(all.Less[i], validate.Options(nil)) {
			assert.False(t, issue.Invalid(), "without %s there is still %s at %s: %s", d.Constraint, issue.Key, issue.Location, issue.Text)
		}
	}
}

// The examples are resources of the invented clinic as the goldens have them, and
// each profile has one.
func TestExamplesAreOfTheGoldens(t *testing.T) {
	goldens := map[string]map[string]any{}
	files, err := filepath.Glob("../../testdata/golden/*.free-set.json")
	require.NoError(t, err)
	for _, f := range files {
		text, err := os.ReadFile(f)
		require.NoError(t, err)
		var b struct {
			Entry []struct{ Resource map[string]any }
		}
		d := json.NewDecoder(bytes.NewReader(text))
		d.UseNumber()
		require.NoError(t, d.Decode(&b))
		for _, e := range b.Entry {
			goldens[path.Join(f, e.Resource["resourceType"].(string), e.Resource["id"].(string))] = e.Resource
		}
	}
	names, err := os.ReadDir("examples")
	require.NoError(t, err)
	types := map[string]bool{}
	for _, n := range names {
		x := readExample(t, n.Name())
		types[x["resourceType"].(string)] = true
		var same bool
		for at, r := range goldens {
			same = same || path.Base(at) == x["id"] && assert.ObjectsAreEqual(r, x)
		}
		assert.True(t, same, "%s is no longer in the goldens; copy it from there", n.Name())
	}
	assert.Len(t, types, len(profiles.Artifacts()))
}
