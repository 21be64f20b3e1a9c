package spec

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
)

// The committed table is what the generator makes of the official package.
func TestTableIsGenerated(t *testing.T) {
	core := official.CoreArchive(t)
	core, err := filepath.Abs(core)
	require.NoError(t, err)
	out := t.TempDir()
	cmd := exec.Command("go", "run", "./internal/gen", core, out)
	msg, err := cmd.CombinedOutput()
	require.NoError(t, err, string(msg))
	for name, embedded := range map[string]string{"r4.tsv": tsv, "codes.tsv": codesTSV, "profiles.tsv": profilesTSV} {
		got, err := os.ReadFile(filepath.Join(out, name))
		require.NoError(t, err)
		assert.True(t, string(got) == embedded, "%s differs from what the generator writes; run go generate ./internal/spec", name)
	}
}

// Facts taken from the pages of R4 named beside them.
func TestFacts(t *testing.T) {
	table := R4()
	obs := table.Named("Observation") // observation.html
	value := table.Child(obs, "value")
	require.NotNil(t, value)
	assert.True(t, value.Choice)
	assert.Len(t, value.Types, 11)
	assert.Equal(t, 0, value.Min)
	assert.Equal(t, 1, value.Max)
	m := table.Member(obs, "valueQuantity")
	assert.Same(t, value, m.Element)
	assert.Equal(t, table.Named("Quantity"), m.Type)
	assert.Nil(t, table.Member(obs, "valueAddress").Element)
	assert.Nil(t, table.Member(obs, "value").Element, "a choice has no bare JSON name")

	status := table.Child(obs, "status")
	assert.Equal(t, &Binding{Strength: "required", ValueSet: "http://hl7.org/fhir/ValueSet/observation-status"}, status.Binding)
	assert.Equal(t, 1, status.Min)
	assert.Equal(t, []string{"Patient", "Group", "Device", "Location"}, table.Child(obs, "subject").Types[0].Targets)

	ranges := table.Resolve("Observation.component.referenceRange")
	require.NotNil(t, ranges)
	assert.True(t, ranges.Content, "by content reference")
	assert.Equal(t, table.Named("Observation.referenceRange"), ranges.Types[0].Type)

	lang := table.Child(table.Named("Patient"), "language") // resource.html
	assert.Equal(t, "http://hl7.org/fhir/ValueSet/all-languages", lang.Binding.Max)
	assert.Equal(t, Unbounded, table.Child(table.Named("Patient"), "name").Max)
	assert.Equal(t, "id", table.Child(obs, "id").Types[0].Name, "R4 resource.html: id is an id")
	assert.Equal(t, 0, table.Child(table.Named("xhtml"), "extension").Max, "narrative.html: no extensions")
}

// The hierarchy of types as drawn in R4 datatypes.html and resource.html.
func TestHierarchy(t *testing.T) {
	table := R4()
	for _, c := range []struct {
		sub, super string
		want       bool
	}{
		{"code", "string", true},
		{"id", "string", true},
		{"uuid", "uri", true},
		{"canonical", "uri", true},
		{"positiveInt", "integer", true},
		{"Age", "Quantity", true},
		{"Quantity", "Age", false},
		{"Patient", "DomainResource", true},
		{"Bundle", "DomainResource", false},
		{"Bundle", "Resource", true},
		{"Patient.contact", "BackboneElement", true},
		{"Timing.repeat", "Element", true},
		{"Timing", "BackboneElement", true},
		{"string", "uri", false},
	} {
		assert.Equal(t, c.want, table.Is(table.Named(c.sub), table.Named(c.super)), "%s is a %s", c.sub, c.super)
	}
}

// Every invariant of R4 has its key, level and expression, and stands once.
func TestInvariants(t *testing.T) {
	keys := map[string]string{}
	for _, typ := range R4().Types() {
		lists := [][]Invariant{typ.Invariants}
		for _, e := range typ.own {
			lists = append(lists, e.Invariants)
		}
		for _, list := range lists {
			for _, inv := range list {
				assert.Contains(t, []string{"error", "warning"}, inv.Severity, inv.Key)
				assert.NotEmpty(t, inv.Expression, inv.Key)
				assert.NotEmpty(t, inv.Human, inv.Key)
				keys[inv.Key] = typ.Name
			}
		}
	}
	for key, at := range map[string]string{
		"ele-1": "Element", "ext-1": "Extension", "dom-3": "DomainResource", "obs-7": "Observation",
		"obs-3": "Observation", "ref-1": "Reference", "bdl-7": "Bundle", "con-5": "Condition", "qty-3": "Quantity",
		"tim-1": "Timing", "txt-1": "Narrative", "ait-2": "AllergyIntolerance", "ppc-1": "Consent",
	} {
		got := keys[key]
		assert.True(t, got == at || len(got) > len(at) && got[:len(at)] == at, "%s stands at %q, want %s", key, got, at)
	}
}

// Every pattern is one that Go can match.
func TestPatterns(t *testing.T) {
	n := 0
	for _, typ := range R4().Types() {
		if typ.Pattern != "" {
			n++
			_, err := regexp.Compile("^(?:" + typ.Pattern + ")$")
			assert.NoError(t, err, typ.Name)
		}
	}
	assert.Equal(t, 19, n, "all 20 primitives but xhtml have one")
}

func TestSearchParameters(t *testing.T) {
	byURL := map[string]SearchParameter{}
	for _, s := range R4().SearchParameters() {
		byURL[s.URL] = s
	}
	s := byURL["http://hl7.org/fhir/SearchParameter/Observation-value-quantity"] // observation.html#search
	assert.Equal(t, "value-quantity", s.Code)
	assert.Equal(t, []string{"Observation"}, s.Bases)
	assert.Equal(t, "quantity", s.Type)
}

// A table that is wrong is refused with its line.
func TestReadErrors(t *testing.T) {
	for text, want := range map[string]string{
		"X\n":                              "line 1: unknown kind of line",
		"E\ta\t0\t1\tstring\n":             "line 1: an element of nothing",
		"I\terror\ta-1\ttrue\n":            "line 1: an invariant of nothing",
		"T\tA\tB\tcomplex\n":               "line 1: the base B of A is not before it",
		"T\tA\t\tthing\n":                  "line 1: A is of unknown kind",
		"T\tA\t\tcomplex\nE\ta\tx\t1\tA\n": "line 2: ",
		"T\tA\t\tcomplex\nE\ta\t0\t1\tB\n": "A.a is of unknown type B",
	} {
		_, err := read(text)
		if assert.Error(t, err, text) {
			assert.Contains(t, err.Error(), want)
		}
	}
}

// Starting the program reads the table: what that costs is a benchmark's to say, and how
// much it allocates is the same on every machine.
func TestLoadAllocates(t *testing.T) {
	table := testing.AllocsPerRun(3, func() { _, _ = read(tsv) })
	codes := testing.AllocsPerRun(3, func() { readCodes(codesTSV) })
	t.Logf("the table: %.0f allocations, the codes: %.0f", table, codes)
	assert.Less(t, table, 40_000.0)
	assert.Less(t, codes, 3_000.0)
}

func BenchmarkRead(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := read(tsv); err != nil {
			b.Fatal(err)
		}
	}
}

// Finds every code system, value set and profile in the text; what each holds is read
// when it is asked for.
func BenchmarkReadCodes(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		readCodes(codesTSV)
	}
}

// Codes taken from the pages of R4 named beside them.
func TestCodesOfR4(t *testing.T) {
	c := R4Codes()
	display, ok := c.System("http://terminology.hl7.org/CodeSystem/condition-clinical").Display("resolved") // codesystem-condition-clinical.html
	assert.True(t, ok)
	assert.Equal(t, "Resolved", display)
	assert.Equal(t, "not-present", c.System("http://snomed.info/sct").Content)
	set := c.Set("http://hl7.org/fhir/ValueSet/observation-status") // valueset-observation-status.html
	assert.Equal(t, []string{"http://hl7.org/fhir/observation-status"}, set.Whole)
	assert.False(t, set.Open)
	assert.True(t, c.Set("http://hl7.org/fhir/ValueSet/procedure-code").Open, "a filter on SNOMED CT")
	assert.Nil(t, c.Set("http://hl7.org/fhir/ValueSet/none"))
	text, ok := Profile("http://hl7.org/fhir/StructureDefinition/bodyweight")
	assert.True(t, ok)
	assert.Contains(t, text, "29463-7")
}
