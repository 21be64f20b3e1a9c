package fhirpath

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	gofhir "github.com/gofhir/fhirpath"
	"github.com/gofhir/fhirpath/funcs"
	gofhirtypes "github.com/gofhir/fhirpath/types"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
	"nailbridge/internal/spec"
)

// example is one official example resource, or one held in it.
type example struct {
	name string
	raw  []byte
	tree map[string]any
}

// eachExample reads the official examples; resources contained in others or in
// Bundles are handed out by themselves too.
func eachExample(t testing.TB, do func(e example)) {
	t.Helper()
	for _, d := range official.Examples(t) {
		eachResource(d.Name, parseTree(t, d.Text), do)
	}
}

func eachResource(name string, tree map[string]any, do func(e example)) {
	if _, ok := tree["resourceType"].(string); ok {
		raw, _ := json.Marshal(tree)
		do(example{name, raw, tree})
	}
	for key, v := range tree {
		list, _ := v.([]any)
		for i, x := range list {
			if o, ok := x.(map[string]any); ok {
				at := fmt.Sprintf("%s#%s[%d]", name, key, i)
				if r, ok := o["resource"].(map[string]any); ok {
					o = r
				}
				if _, ok := o["resourceType"]; ok {
					eachResource(at, o, do)
				}
			}
		}
	}
}

// placedInvariant is an invariant at a FHIRPath path: it is evaluated on each
// element there.
type placedInvariant struct {
	path string
	inv  spec.Invariant
}

func (p placedInvariant) expression() string { return p.path + ".select(" + p.inv.Expression + ")" }

// listedAs is the key of the invariant; where an element is listed with it,
// such as "ele-1 event", and this is such an element, that.
func (p placedInvariant) listedAs(known map[string]string) string {
	element := p.path[strings.LastIndexByte(p.path, '.')+1:]
	if at := p.inv.Key + " " + element; known[at] != "" {
		return at
	}
	return p.inv.Key
}

// invariantsOf lists the invariants that apply to the elements that a resource
// has, each path once. Resources held in it are left to themselves.
func invariantsOf(m *machine, tree map[string]any) []placedInvariant {
	var out []placedInvariant
	seen := map[string]bool{}
	root := m.tree.Typed(Node(tree, spec.None))
	var visit func(path string, it Item, own []spec.Invariant)
	visit = func(path string, it Item, own []spec.Invariant) {
		list := slices.Clone(own)
		for id := it.Type; id != spec.None; id = m.tree.Model.Type(id).Base {
			list = append(list, m.tree.Model.Type(id).Invariants...)
		}
		for _, inv := range list {
			if at := path + " " + inv.Key; !seen[at] {
				seen[at] = true
				out = append(out, placedInvariant{path, inv})
			}
		}
		obj, ok := it.Val.(map[string]any)
		if !ok {
			return
		}
		for _, c := range m.tree.Members(obj, it.Type, nil) {
			e := m.tree.Model.Member(it.Type, c.Key).Element
			if e == nil || c.Type == m.tree.Resource {
				continue
			}
			name := e.Name
			if name == "div" || name == "contains" || name == "as" || name == "in" || name == "is" {
				name = "`" + name + "`"
			}
			for _, child := range m.tree.Spread(obj[c.Key], obj["_"+c.Key], c.Type, nil) {
				visit(path+"."+name, child, e.Invariants)
			}
		}
	}
	visit(tree["resourceType"].(string), root, nil)
	return out
}

// Every invariant of R4, on every element of the official examples that it
// applies to, gives the same here as in github.com/gofhir/fhirpath, or the key
// of the invariant stands in testdata/differences.tsv with who is right.
func TestDifferential(t *testing.T) {
	funcs.SetTraceLogger(funcs.NullTraceLogger{})
	known := readDifferences(t, "differences.tsv")
	used := map[string]int{}
	programs := map[string]*Program{}
	theirs := map[string]*gofhir.Expression{}
	env := &Env{Now: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)}
	first, err := Compile("$this", Options{})
	require.NoError(t, err)
	compared, resources, count := 0, 0, 0
	keys := map[string]bool{}
	eachExample(t, func(e example) {
		if count++; testing.Short() && count%25 != 0 {
			return
		}
		resources++
		m := first.start(env, Node(e.tree, spec.None))
		places := invariantsOf(m, e.tree)
		m.stop()
		for _, place := range places {
			source := place.expression()
			if programs[source] == nil {
				p, err := Compile(source, Options{AsFilters: true})
				require.NoError(t, err, source)
				programs[source] = p
			}
			if theirs[source] == nil {
				x, err := gofhir.Compile(source)
				require.NoError(t, err, source)
				theirs[source] = x
			}
			compared++
			keys[place.inv.Key] = true
			ours := show(programs[source], env, e.tree)
			other := showTheirs(theirs[source], e.raw)
			if ours == other {
				continue
			}
			key := place.listedAs(known)
			used[key]++
			if _, listed := known[key]; !listed && used[key] < 4 {
				t.Errorf("%s %s at %s\nours:   %s\ntheirs: %s\n%s", e.name, place.inv.Key, place.path, ours, other, place.inv.Expression)
			}
		}
	})
	t.Logf("%d results of %d invariants over %d resources compared", compared, len(keys), resources)
	for key, why := range known {
		if used[key] > 0 {
			t.Logf("differs: %s %d times: %s", key, used[key], why)
		} else if !testing.Short() {
			t.Errorf("no result of %s differs: take it off testdata/differences.tsv", key)
		}
	}
}

func show(p *Program, env *Env, tree map[string]any) string {
	items, err := p.Eval(env, Node(tree, spec.None))
	if err != nil {
		return "error " + err.Error()
	}
	var out []string
	for _, it := range items {
		s, _ := p.Text(it)
		out = append(out, s)
	}
	return strings.Join(out, " ")
}

func showTheirs(x *gofhir.Expression, raw []byte) string {
	ucum := gofhir.WithVariable("ucum", gofhirtypes.Collection{gofhirtypes.NewString("http://unitsofmeasure.org")})
	items, err := x.EvaluateWithOptions(raw, gofhir.WithModel(otherModel{spec.R4()}), ucum)
	if err != nil {
		return "error " + err.Error()
	}
	var out []string
	for _, it := range items {
		out = append(out, it.String())
	}
	return strings.Join(out, " ")
}

// readDifferences reads a list of differences: key, who is right, section,
// reason.
func readDifferences(t testing.TB, name string) map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	out := map[string]string{}
	for s := bufio.NewScanner(f); s.Scan(); {
		if line := s.Text(); line != "" && line[0] != '#' {
			parts := strings.Split(line, "\t")
			require.Len(t, parts, 4, line)
			out[parts[0]] = strings.Join(parts[1:], "; ")
		}
	}
	return out
}

// otherModel gives the other engine the types of our table.
type otherModel struct{ table *spec.Table }

func (m otherModel) element(path string) *spec.Element { return m.table.Resolve(path) }

func (m otherModel) ChoiceTypes(path string) []string {
	e := m.element(path)
	if e == nil || !e.Choice {
		return nil
	}
	var out []string
	for _, t := range e.Types {
		out = append(out, t.Name)
	}
	return out
}

func (m otherModel) TypeOf(path string) string {
	if e := m.element(path); e != nil && len(e.Types) == 1 {
		return e.Types[0].Name
	}
	return ""
}

func (m otherModel) ReferenceTargets(path string) []string {
	if e := m.element(path); e != nil && len(e.Types) == 1 {
		return e.Types[0].Targets
	}
	return nil
}

func (m otherModel) ParentType(name string) string {
	if t := m.table.Type(m.table.Named(name)); t != nil && t.Base != spec.None {
		return m.table.Type(t.Base).Name
	}
	return ""
}

func (m otherModel) IsSubtype(child, parent string) bool {
	return m.table.Is(m.table.Named(child), m.table.Named(parent))
}

func (m otherModel) ResolvePath(path string) string {
	if e := m.element(path); e != nil && e.Content {
		return e.Types[0].Name
	}
	return path
}

func (m otherModel) IsResource(name string) bool {
	t := m.table.Type(m.table.Named(name))
	return t != nil && t.Kind == spec.Resource
}

// The list of differences is not a place to hide errors of ours.
func TestDifferencesAreNotErrors(t *testing.T) {
	for _, name := range []string{"differences.tsv", "differences-js.tsv"} {
		for key, why := range readDifferences(t, name) {
			assert.True(t, strings.HasPrefix(why, "ours;"), "%s: %s", key, why)
		}
	}
}
