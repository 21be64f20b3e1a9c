package coverage

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const someTables = "## Values\n\n| Record | FHIR | Transform | Why in words |\n|---|---|---|---|\n" +
	"| `/{review,contact}/at` | `Encounter.period.start` `Observation` | date and time |  |\n" +
	"| `/surgery/code` | `Observation.code.coding` `Observation.component` `Patient.telecom.system` | code map finding |  |\n" +
	"| `/surgery/kg` | `Observation.valueQuantity` | decimal text |  |\n\n" +
	"## Provenance\n\n| `/record` | `Provenance.entity.what.display` | as recorded |\n\n" +
	"## Computed\n\n| FHIR | How |\n| `*.text.div` | computed: the narrative |\n| `*].url` | computed: its URL |\n" +
	"| `Observation.code.coding` `Observation.status` | computed: always so |\n| `Patient.telecom` | computed: of the settings |\n\n" +
	"## Steering\n\n| `/kind` | says which tree |\n"

// A path is claimed by what reaches it, is part of a value that is claimed, or is
// computed; what is computed goes for what is below it where nothing else is known.
func TestOriginOfAPath(t *testing.T) {
	table, err := Read(someTables)
	require.NoError(t, err)
	records := func(path string) (out []string) {
		for _, c := range table.Of(path).Claims {
			out = append(out, c.Record)
		}
		return out
	}
	assert.Equal(t, []string{"/review/at", "/contact/at"}, records("Encounter.period.start"))
	assert.Equal(t, []string{"/record"}, records("Provenance.entity.what.display"))
	for path, want := range map[string]Origin{
		"Observation.valueQuantity.unit":             {With: "Observation.valueQuantity"},
		"Observation.code.text":                      {With: "Observation.code.coding"},
		"Observation.code.coding.display":            {With: "Observation.code.coding"},
		"Observation.component.code":                 {}, // a component is there or not: no value
		"Observation.code":                           {},
		"Observation.status":                         {Computed: []string{"computed: always so"}},
		"Composition.section.text.div":               {Computed: []string{"computed: the narrative"}},
		"Encounter.extension[a].extension[b].url":    {Computed: []string{"computed: its URL"}},
		"Encounter.extension[a].extension[b].value":  {},
		"Patient.telecom.value":                      {Computed: []string{"computed: of the settings"}},
		"Encounter.period.start.extension[a].valueX": {},
	} {
		assert.Equal(t, want, table.Of(path), path)
		assert.Equal(t, want.With != "" || want.Computed != nil, table.Of(path).Known(), path)
	}
	assert.Equal(t, []string{"computed: always so"}, table.Of("Observation.code.coding").Computed, "made so where no record says it")
	assert.Empty(t, table.Of("Patient.telecom.system").Computed, "a record says it")
	assert.Equal(t, map[string]string{"/kind": "says which tree"}, table.Steering)
}

// A row that says too little, or the same twice, is an error and names its path.
func TestReadRefusesRows(t *testing.T) {
	for _, row := range []string{
		"## Values\n| `/a` | `A.b` |  |  |", "## Values\n| `/a` | `A.b` `A.b` | as recorded |  |", "## Values\n| `/a` | `A.b` | as recorded |",
		"## Steering\n| `/a` |  |", "## Elsewhere\n| `/a` | why |", "## Computed\n| `A.b` |  |", "## Provenance\n| `/a` | `A.b` |  |",
	} {
		_, err := Read(row)
		require.Error(t, err, row)
		assert.True(t, strings.Contains(err.Error(), "/a") || strings.Contains(err.Error(), "A.b"), err)
	}
}

func TestWalk(t *testing.T) {
	var tree map[string]any
	require.NoError(t, json.Unmarshal([]byte(`{"resourceType":"A","b":[{"c":1},{"c":2}],"d":"x","_d":{"extension":[{"url":"http://e/f","valueCode":"y"}]},
		"_g":{"extension":[{"url":"h","valueCode":"y"}]},"i":[null,"z"]}`), &tree))
	var got []string
	values := 0
	Walk(tree, func(path string, v any) {
		got = append(got, path)
		if v != nil {
			values++
		}
	})
	ext := func(p string) []string { return []string{p, p + ".url", p + ".valueCode"} }
	want := append([]string{"A"}, ext("A.d.extension[f]")...)
	want = append(append(want, "A.g"), ext("A.g.extension[h]")...)
	want = append(want, "A.b", "A.b.c", "A.b", "A.b.c", "A.d", "A.i", "A.resourceType")
	assert.ElementsMatch(t, want, got)
	assert.Equal(t, 9, values)
}
