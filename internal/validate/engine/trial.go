package engine

import (
	"math"

	"nailbridge/internal/fhirpath"
	"nailbridge/internal/spec"
)

// maxHops is how many references in a row are followed to hold what they lead to
// to a profile; what is further off is taken to conform.
const maxHops = 4

// trial is one question: whether an object conforms to a profile, so many
// references away. Its answer is worked out once, however many references and
// slices ask, so that work grows with the input and not with its square. What is
// told aloud, or as a warning, is a question of its own.
type trial struct {
	profile *profile
	object  uintptr
	hops    int
	quiet   bool
	lenient bool
}

// outcome is the answer to a trial; while it is under way it is taken to be
// clean, so that a profile may name itself.
type outcome struct {
	object map[string]any // keeps the address its own
	clean  bool
	level  int // how many trials are around one that is under way; else settled
}

const settled = math.MaxInt

// trials are the answers of one validation.
type trials struct {
	known   map[trial]outcome
	level   int // of the trial in hand
	assumed int // the lowest level that the trial in hand took to be clean
	steps   int // trials worked out
}

// constrain holds an object to a profile, unless that was done.
func (r *run) constrain(p *profile, s *shape, m map[string]any) {
	if r.over() {
		return
	}
	t := &r.trials
	key := trial{p, address(m), r.depth, r.quiet > 0, r.lenient > 0}
	if o, seen := t.known[key]; seen {
		r.silenced = r.silenced || !o.clean
		t.assumed = min(t.assumed, o.level)
		return
	}
	if t.known == nil {
		t.known = map[trial]outcome{}
	}
	silenced, assumed, profile := r.silenced, t.assumed, r.profile
	t.level++
	t.steps++
	t.known[key] = outcome{m, true, t.level}
	r.silenced, t.assumed, r.profile = false, t.level, p
	r.inContext(s, m, func() { r.node(p.root, instance{v: m, shape: s}) })
	if clean := !r.silenced; clean && t.assumed < t.level {
		delete(t.known, key) // it may be otherwise once the trial around is done
	} else {
		t.known[key] = outcome{m, clean, settled}
	}
	t.level--
	r.silenced, t.assumed, r.profile = silenced || r.silenced, min(assumed, t.assumed), profile
}

// inContext makes a resource that is met on the way the one in hand. One that the
// root contains stays contained (R4 references.html#contained).
func (r *run) inContext(s *shape, m map[string]any, do func()) {
	if !s.resource || same(m, r.res) {
		do()
		return
	}
	res, root, inside, envRes, envRoot := r.res, r.root, r.inside, r.env.Resource, r.env.Root
	r.inside = !same(m, r.root) && same(r.containedIn(r.root)[str(m, "id")], m)
	if r.res = m; !r.inside {
		r.root = m
	}
	r.env.Resource, r.env.Root = fhirpath.Node(r.res, s.ID), fhirpath.Node(r.root, spec.None)
	do()
	r.res, r.root, r.inside, r.env.Resource, r.env.Root = res, root, inside, envRes, envRoot
}

// conformsThere is conforms of an object that a reference may have led to.
func (r *run) conformsThere(url string, s *shape, m map[string]any) (conforms, known bool) {
	if !s.resource || same(m, r.res) {
		return r.conforms(url, s, m)
	}
	if r.depth == maxHops {
		return true, true
	}
	r.depth++
	defer func() { r.depth-- }()
	return r.conforms(url, s, m)
}
