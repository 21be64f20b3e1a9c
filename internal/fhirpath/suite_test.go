package fhirpath

import (
	"bufio"
	"bytes"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"math/rand"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/fhirpath/tree"
	"nailbridge/internal/official"
	"nailbridge/internal/spec"
)

// The community's FHIRPath suite for R4 (tests-fhir-r4.xml, HL7 public test
// cases): 935 live cases. Cases that call a function which neither N1 nor R4
// has are left out by the name of the function; cases known to fail stand in
// testdata/known.tsv with the reason and section, and fail the test when they
// start to pass.

// absent are the functions that the suite calls and that neither N1
// (http://hl7.org/fhirpath/N1, sections 5 to 7 and 10) nor R4 (fhirpath.html)
// has; later releases of FHIRPath brought them.
var absent = []string{
	"encode", "decode", "escape", "unescape", "trim", "split", "join", "matchesFull", "sort",
	"lowBoundary", "highBoundary", "comparable", "precision",
}

const (
	liveCases   = 935
	mostAbsent  = 99
	mostFailing = 16
)

type suiteCase struct {
	Name       string `xml:"name,attr"`
	Input      string `xml:"inputfile,attr"`
	Mode       string `xml:"mode,attr"`
	Ordered    string `xml:"checkOrderedFunctions,attr"`
	Unordered  string `xml:"ordered,attr"`
	Predicate  string `xml:"predicate,attr"`
	Expression struct {
		Invalid string `xml:"invalid,attr"`
		Mode    string `xml:"mode,attr"`
		Text    string `xml:",chardata"`
	} `xml:"expression"`
	Outputs []struct {
		Type string `xml:"type,attr"`
		Text string `xml:",chardata"`
	} `xml:"output"`

	group string
	id    string // name, with a number where the suite uses a name twice
}

func readSuite(t testing.TB) []suiteCase {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(official.Dir(t), "fhirpath", "tests-fhir-r4.xml"))
	require.NoError(t, err)
	var suite struct {
		Groups []struct {
			Name  string      `xml:"name,attr"`
			Tests []suiteCase `xml:"test"`
		} `xml:"group"`
	}
	require.NoError(t, xml.Unmarshal(raw, &suite))
	var cases []suiteCase
	seen := map[string]int{}
	for _, g := range suite.Groups {
		for _, c := range g.Tests {
			c.group, c.id = g.Name, c.Name
			if seen[c.Name]++; seen[c.Name] > 1 {
				c.id = fmt.Sprintf("%s#%d", c.Name, seen[c.Name])
			}
			cases = append(cases, c)
		}
	}
	require.Len(t, cases, liveCases)
	return cases
}

// usesAbsent finds the absent function that a case calls.
func usesAbsent(expression string) string {
	for _, name := range absent {
		if regexp.MustCompile(`\b` + name + `\s*\(`).MatchString(expression) {
			return name
		}
	}
	return ""
}

// suiteRunner evaluates cases, each input parsed once.
type suiteRunner struct {
	dir   string
	trees map[string]map[string]any
}

func (r *suiteRunner) tree(t testing.TB, input string) map[string]any {
	name := strings.TrimSuffix(input, filepath.Ext(input)) + ".json"
	if r.trees[name] == nil {
		raw, err := os.ReadFile(filepath.Join(r.dir, "fhirpath", name))
		require.NoError(t, err)
		r.trees[name] = parseTree(t, raw)
	}
	return r.trees[name]
}

func parseTree(t testing.TB, raw []byte) map[string]any {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	var tree map[string]any
	require.NoError(t, d.Decode(&tree))
	return tree
}

// verdict says how a case fails, or is empty.
func (r *suiteRunner) verdict(t testing.TB, c suiteCase) string {
	focus := Item{}
	if c.Input != "" {
		focus = Node(r.tree(t, c.Input), spec.None)
	}
	got, err := evaluate(c, focus)
	if c.Expression.Invalid != "" {
		if err == nil {
			return fmt.Sprintf("no error, but %q", got)
		}
		return ""
	}
	if err != nil {
		return err.Error()
	}
	var want []string
	for _, o := range c.Outputs {
		want = append(want, expected(o.Type, o.Text))
	}
	if c.Unordered == "false" {
		slices.Sort(got)
		slices.Sort(want)
	}
	if !slices.Equal(got, want) {
		return fmt.Sprintf("got %q, want %q", got, want)
	}
	return ""
}

// evaluate gives the items as "type value". Every expression is checked against
// the types first, not only those that the suite has in strict mode.
func evaluate(c suiteCase, focus Item) ([]string, error) {
	focus = tree.For(spec.R4()).Typed(focus)
	p, err := Compile(c.Expression.Text, Options{Strict: true, On: focus.Type, Ordered: c.Ordered == "true"})
	if err != nil {
		return nil, err
	}
	items, err := p.Eval(&Env{Now: time.Now()}, focus)
	if err != nil {
		return nil, err
	}
	if c.Predicate == "true" {
		truth, err := p.Test(&Env{Now: time.Now()}, focus)
		return []string{"boolean " + fmt.Sprint(truth == True)}, err
	}
	var out []string
	for _, it := range items {
		_, name := p.typeName(it)
		text, ok := p.Text(it)
		if !ok {
			text = fmt.Sprint(it.Val)
		}
		out = append(out, typeWord(name)+" "+text)
	}
	return out, nil
}

// typeWord writes FHIRPath's own types as the suite does: with a small letter.
func typeWord(name string) string {
	switch name {
	case "Boolean", "String", "Integer", "Decimal", "Date", "Time":
		return strings.ToLower(name)
	case "DateTime":
		return "dateTime"
	}
	return name
}

func expected(typ, text string) string {
	if typ == "" && (text == "true" || text == "false") {
		typ = "boolean"
	}
	if strings.HasPrefix(text, "@") {
		text = strings.TrimPrefix(strings.TrimPrefix(text, "@"), "T")
	}
	return typ + " " + text
}

// known reads testdata/known.tsv: case, section, reason.
func readKnown(t testing.TB) map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "known.tsv"))
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	out := map[string]string{}
	for s := bufio.NewScanner(f); s.Scan(); {
		if line := s.Text(); line != "" && line[0] != '#' {
			parts := strings.Split(line, "\t")
			require.Len(t, parts, 3, line)
			require.NotContains(t, out, parts[0])
			out[parts[0]] = parts[1] + ": " + parts[2]
		}
	}
	return out
}

// run gives the verdicts of all cases that are not left out, by id.
func runSuite(t testing.TB, cases []suiteCase) map[string]string {
	r := &suiteRunner{dir: official.Dir(t), trees: map[string]map[string]any{}}
	out := map[string]string{}
	for _, c := range cases {
		if usesAbsent(c.Expression.Text) == "" {
			out[c.id] = r.verdict(t, c)
		}
	}
	return out
}

func TestSuite(t *testing.T) {
	cases := readSuite(t)
	verdicts := runSuite(t, cases)
	known := readKnown(t)
	left := map[string]int{}
	passed, run := map[string]int{}, map[string]int{}
	var groups []string
	failing := 0
	for _, c := range cases {
		if !slices.Contains(groups, c.group) {
			groups = append(groups, c.group)
		}
		if name := usesAbsent(c.Expression.Text); name != "" {
			left[name]++
			assert.NotContains(t, functionNames(), name, "the engine has it, so the suite's cases count")
			continue
		}
		run[c.group]++
		reason, listed := known[c.id]
		switch verdict := verdicts[c.id]; {
		case verdict == "" && listed:
			t.Errorf("%s passes: take it off testdata/known.tsv", c.id)
		case verdict == "":
			passed[c.group]++
		case listed:
			failing++
			t.Logf("known: %s: %s (%s)", c.id, verdict, reason)
		default:
			t.Errorf("%s: %s\n%s", c.id, verdict, c.Expression.Text)
		}
		delete(known, c.id)
	}
	assert.Empty(t, known, "testdata/known.tsv lists cases that do not run")
	assert.LessOrEqual(t, failing, mostFailing)
	report(t, groups, passed, run, left)
}

// report prints the counts by group and what was left out by function.
func report(t *testing.T, groups []string, passed, run, left map[string]int) {
	all, ran, absentCases := 0, 0, 0
	for _, g := range groups {
		if run[g] > 0 {
			t.Logf("%4d of %4d  %s", passed[g], run[g], g)
		}
		all += passed[g]
		ran += run[g]
	}
	for _, name := range absent {
		t.Logf("left out: %3d calling %s()", left[name], name)
		assert.Positive(t, left[name], "no case calls %s()", name)
		absentCases += left[name]
	}
	assert.LessOrEqual(t, absentCases, mostAbsent)
	assert.Equal(t, liveCases, ran+absentCases)
	t.Logf("passed %d of %d; %d left out, %d failing", all, liveCases, absentCases, ran-all)
}

// Changing the expected result of 20 cases changes the verdict of those 20 and
// of no other, so the runner does compare.
func TestSuiteNotices(t *testing.T) {
	cases := readSuite(t)
	before := runSuite(t, cases)
	r := rand.New(rand.NewSource(6))
	flipped := map[string]bool{}
	for len(flipped) < 20 {
		c := &cases[r.Intn(len(cases))]
		if verdict, ran := before[c.id]; ran && verdict == "" && !flipped[c.id] {
			flip(c)
			flipped[c.id] = true
		}
	}
	after := runSuite(t, cases)
	for id, verdict := range before {
		assert.Equal(t, flipped[id], (verdict == "") != (after[id] == ""), id)
	}
}

// flip makes a case expect something else than it did.
func flip(c *suiteCase) {
	switch {
	case c.Expression.Invalid != "":
		c.Expression.Invalid = ""
		c.Mode, c.Expression.Mode = "", ""
		c.Outputs = append(c.Outputs[:0:0], c.Outputs...)
		c.Outputs = append(c.Outputs, struct {
			Type string `xml:"type,attr"`
			Text string `xml:",chardata"`
		}{"string", "flipped"})
	case len(c.Outputs) == 0:
		c.Expression.Invalid = "execution"
	default:
		c.Outputs = slices.Clone(c.Outputs)
		switch o := &c.Outputs[0]; o.Text {
		case "true":
			o.Text = "false"
		case "false":
			o.Text = "true"
		default:
			o.Text += "1"
		}
	}
}

// functionNames lists the names of all functions that the engine has.
func functionNames() []string {
	names := []string{"is", "as", "ofType"}
	for name := range functions {
		names = append(names, name)
	}
	for name := range predicates {
		names = append(names, name)
	}
	return names
}
