package fhirpath

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/fhirpath/syntax"
	"nailbridge/internal/official"
	"nailbridge/internal/spec"
)

const dom3 = `contained.where((('#'+id in (%resource.descendants().reference | %resource.descendants().as(canonical) |
	%resource.descendants().as(uri) | %resource.descendants().as(url))) or descendants().where(reference = '#').exists() or
	descendants().where(as(canonical) = '#').exists() or descendants().where(as(canonical) = '#').exists()).not()).trace('unmatched', id).empty()`

func BenchmarkParse(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := syntax.Parse(dom3); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCompile(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Compile(dom3, Options{AsFilters: true}); err != nil {
			b.Fatal(err)
		}
	}
}

// placedProgram is an invariant, compiled, and an element it applies to.
type placedProgram struct {
	program *Program
	on      Item
}

// placedPrograms compiles the invariants that apply to the elements of a
// resource, one program for each invariant.
func placedPrograms(b testing.TB, tree map[string]any) []placedProgram {
	compiled := map[string]*Program{}
	var out []placedProgram
	first, err := Compile("$this", Options{})
	require.NoError(b, err)
	root := first.tree.Typed(Node(tree, spec.None))
	m := first.start(&Env{}, root)
	var visit func(it Item, own []spec.Invariant)
	visit = func(it Item, own []spec.Invariant) {
		list := append([]spec.Invariant(nil), own...)
		for id := it.Type; id != spec.None; id = m.tree.Model.Type(id).Base {
			list = append(list, m.tree.Model.Type(id).Invariants...)
		}
		for _, inv := range list {
			if compiled[inv.Key] == nil {
				p, err := Compile(inv.Expression, Options{AsFilters: true})
				require.NoError(b, err)
				compiled[inv.Key] = p
			}
			out = append(out, placedProgram{compiled[inv.Key], it})
		}
		obj, _ := it.Val.(map[string]any)
		for _, c := range m.tree.Members(obj, it.Type, nil) {
			for _, child := range m.tree.Spread(obj[c.Key], obj["_"+c.Key], c.Type, nil) {
				visit(child, m.tree.Model.Member(it.Type, c.Key).Element.Invariants)
			}
		}
	}
	visit(root, nil)
	return out
}

// BenchmarkObservation evaluates all invariants on all elements of one
// Observation: what a validator does.
func BenchmarkObservation(b *testing.B) {
	raw, err := os.ReadFile(filepath.Join(official.Dir(b), "fhirpath", "observation-example.json"))
	require.NoError(b, err)
	tree := parseTree(b, raw)
	programs := placedPrograms(b, tree)
	env := &Env{Resource: Node(tree, spec.None), Now: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)}
	b.ReportAllocs()
	b.ReportMetric(float64(len(programs)), "invariants")
	for b.Loop() {
		for _, p := range programs {
			if _, err := p.program.Test(env, p.on); err != nil {
				b.Fatal(err)
			}
		}
	}
}

func BenchmarkPath(b *testing.B) {
	tree := map[string]any{"resourceType": "Patient", "name": []any{map[string]any{"given": []any{"A", "B"}, "use": "official"}}}
	p, err := Compile("name.where(use = 'official').given.exists()", Options{})
	require.NoError(b, err)
	focus := p.tree.Typed(Node(tree, spec.None))
	env := &Env{}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := p.Test(env, focus); err != nil {
			b.Fatal(err)
		}
	}
}
