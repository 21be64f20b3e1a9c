package engine_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
)

// defect is one line of the battery: an edit of a valid twin, and the key and
// place at which it must be found.
type defect struct{ area, twin, key, place, old, new string }

func battery(t testing.TB) []defect {
	t.Helper()
	text, err := os.ReadFile("testdata/battery.tsv")
	require.NoError(t, err)
	var out []defect
	for line := range strings.Lines(string(text)) {
		if line[0] == '#' {
			continue
		}
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		require.Len(t, f, 6, line)
		out = append(out, defect{f[0], f[1], f[2], f[3], f[4], f[5]})
	}
	return out
}

// known is R4 and the made-up profiles of testdata/defs.
func known(t testing.TB) *engine.Validator {
	t.Helper()
	r := defs.New()
	files, err := filepath.Glob("testdata/defs/*.json")
	require.NoError(t, err)
	for _, f := range files {
		text, err := os.ReadFile(f)
		require.NoError(t, err)
		taken, err := r.Add(text)
		require.NoError(t, err)
		assert.True(t, taken, f)
	}
	v := engine.New(r)
	for _, s := range r.Structures() {
		require.NoError(t, v.Compile(s.URL))
	}
	return v
}

func twin(t testing.TB, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", "twins", name+".json"))
	require.NoError(t, err)
	return string(text)
}

func (d defect) sow(t testing.TB) string {
	t.Helper()
	text := twin(t, d.twin)
	require.Equal(t, 1, strings.Count(text, d.old), "%s stands once in %s", d.old, d.twin)
	return strings.Replace(text, d.old, d.new, 1)
}

func told(issues []engine.Issue) string {
	var b strings.Builder
	for _, i := range issues {
		fmt.Fprintf(&b, "\n%s %s at %s: %s (%s)", i.Severity, i.Key, i.Location, i.Text, i.Detail)
	}
	return b.String()
}

// Nothing at all is said of a valid twin, not even a warning.
func TestBatteryTwins(t *testing.T) {
	v := known(t)
	files, err := filepath.Glob("testdata/twins/*.json")
	require.NoError(t, err)
	used := map[string]bool{}
	for _, d := range battery(t) {
		used[d.twin] = true
	}
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".json")
		assert.Empty(t, told(v.Validate([]byte(twin(t, name)), engine.Options{})), name)
		assert.True(t, used[name], "%s has a defect", name)
	}
}

// Every defect of the battery is found at its place with its key; what is said
// holds no data but in the detail.
func TestBattery(t *testing.T) {
	v := known(t)
	all := battery(t)
	require.GreaterOrEqual(t, len(all), 120)
	areas := map[string]int{}
	for i, d := range all {
		areas[d.area]++
		t.Run(fmt.Sprintf("%03d %s %s %s", i+1, d.area, d.twin, d.key), func(t *testing.T) {
			issues := v.Validate([]byte(d.sow(t)), engine.Options{})
			assert.True(t, slices.ContainsFunc(issues, func(i engine.Issue) bool { return i.Key == d.key && i.Location == d.place }),
				"want %s at %s, got:%s", d.key, d.place, told(issues))
			for _, i := range issues {
				assert.NotEmpty(t, i.Type)
				assert.NotEmpty(t, i.Section)
				for _, data := range []string{"Quill", "north.example", "toenail"} {
					assert.NotContains(t, i.Text, data)
					assert.NotContains(t, i.Location, data)
				}
			}
		})
	}
	for _, area := range []string{"required", "shape", "format", "binding", "reference", "bundle", "invariant", "narrative", "code", "extension", "profile"} {
		assert.Positive(t, areas[area], area)
	}
}
