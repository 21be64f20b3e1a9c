package guide_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/validate"
	"nailbridge/internal/validate/engine"
	"nailbridge/mapping/profiles"
	"nailbridge/mapping/terms"
)

// defect is one line of the battery: a valid example with one change, which breaks
// one constraint of a profile.
type defect struct {
	profile, constraint string
	example             string
	patch               []operation
}

// operation is one of JSON Patch (RFC 6902): add, remove or replace.
type operation struct {
	Op, Path string
	Value    any
}

func battery(t testing.TB) (out []defect) {
	t.Helper()
	text, err := os.ReadFile("testdata/battery.tsv")
	require.NoError(t, err)
	for line := range strings.Lines(string(text)) {
		if line[0] == '#' {
			continue
		}
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		require.Len(t, f, 4, line)
		d := defect{profile: f[0], constraint: f[1], example: f[2]}
		require.NoError(t, json.Unmarshal([]byte(f[3]), &d.patch), line)
		out = append(out, d)
	}
	return out
}

// sow gives the example with its change, claiming a profile alone.
func (d defect) sow(t testing.TB, claim string) []byte {
	t.Helper()
	var tree any = readExample(t, d.example)
	for _, o := range d.patch {
		var err error
		tree, err = o.apply(tree, strings.Split(o.Path, "/")[1:])
		require.NoError(t, err, "%s: %s", d.constraint, o.Path)
	}
	tree.(map[string]any)["meta"] = map[string]any{"profile": []any{claim}}
	b, err := json.Marshal(tree)
	require.NoError(t, err)
	return b
}

func readExample(t testing.TB, name string) map[string]any {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("examples", name))
	require.NoError(t, err)
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	var tree map[string]any
	require.NoError(t, d.Decode(&tree))
	return tree
}

// apply changes a tree at a pointer (RFC 6901) and gives it back.
func (o operation) apply(v any, at []string) (any, error) {
	key := at[0]
	switch v := v.(type) {
	case map[string]any:
		if len(at) > 1 {
			below, err := o.apply(v[key], at[1:])
			v[key] = below
			return v, err
		}
		if _, has := v[key]; has == (o.Op == "add") {
			return v, fmt.Errorf("%s of what is there or is not", o.Op)
		}
		if o.Op == "remove" {
			delete(v, key)
		} else {
			v[key] = o.Value
		}
		return v, nil
	case []any:
		if key == "-" && o.Op == "add" {
			return append(v, o.Value), nil
		}
		i, err := strconv.Atoi(key)
		if err != nil || i >= len(v) {
			return v, fmt.Errorf("no item %s", key)
		}
		switch {
		case len(at) > 1:
			v[i], err = o.apply(v[i], at[1:])
		case o.Op == "remove":
			v = slices.Delete(v, i, i+1)
		default:
			v[i] = o.Value
		}
		return v, err
	}
	return v, fmt.Errorf("nothing at %s", key)
}

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

// without is a profile that lacks one constraint, under a canonical of its own.
func without(t testing.TB, a terms.Artifact, constraint string, n int) (url string, definition []byte) {
	t.Helper()
	id, member, _ := strings.Cut(constraint, "#")
	var tree map[string]any
	require.NoError(t, json.Unmarshal(a.JSON, &tree))
	dropped := 0
	for _, e := range tree["differential"].(map[string]any)["element"].([]any) {
		e := e.(map[string]any)
		if _, has := e[member]; has && e["id"] == id {
			delete(e, member)
			dropped++
		}
	}
	require.Equal(t, 1, dropped, constraint)
	tree["id"] = fmt.Sprintf("%s-without-%d", a.ID, n)
	url = terms.CanonicalBase + "/StructureDefinition/" + tree["id"].(string)
	tree["url"] = url
	b, err := json.Marshal(tree)
	require.NoError(t, err)
	return url, b
}

// sown is the battery as documents: each defect under its profile, where it must be
// found, and under the profile without the constraint, where it must not.
type sown struct {
	defects              []defect
	full, less, variants [][]byte
}

func sowAll(t testing.TB) (out sown) {
	t.Helper()
	byID := map[string]terms.Artifact{}
	for _, a := range profiles.Artifacts() {
		byID[a.ID] = a
	}
	for i, d := range battery(t) {
		a := byID[d.profile]
		url, definition := without(t, a, d.constraint, i+1)
		out.defects = append(out.defects, d)
		out.variants = append(out.variants, definition)
		out.full, out.less = append(out.full, d.sow(t, a.URL)), append(out.less, d.sow(t, url))
	}
	return out
}

// Each profile tightens at least five elements, and each of its constraints has a
// line of the battery.
func TestEveryConstraintHasADefect(t *testing.T) {
	lines := map[string][]string{}
	for _, d := range battery(t) {
		lines[d.profile] = append(lines[d.profile], d.constraint)
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
	all := sowAll(t)
	require.Greater(t, len(all.defects), 300)
	r := validate.Definitions(terms.MustLoad())
	for _, v := range all.variants {
		_, err := r.Add(v)
		require.NoError(t, err)
	}
	v := engine.New(r)
	for i, d := range all.defects {
		assert.True(t, engine.Invalid(v.Validate(all.full[i], validate.Options(nil))), "%s is not found", d.constraint)
		for _, issue := range v.Validate(all.less[i], validate.Options(nil)) {
			assert.False(t, issue.Invalid(), "without %s there is still %s at %s: %s", d.constraint, issue.Key, issue.Location, issue.Text)
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
