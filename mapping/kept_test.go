package mapping_test

import (
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
)

// What is kept and never published changes no byte that a hub sees, nor the hash
// of the publishable part (D3.2, D5.9): the values under that heading of
// COVERAGE.md, and every value of a picture whose consent is not agreed.
func TestD3_2_KeptChangesNoByte(t *testing.T) {
	base := coverageBases(t)[0].lines
	kept := slices.Sorted(maps.Keys(readCoverage(t).Kept))
	require.Equal(t, []string{"/safeguardingNote", "/withheldNote"}, kept)
	lines := slices.Clone(base)
	for i := range lines {
		kind := valueAt(t, lines[i], "/kind").(string)
		line, ok := mutated(t, lines[i], "/"+kind+"/photos/*/consent", mutation{apply: func(parent map[string]any, name string) { parent[name] = "declined" }})
		require.True(t, ok, kind)
		lines[i] = line
		for _, p := range record.Paths() {
			if p.Leaf() && len(p.Path) > len("/"+kind+"/photos/*/") && p.Path[:len("/"+kind+"/photos/*/")] == "/"+kind+"/photos/*/" && p.Path != "/"+kind+"/photos/*/consent" {
				kept = append(kept, p.Path)
			}
		}
	}
	before, ok := foldLines(t, lines)
	require.True(t, ok)
	tried := 0
	for _, path := range kept {
		for i := range lines {
			for _, m := range mutations(placeOf(path), valueAt(t, lines[i], path)) {
				line, ok := mutated(t, lines[i], path, m)
				if !ok {
					continue
				}
				changed := slices.Clone(lines)
				changed[i] = line
				after, ok := foldLines(t, changed)
				require.True(t, ok, path)
				assert.Equal(t, before.Sources, after.Sources, path)
				require.Equal(t, len(before.Resources), len(after.Resources), path)
				for j := range before.Resources {
					assert.Equal(t, string(before.Resources[j].JSON()), string(after.Resources[j].JSON()), path)
				}
				tried++
			}
		}
	}
	assert.Greater(t, tried, 40)
}

func placeOf(path string) record.PathInfo {
	for _, p := range record.Paths() {
		if p.Path == path {
			return p
		}
	}
	panic(path)
}
