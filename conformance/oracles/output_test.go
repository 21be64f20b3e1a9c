package oracles

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/oracles/npm"
	"nailbridge/conformance/running"
	"nailbridge/internal/config"
	"nailbridge/internal/convert"
	"nailbridge/internal/generate"
	"nailbridge/internal/official"
	"nailbridge/internal/spec"
	"nailbridge/mapping/record"
	"nailbridge/testdata"
)

// How many generated cases are looked at: the usual number, or the larger one where NAILBRIDGE_ORACLE_CASES says so. They
// come in parts of partCases, since what is read of a part is held in memory.
const (
	usualCases  = 100
	largerCases = 1000
	partCases   = 100
	firstSeed   = 20
)

// R-NDJ-03, R-CONT-03, R-PROF-16: TestOracleOutput asks every reference about the Bundle of every story of the demo clinic,
// under both licence settings, every version of every resource that a running demo serves, and what is made of generated
// cases. The Java validator has no error and no warning; what it says as information, and what the others say, is listed in
// testdata/allowed.tsv.
func TestOracleOutput(t *testing.T) {
	Require(t)
	npm.Require(t)
	allowed := readAllowed(t, parts(t) > 1)
	begun, said := time.Now(), figures{}
	definitions, err := OwnDefinitions()
	require.NoError(t, err)
	goldens, stored := readGoldens(t), readDemo(t)
	documents := slices.Concat(goldens, stored)
	for part := range parts(t) {
		generated, resources := convertGenerated(t, firstSeed+part)
		documents = append(documents, generated...)
		present, err := CountTypes(documents)
		require.NoError(t, err)
		t.Logf("%d documents with %d resources: %v", len(documents), sum(present), present)

		report, err := Validate(t.Context(), Options{Documents: documents, Definitions: definitions, Verbose: true, Snapshots: true})
		require.NoError(t, err)
		assert.NoError(t, report.Err())
		assert.Empty(t, allowed.wrong("java", report, present))
		said.add("java", report)
		for i, report := range askScripts(t, Options{Documents: documents, Definitions: slices.Concat(definitions, report.Snapshots)}) {
			assert.Positive(t, report.Asked)
			said.add(string(Scripts[i]), report)
			assert.Empty(t, allowed.wrong(string(Scripts[i]), report, present))
		}
		t.Logf("%d golden Bundles, %d versions of the demo; %d generated cases, %d resources in %d Bundles", len(goldens), len(stored), partCases, resources, len(generated))
		documents = nil
	}
	assert.Empty(t, allowed.unused(), "to be taken off testdata/allowed.tsv")
	t.Logf("%d cases in %.0f s, %d lines allowed: %v", partCases*parts(t), time.Since(begun).Seconds(), len(allowed), said)
}

// figures are how many resources each reference read, how many questions it was put, and how many findings of each level it
// has.
type figures map[string]map[string]int

func (f figures) add(reference string, r Report) {
	if f[reference] == nil {
		f[reference] = map[string]int{Error: 0, Warning: 0}
	}
	f[reference]["resources"] += r.Resources
	f[reference]["questions"] += r.Asked
	for _, finding := range r.Findings {
		f[reference][finding.Level]++
	}
}

// askScripts asks the references in JavaScript, each of which keeps one core busy, at once; the reports are in the order of [Scripts].
func askScripts(t *testing.T, o Options) []Report {
	t.Helper()
	core := official.CoreArchive(t)
	reports, errs := make([]Report, len(Scripts)), make([]error, len(Scripts))
	var asked sync.WaitGroup
	for i, script := range Scripts {
		asked.Go(func() { reports[i], errs[i] = script.Ask(t.Context(), core, o) })
	}
	asked.Wait()
	require.NoError(t, errors.Join(errs...))
	return reports
}

// parts are how many parts of generated cases are looked at.
func parts(t *testing.T) int {
	t.Helper()
	n, err := strconv.Atoi(cmp.Or(os.Getenv("NAILBRIDGE_ORACLE_CASES"), strconv.Itoa(usualCases)))
	require.NoError(t, err)
	require.Contains(t, []int{usualCases, largerCases}, n, "NAILBRIDGE_ORACLE_CASES: the list of what is allowed is of these")
	return n / partCases
}

// allowance is what a reference says that need not be mended.
type allowance struct{ reference, id, element string }

// allowances are those of testdata/allowed.tsv, with how often each was met.
type allowances map[allowance]int

// exactElement is a path without a pattern.
const exactElement = `^[A-Z]\w*(\.\w+(\(\w+\))?)*$`

// readAllowed leaves out the lines of a larger run than the usual, whose reference ends with "+", unless this is one.
func readAllowed(t *testing.T, larger bool) allowances {
	t.Helper()
	text, err := os.ReadFile("testdata/allowed.tsv")
	require.NoError(t, err)
	out := allowances{}
	for line := range strings.Lines(string(text)) {
		if line[0] == '#' {
			continue
		}
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		require.Len(t, f, 4, line)
		require.NotContains(t, f, "", line)
		require.Regexp(t, exactElement, f[2], "one element")
		reference, ofLarger := strings.CutSuffix(f[0], "+")
		if ofLarger && !larger {
			continue
		}
		a := allowance{reference, f[1], f[2]}
		require.NotContains(t, out, a, "listed once")
		out[a] = 0
	}
	return out
}

// wrong are the findings that are not listed, each place once, and whether the resources read are those present.
func (a allowances) wrong(reference string, r Report, present map[string]int) (out []string) {
	if !maps.Equal(present, r.Types) {
		out = append(out, fmt.Sprintf("%s: resources read %v, present %v", reference, r.Types, present))
	}
	told := map[allowance]bool{}
	for _, f := range r.Findings {
		of := allowance{reference, f.ID, f.Element()}
		if _, listed := a[of]; listed {
			a[of]++
		} else if !told[of] {
			told[of] = true
			out = append(out, fmt.Sprintf("%s, not listed: %s\t%s\n%s", reference, of.id, of.element, f))
		}
	}
	return out
}

// unused are the lines that are no longer needed.
func (a allowances) unused() (out []string) {
	for of, n := range a {
		if n == 0 {
			out = append(out, fmt.Sprintf("%s\t%s\t%s", of.reference, of.id, of.element))
		}
	}
	return out
}

// A finding that is not listed is wrong, as is one that another reference may say, or the same elsewhere; and a line that meets
// nothing is told.
func TestAllowancesAreHeld(t *testing.T) {
	for _, several := range []string{"*", "Goal.*", "Goal.note.", ""} {
		assert.NotRegexp(t, exactElement, several)
	}
	for name, c := range map[string]struct {
		findings      []Finding
		present       map[string]int
		wrong, unused int
	}{
		"listed and met":     {[]Finding{{ID: "a", Place: "Goal.note[1]"}, {ID: "a", Place: "Goal.note[2]"}}, nil, 0, 0},
		"not met":            {nil, nil, 0, 1},
		"elsewhere, twice":   {[]Finding{{ID: "a", Place: "Goal.note[1].text"}, {ID: "a", Place: "Goal.note[2].text"}}, nil, 1, 1},
		"another message":    {[]Finding{{ID: "b", Place: "Goal.note[1]"}}, nil, 1, 1},
		"not every resource": {[]Finding{{ID: "a", Place: "Goal.note[1]"}}, map[string]int{"Goal": 1}, 1, 0},
	} {
		a := allowances{{"java", "a", "Goal.note"}: 0}
		assert.Len(t, a.wrong("java", Report{Findings: c.findings}, c.present), c.wrong, name)
		assert.Len(t, a.unused(), c.unused, name)
		assert.Len(t, a.wrong("walker.cjs", Report{Findings: []Finding{{ID: "a", Place: "Goal.note"}}}, nil), 1, name)
	}
}

// readDemo gives every version of every resource that a running demo serves, after the first tick of its schedule.
func readDemo(t *testing.T) (documents [][]byte) {
	t.Helper()
	binary, err := running.Build(t.Context(), t.TempDir())
	require.NoError(t, err)
	b, err := running.Demo(binary, t.TempDir())
	require.NoError(t, err)
	require.NoError(t, b.Start(t.Context()))
	defer func() { require.NoError(t, b.Stop()) }()
	require.NoError(t, b.Ticked(t.Context()))
	for url, left := b.Base+"/fhir/_history?_count=500", -1; url != "" || left > 0; {
		p, err := running.ReadPage(t.Context(), url)
		require.NoError(t, err)
		if left < 0 {
			left = p.Total
		}
		for _, r := range p.Resources {
			if left--; len(r) > 0 { // else it was deleted
				documents = append(documents, r)
			}
		}
		url = p.Next
	}
	return documents
}

func readGoldens(t *testing.T) [][]byte {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("..", "..", "testdata", "golden", "*.json"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	var documents [][]byte
	for _, f := range files {
		text, err := os.ReadFile(f)
		require.NoError(t, err)
		documents = append(documents, text)
	}
	return documents
}

// convertGenerated gives the Bundle of every patient of the generated cases of a seed who is shared, as the command to-fhir
// writes it, and how many resources they hold.
func convertGenerated(t testing.TB, seed int) (bundles [][]byte, resources int) {
	t.Helper()
	file, err := config.Parse(testdata.Settings())
	require.NoError(t, err)
	settings, err := file.Settings(config.DemoNamespace)
	require.NoError(t, err)
	asOf := time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)
	cases := generate.Cases(uint64(seed), partCases, generate.Options{Clinic: settings[0].Clinic.ID, Zone: settings[0].Clinic.Zone})
	for _, records := range byPatient(cases) {
		var inputs []convert.Input
		for _, rec := range records {
			b, err := record.Encode(rec)
			require.NoError(t, err)
			inputs = append(inputs, convert.Input{Name: rec.Record, Data: b})
		}
		result, err := convert.Convert(settings, inputs, asOf)
		require.NoError(t, err)
		require.Empty(t, result.Issues)
		if len(result.Resources) == 0 {
			continue // not shared (D3.1)
		}
		var b bytes.Buffer
		require.NoError(t, convert.WriteBundle(&b, result.Resources, file.PublicBaseURL, asOf.Format(time.RFC3339)))
		bundles = append(bundles, b.Bytes())
		resources += len(result.Resources)
	}
	joined := slices.ContainsFunc(bundles, func(b []byte) bool { return bytes.Contains(b, []byte(`"replaced-by"`)) })
	require.True(t, joined, "D1.5: Patients that a merge joins are among them")
	require.Greater(t, len(bundles), partCases/3, "most cases are shared, and some are of one patient")
	require.Greater(t, resources, 25*partCases)
	return bundles, resources
}

// Our own check holds none of the cases of the larger run: one of the last hundred has an
// activity that stands in for two others. And the lines for markup in a text are of the
// elements that hold some, of either run, whoever asks the Java validator or not.
func TestCasesOfTheLargerRun(t *testing.T) {
	found := map[bool]map[string]bool{false: {}, true: {}} // by whether it is in the usual run
	for part := range largerCases / partCases {
		bundles, _ := convertGenerated(t, firstSeed+part)
		for _, b := range bundles {
			markupIn(t, b, found[part < usualCases/partCases])
		}
	}
	for _, b := range readGoldens(t) {
		markupIn(t, b, found[true])
	}
	usual, all := readAllowed(t, false), readAllowed(t, true)
	listed := map[bool]map[string]bool{false: {}, true: {}}
	for a := range all {
		if _, is := usual[a]; a.id == "SECURITY_STRING_CONTENT_WARNING" {
			listed[is][a.element] = true
		}
	}
	maps.DeleteFunc(found[false], func(element string, _ bool) bool { return found[true][element] })
	assert.Equal(t, listed, found)
	assert.Greater(t, len(found[false]), 20)
}

// markup is a tag with another behind it, as the Java validator looks for them.
var markup = regexp.MustCompile(`<[A-Za-z]\w*(\s[^<>]*)?>[^<]*<`)

// markupIn adds the elements of a Bundle's resources whose value has markup, narratives left out.
func markupIn(t *testing.T, bundle []byte, found map[string]bool) {
	t.Helper()
	var b struct {
		Entry []struct{ Resource map[string]any }
	}
	require.NoError(t, json.Unmarshal(bundle, &b))
	var walk func(typ spec.TypeID, path string, v any)
	walk = func(typ spec.TypeID, path string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for name, below := range v {
				m := spec.R4().Member(typ, strings.TrimPrefix(name, "_"))
				if m.Element == nil || name == "div" {
					continue
				}
				step := m.Element.Name
				if m.Element.Choice {
					step += ".ofType(" + spec.R4().Type(m.Type).Name + ")"
				}
				walk(m.Type, path+"."+step, below)
			}
		case []any:
			for _, below := range v {
				walk(typ, path, below)
			}
		case string:
			if markup.MatchString(v) {
				found[path] = true
			}
		}
	}
	for _, e := range b.Entry {
		typ := e.Resource["resourceType"].(string)
		walk(spec.R4().Named(typ), typ, e.Resource)
	}
}

// byPatient joins the records of neighbouring cases that begin with the same patient, as generate.Cases makes them.
func byPatient(cases [][]*record.Record) [][]*record.Record {
	var out [][]*record.Record
	for i, records := range cases {
		if i > 0 && firstPatient(records) == firstPatient(cases[i-1]) {
			out[len(out)-1] = append(out[len(out)-1], records...)
			continue
		}
		out = append(out, slices.Clone(records))
	}
	return out
}

func firstPatient(records []*record.Record) record.Identifier {
	for _, r := range records {
		if r.Patient != nil && r.Patient.Identifier != nil {
			return *r.Patient.Identifier
		}
	}
	return record.Identifier{}
}

func sum(counts map[string]int) int {
	total := 0
	for _, n := range counts {
		total += n
	}
	return total
}
