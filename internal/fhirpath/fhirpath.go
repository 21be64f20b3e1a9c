// Package fhirpath evaluates FHIRPath 2.0 (the Normative Release N1,
// http://hl7.org/fhirpath/N1) with the functions that FHIR R4 adds
// (http://hl7.org/fhir/R4/fhirpath.html) over resources held as JSON trees.
//
// An expression is compiled once and may then be evaluated any number of times,
// at once too. It is evaluated over a tree as encoding/json makes it with
// UseNumber: map[string]any, []any, string, json.Number, bool; the tree is not
// changed and not parsed again. Types come from a Model.
//
// Decimals are exact, dates keep their precision, quantities are compared by
// UCUM, and an error is never an empty result. What an evaluation may cost is
// bounded by a Budget; what goes beyond is refused with ErrBudget. trace() writes
// nothing: it hands its items to Env.Trace.
//
// Where N1 leaves a choice, and where it differs from the community's suite,
// testdata/known.tsv says what is done and why.
package fhirpath

import (
	"cmp"
	"errors"
	"fmt"
	"sync"
	"time"

	"nailbridge/internal/fhirpath/syntax"
	"nailbridge/internal/fhirpath/tree"
	"nailbridge/internal/fhirpath/typecheck"
	"nailbridge/internal/spec"
)

// Errors. Their text names functions, operators and places in the expression,
// never a value of the data.
var (
	// ErrSyntax is met by errors of Compile about the form of an expression.
	ErrSyntax = syntax.ErrSyntax
	// ErrBudget says that an evaluation would cost more than its Budget.
	ErrBudget = errors.New("evaluation goes beyond its budget")
	// ErrEnded says that Env.Done was closed before the evaluation was done.
	ErrEnded = errors.New("evaluation was ended")
	// ErrUnsupported is met when a function needs something the Env does not
	// hold, such as terminology.
	ErrUnsupported = errors.New("not available here")
)

// Options are settings of Compile.
type Options struct {
	// Model tells the types; nil means spec.R4().
	Model Model
	// AsFilters makes as, function and operator, filter a collection, as ofType()
	// does, where N1 6.3.3 and 6.3.4 demand a single item. R4's own invariants
	// (dom-3) and search parameters (combo-value-concept) count on that.
	AsFilters bool
	// Strict refuses what is wrong before there is any data: members that no type
	// on the path has, and criteria that can be no Boolean (N1 9). On is the type of
	// the focus, if it is known; Ordered refuses what counts on an order that its
	// input does not have (N1 3.1). The types are R4's then, whatever the Model.
	Strict, Ordered bool
	On              spec.TypeID
}

// Program is a compiled expression. It may be used by many goroutines at once.
type Program struct {
	source string
	root   expr
	tree   *tree.Tree
	filter bool // as() filters
}

// Compile reads an expression. It refuses unknown functions and types, wrong
// numbers of arguments and constants out of range.
func Compile(source string, o Options) (*Program, error) {
	parsed, err := syntax.Parse(source)
	if err != nil {
		return nil, err
	}
	if o.Strict {
		if err := typecheck.Check(source, spec.R4(), o.On, typecheck.Options{Ordered: o.Ordered}); err != nil {
			return nil, err
		}
	}
	if o.Model == nil {
		o.Model = spec.R4()
	}
	p := &Program{source: source, tree: tree.For(o.Model), filter: o.AsFilters}
	c := compiler{program: p}
	if p.root, err = c.compile(parsed); err != nil {
		return nil, err
	}
	return p, nil
}

// String is the source of the expression.
func (p *Program) String() string { return p.source }

// Env is what surrounds an evaluation. The zero Env has no variables but the
// standard's own and resolves nothing.
type Env struct {
	// Resource is %resource, the resource that holds the focus; Root is
	// %rootResource, the one that contains it, if another (R4 fhirpath.html).
	// Unset, they are the focus.
	Resource, Root Item
	// Vars are further variables by name without the percent sign.
	Vars map[string][]Item
	// Now is the time that now() and today() give, in its zone. N1 5.9 wants
	// it the same throughout. Unset, those functions are an error.
	Now time.Time
	// Resolver finds what references point to; without one only contained
	// resources are found.
	Resolver Resolver
	// Terms answers memberOf, subsumes and subsumedBy.
	Terms Terms
	// Profiles answers conformsTo for more than R4's own types, and slice.
	Profiles Profiles
	// Trace takes what trace() is given: name and items, valid during the
	// call only.
	Trace func(name string, items []Item)
	// Budget bounds the cost; zero fields mean DefaultBudget's.
	Budget Budget
	// Done ends the evaluation with ErrEnded once it is closed, within so many
	// steps as take a hundredth of a second; nil never does.
	Done <-chan struct{}
}

// Resolver finds the resource that a reference or canonical names.
type Resolver interface {
	// Resolve gives the tree of a resource, or false. The reference is as in
	// the data and does not begin with #.
	Resolve(reference string) (map[string]any, bool)
}

// Terms answers questions about codes. Known false says that the value set or
// system is not known, which is an error of the expression.
type Terms interface {
	MemberOf(system, code, valueSet string) (member, known bool)
	Subsumes(system, ancestor, code string) (subsumes, known bool)
}

// Profiles tells whether a resource conforms to the profile with a canonical
// URL; known false means that the profile is not known.
type Profiles interface {
	ConformsTo(resource Item, url string) (conforms, known bool)
	// InSlice tells whether an element is of a slice of a profile, by name; known
	// false means that there is no such profile or slice.
	InSlice(element Item, url, slice string) (in, known bool)
}

// Budget bounds an evaluation. A step is about the work of reading one element,
// so 10 million are a second or less.
type Budget struct {
	Steps  int
	Memory int // bytes of items and strings held at one time
}

// DefaultBudget suffices for R4's invariants over resources of some megabytes.
var DefaultBudget = Budget{Steps: 10_000_000, Memory: 64 << 20}

// Eval evaluates the expression on a focus, which is also %context. The result
// is the caller's.
func (p *Program) Eval(env *Env, focus Item) ([]Item, error) {
	m := p.start(env, focus)
	defer m.stop()
	out, err := p.root.eval(m, &m.outer, nil)
	if err == nil {
		err = m.step(0)
	}
	if err != nil {
		return nil, p.explain(err)
	}
	return out, nil
}

// Test evaluates the expression as an invariant is: one item that is no Boolean
// counts as true (N1 4.5); several are an error.
func (p *Program) Test(env *Env, focus Item) (Truth, error) {
	m := p.start(env, focus)
	defer m.stop()
	t, err := m.truth(p.root, &m.outer)
	if err == nil {
		err = m.step(0)
	}
	if err != nil {
		return Unknown, p.explain(err)
	}
	return t, nil
}

func (p *Program) explain(err error) error { return fmt.Errorf("fhirpath: %w", err) }

var machines = sync.Pool{New: func() any { return new(machine) }}

func (p *Program) start(env *Env, focus Item) *machine {
	m := machines.Get().(*machine)
	m.Program, m.env = p, env
	m.rest = cmp.Or(env.Budget.Steps, DefaultBudget.Steps)
	m.memory = cmp.Or(env.Budget.Memory, DefaultBudget.Memory)
	m.steps = min(m.rest, stepsAtOnce)
	m.rest -= m.steps
	m.context = m.tree.Typed(focus)
	m.resource, m.container = m.context, m.context
	if env.Resource.Kind != none {
		m.resource = m.tree.Typed(env.Resource)
		m.container = m.resource
	}
	if env.Root.Kind != none {
		m.container = m.tree.Typed(env.Root)
	}
	m.outer = frame{this: m.context}
	return m
}

func (m *machine) stop() {
	*m = machine{free: m.free, frames: m.frames}
	machines.Put(m)
}
