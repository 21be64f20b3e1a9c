// Package engine validates FHIR R4 (4.0.1) resources in JSON against the
// standard: structure and cardinality, the form of values, bindings, references,
// invariants, narratives, extensions, bundles and profiles. It knows R4 by the
// table of internal/spec, and what else it is given by a Registry.
//
// All issues are told at once, each with severity, FHIR issue type, place as
// FHIRPath, key, section of the standard and a text that holds no data; the data
// is in Detail. What is said does not depend on the order of members.
package engine

import (
	"strings"
	"time"

	"nailbridge/internal/fhirpath"
	"nailbridge/internal/spec"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/jsontree"
	"nailbridge/internal/xhtml"
)

// Validator validates resources. It may be used by many goroutines at once.
type Validator struct {
	core     *core
	defs     *defs.Registry
	profiles profiles
}

// New makes a Validator that knows the definitions of a Registry beside R4's
// types. The Registry must not be added to any more.
func New(r *defs.Registry) *Validator {
	r.Ready()
	return &Validator{core: r4(), defs: r}
}

// Options are settings of one validation.
type Options struct {
	// Profiles are canonicals that the resource must conform to, beside those
	// that it claims.
	Profiles []string
	// Resolve finds resources outside the input by relative or absolute
	// reference; the result is a tree as of jsontree.
	Resolve func(reference string) (map[string]any, bool)
	// AnyExtension tells an extension that no definition is known of as a warning, where
	// it is an error otherwise, as with the Java validator: R4
	// has nobody refuse a resource merely for an extension (extensibility.html), though
	// a definition there has to be. One that modifies is an error all the same.
	AnyExtension bool
	// Now is the time for invariants that ask for it; zero is the start of 1970.
	Now time.Time
	// Done ends the validation soon after it is closed; what was found until then is
	// given, and that it is not all. nil never does.
	Done <-chan struct{}
}

// Validate reads one resource and says what is wrong with it.
func (v *Validator) Validate(text []byte, o Options) []Issue {
	tree, twice, err := jsontree.Read(text)
	if err != nil {
		return []Issue{{Severity: ruleJSON.severity, Type: ruleJSON.typ, Key: ruleJSON.key, Section: ruleJSON.section,
			Text: ruleJSON.text, Detail: err.Error()}}
	}
	return v.Tree(tree, twice, o)
}

// Tree is Validate of what jsontree.Read read.
func (v *Validator) Tree(tree any, twice []jsontree.Duplicate, o Options) []Issue {
	return v.run(tree, twice, o).issues
}

// run validates, and is what is left when it is done. Where there is more to say
// than is said, members are gone through in their order, so that the same is said
// each time.
func (v *Validator) run(tree any, twice []jsontree.Duplicate, o Options) *run {
	r := v.walk(tree, twice, o, false)
	if r.cut && !r.ended {
		r = v.walk(tree, twice, o, true)
	}
	return r
}

func (v *Validator) walk(tree any, twice []jsontree.Duplicate, o Options, inOrder bool) *run {
	r := &run{v: v, core: v.core, options: o, twice: repeated(twice), inOrder: inOrder}
	if r.options.Now.IsZero() {
		r.options.Now = time.Unix(0, 0).UTC()
	}
	r.env.Now, r.env.Terms, r.env.Resolver, r.env.Profiles, r.env.Done = r.options.Now, r, r, r, r.options.Done
	m, _ := tree.(map[string]any)
	s := r.resourceShape(m)
	if s == nil {
		r.report(ruleResource, "")
		return r
	}
	r.push(s.Name, -1)
	r.resource(s, m, nil)
	r.issues = sorted(r.issues)
	if r.ended {
		r.report(ruleEnded, "")
	}
	return r
}

// over reports that Options.Done is closed: the rest is passed over.
func (r *run) over() bool {
	if !r.ended {
		select {
		case <-r.options.Done:
			r.ended = true
		default:
		}
	}
	return r.ended
}

// run is one validation.
type run struct {
	v       *Validator
	core    *core
	options Options
	issues  []Issue
	path    []step
	twice   map[uintptr][]string // names that an object had more than once
	env     fhirpath.Env

	res, root map[string]any      // the resource in hand, and the one that contains it or itself
	parents   []place             // objects on the way to the element in hand
	bundle    *bundle             // around the resource in hand, or nil
	inside    bool                // the resource in hand is contained
	ids       map[string][]string // of its elements, with their places

	ended    bool // before all was validated
	inOrder  bool // of their names, go through the members of an object
	cut      bool // there was more to say than is kept
	quiet    int  // how many trials are under way, whose issues nobody is told
	silenced bool
	lenient  int // how many profiles are under way that nobody claimed; their errors are warnings

	quickSeen func(*run, *invariant, fhirpath.Item, bool) // of tests: what was decided without FHIRPath

	div      string // checked last
	problems []xhtml.Problem

	profile *profile // in hand
	depth   int      // of references followed to hold what they lead to to a profile
	trials  trials

	byID     map[string]map[string]any // what insideOf contains
	insideOf map[string]any
}

// place is an object on the way, with its shape.
type place struct {
	shape *shape
	elem  *element // as which it stands in the object above; nil for a resource
	tree  map[string]any
}

// resourceShape is the shape that resourceType names, if it is that of a
// resource that may exist.
func (r *run) resourceShape(m map[string]any) *shape {
	name, _ := m["resourceType"].(string)
	if name == "" || strings.Contains(name, ".") {
		return nil
	}
	s := r.core.named(name)
	if s == nil || s.Kind != spec.Resource || s.Abstract {
		return nil
	}
	return s
}

// resource validates a resource, which is contained if in is what contains it.
func (r *run) resource(s *shape, m map[string]any, in map[string]any) {
	was := *r
	r.res, r.root, r.inside, r.ids = m, m, in != nil, nil
	if in != nil {
		r.root = in
	}
	r.parents = append(r.parents, place{})
	r.env.Resource, r.env.Root = fhirpath.Node(r.res, s.ID), fhirpath.Node(r.root, spec.None)
	if s.Name == "Bundle" {
		r.openBundle(m)
	}
	r.object(s, nil, m)
	r.oneID()
	if s.Name == "Bundle" {
		r.closeBundle(m)
	}
	r.contained(m)
	r.claims(s, m)
	if len(r.path) == 1 {
		r.asked(s, m)
	}
	r.res, r.root, r.inside, r.ids, r.bundle = was.res, was.root, was.inside, was.ids, was.bundle
	r.parents = was.parents
	r.env.Resource, r.env.Root = was.env.Resource, was.env.Root
}
