package guide_test

import (
	"bytes"
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/guide"
	"nailbridge/mapping/published"
	"nailbridge/mapping/terms"
)

const publish = "run `go run ./conformance/guide/internal/publish`"

// unlisted are the definitions of now that the list of what was published does not
// have.
func unlisted(now []guide.Definition, lines []published.Line) (out []string) {
	for _, d := range now {
		if !slices.ContainsFunc(lines, func(l published.Line) bool { return l.Canonical() == d.Canonical() }) {
			out = append(out, d.Canonical())
		}
	}
	return out
}

// lost are the versions that were published, are not current, and are not in the
// archive as they were published.
func lost(t *testing.T, now []guide.Definition, lines []published.Line, archive []published.Definition) (out []string) {
	kept := map[string]bool{}
	for _, d := range now {
		for _, l := range d.Lines {
			kept[l.Canonical()+l.SHA256] = true
		}
	}
	for _, d := range archive {
		hash, err := guide.Hash(d.JSON)
		require.NoError(t, err)
		kept[d.Canonical()+hash] = true
	}
	for _, l := range lines {
		whole := l.Form == published.Any || strings.HasPrefix(l.Form, "licensed+hcpcs")
		if whole && !kept[l.Canonical()+l.SHA256] {
			out = append(out, l.Canonical())
		}
	}
	return out
}

// D8.3: a version of a definition says one thing for good, in each form that the
// settings give it. What is published now is in the list, and what was published
// before is in the archive, byte for byte as it was.
func TestD8_3_AVersionOfADefinitionSaysOneThing(t *testing.T) {
	now, err := guide.Definitions()
	require.NoError(t, err)
	lines, archive := published.List(), published.Superseded()
	assert.Empty(t, guide.Changed(now, lines))
	assert.Empty(t, unlisted(now, lines), publish)
	assert.Empty(t, lost(t, now, lines, archive), "a version that was published is neither current nor in the archive: "+publish)
	assert.Greater(t, len(now), 190)
	assert.GreaterOrEqual(t, len(archive), 3)

	f, err := os.Open("../../mapping/published/current.tgz")
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	current, err := published.ReadArchive(f)
	require.NoError(t, err)
	require.Len(t, current, len(now), publish)
	for i := range now {
		assert.Equal(t, string(now[i].JSON), string(current[i].JSON), "%s is not kept for the time after: %s", now[i].Canonical(), publish)
	}
	t.Logf("%d definitions, %d lines, %d superseded", len(now), len(lines), len(archive))

	// Each of them is missed.
	i := slices.IndexFunc(now, func(d guide.Definition) bool { return d.ID == "toe" && d.Type == "ConceptMap" })
	require.Len(t, now[i].Lines, 4, "forms of a map of toes")
	for j := range now[i].Lines {
		was := now[i].Lines[j].SHA256
		now[i].Lines[j].SHA256 = strings.Repeat("0", 64)
		wrong := guide.Changed(now, lines)
		require.Len(t, wrong, 1)
		assert.Contains(t, wrong[0], "ConceptMap/toe|1.0.0 says something else than when it was published: give it another version, then "+publish)
		now[i].Lines[j].SHA256 = was
	}
	form := slices.IndexFunc(lines, func(l published.Line) bool { return l.Canonical() == now[i].Canonical() })
	assert.Len(t, guide.Changed(now, slices.Delete(slices.Clone(lines), form, form+1)), 1, "a form that was not listed")
	assert.Equal(t, []string{now[5].Canonical()}, unlisted(now, slices.DeleteFunc(slices.Clone(lines), func(l published.Line) bool { return l.Canonical() == now[5].Canonical() })))
	assert.Equal(t, []string{archive[0].Canonical()}, lost(t, now, lines, archive[1:]))
	altered := slices.Clone(archive)
	altered[0].JSON = bytes.Replace(altered[0].JSON, []byte(`"active"`), []byte(`"retired"`), 1)
	assert.Equal(t, []string{archive[0].Canonical()}, lost(t, now, lines, altered))
}

// No value set takes the codes of a certain version of a code system. The Java
// validator would take those of the version that it has, whatever is asked for; an old
// version of a profile or value set it does not find, and says so.
func TestValueSetsTakeCurrentCodes(t *testing.T) {
	now, err := guide.Definitions()
	require.NoError(t, err)
	sets := 0
	for _, d := range now {
		var set struct {
			Compose struct {
				Include, Exclude []struct{ System, Version string }
			}
		}
		if d.Type != "ValueSet" {
			continue
		}
		require.NoError(t, json.Unmarshal(d.JSON, &set), d.Canonical())
		sets++
		for _, part := range slices.Concat(set.Compose.Include, set.Compose.Exclude) {
			assert.Empty(t, part.Version, "%s of %s", d.Canonical(), part.System)
		}
	}
	assert.Greater(t, sets, 50)
}

// A map that another has taken the place of is whole in the archive, and leaves
// under a setting in the form that the list has for it (D7.1).
func TestD7_1_FormerMapsLeaveWhatMayNotLeave(t *testing.T) {
	now, err := guide.Definitions()
	require.NoError(t, err)
	codes, maps := terms.MustLoad(), 0
	for _, d := range now {
		for name, s := range map[string]terms.Setting{
			"licensed+hcpcs": {SnomedCT: terms.Licensed, HCPCS: true}, "free-set": {SnomedCT: terms.FreeSet}, "off": {SnomedCT: terms.Off},
		} {
			text, err := codes.Former(s, d.JSON)
			require.NoError(t, err)
			hash, err := guide.Hash(text)
			require.NoError(t, err)
			i := slices.IndexFunc(d.Lines, func(l published.Line) bool {
				return l.Form == published.Any || slices.Contains(strings.Split(l.Form, ", "), name)
			})
			assert.Equal(t, d.Lines[i].SHA256, hash, "%s under %s", d.Canonical(), name)
		}
		if len(d.Lines) > 1 {
			maps++
		}
	}
	assert.Greater(t, maps, 20)
}

// The package has what the bridge serves, and snapshots beside.
func TestPackageSaysWhatIsServed(t *testing.T) {
	all, err := guide.Artifacts()
	require.NoError(t, err)
	text := map[string][]byte{}
	for _, a := range all {
		text[a.URL+"|"+a.Head.Version] = a.JSON
	}
	now, err := guide.Definitions()
	require.NoError(t, err)
	for _, d := range now {
		packed := text[d.Canonical()]
		if d.Type == "StructureDefinition" {
			var members map[string]json.RawMessage
			require.NoError(t, json.Unmarshal(packed, &members))
			require.NotEmpty(t, members["snapshot"], d.Canonical())
			delete(members, "snapshot")
			packed, err = json.Marshal(members)
			require.NoError(t, err)
		}
		want, err := guide.Hash(packed)
		require.NoError(t, err, d.Canonical())
		assert.True(t, slices.ContainsFunc(d.Lines, func(l published.Line) bool { return l.SHA256 == want }), d.Canonical())
	}
}
