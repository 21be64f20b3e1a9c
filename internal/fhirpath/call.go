package fhirpath

import (
	"errors"

	"nailbridge/internal/fhirpath/syntax"
)

// call is a function invocation. The arguments are evaluated by the function,
// in the frame of the call or in one frame for each item.
type call struct {
	node *syntax.Call
	on   expr
	args []expr
	fn   *function
}

// runner evaluates a function and appends its items.
type runner func(m *machine, f *frame, c *call, out []Item) ([]Item, error)

// tester evaluates a function that gives at most one Boolean.
type tester func(m *machine, f *frame, c *call) (Truth, error)

// function is one of the functions of N1 5 and R4.
type function struct {
	min, max int // numbers of arguments
	run      runner
}

// predicate is a function whose result is at most one Boolean.
type predicate struct {
	call
	test tester
}

func (c *call) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	if err := m.step(1); err != nil {
		return out, err
	}
	out, err := c.fn.run(m, f, c, out)
	if err != nil {
		err = fault(c.node, c.node.Name+"()", err)
	}
	return out, err
}

func (p *predicate) eval(m *machine, f *frame, out []Item) ([]Item, error) {
	t, err := p.truth(m, f)
	return m.emitTruth(out, t), err
}

func (p *predicate) truth(m *machine, f *frame) (Truth, error) {
	if err := m.step(1); err != nil {
		return Unknown, err
	}
	t, err := p.test(m, f, &p.call)
	if err != nil {
		err = fault(p.node, p.node.Name+"()", err)
	}
	return t, err
}

// call compiles a function invocation. Types are named, not evaluated.
func (c *compiler) call(n *syntax.Call) (expr, error) {
	if n.Name == "is" || n.Name == "as" || n.Name == "ofType" {
		return c.typeCall(n)
	}
	fn, isFunction := functions[n.Name]
	test, isPredicate := predicates[n.Name]
	switch {
	case isPredicate:
		fn = function{min: test.min, max: test.max}
	case !isFunction:
		return nil, reject(n, "unknown function %s()", n.Name)
	}
	if len(n.Args) < fn.min || len(n.Args) > fn.max {
		return nil, reject(n, "%s() has %d arguments", n.Name, len(n.Args))
	}
	out := call{node: n, fn: &fn, args: make([]expr, len(n.Args))}
	var err error
	if out.on, err = c.compile(n.On); err != nil {
		return nil, err
	}
	for i, a := range n.Args {
		if out.args[i], err = c.compile(a); err != nil {
			return nil, err
		}
	}
	if isPredicate {
		return &predicate{out, test.run}, nil
	}
	return &out, nil
}

// typeCall compiles is(T), as(T) and ofType(T), whose argument is the name of
// a type.
func (c *compiler) typeCall(n *syntax.Call) (expr, error) {
	if len(n.Args) != 1 {
		return nil, reject(n, "%s() has %d arguments", n.Name, len(n.Args))
	}
	names, ok := typeName(n.Args[0])
	if !ok {
		return nil, reject(n, "%s() wants the name of a type", n.Name)
	}
	return c.typeOp(n, n.Name, n.On, names)
}

// typeName reads a path such as FHIR.Patient as the name it is.
func typeName(n syntax.Node) ([]string, bool) {
	m, ok := n.(*syntax.Member)
	if !ok {
		return nil, false
	}
	if m.On == nil {
		return []string{m.Name}, true
	}
	names, ok := typeName(m.On)
	return append(names, m.Name), ok
}

// input collects what a function is called on. The caller releases it.
func (m *machine) input(f *frame, c *call) ([]Item, error) {
	list, err := m.collect(c.on, f)
	if err == nil {
		err = m.step(0)
	}
	return list, err
}

// onList makes a function of one that is given its input.
func onList(run func(m *machine, f *frame, c *call, list, out []Item) ([]Item, error)) runner {
	return func(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
		list, err := m.input(f, c)
		if err != nil {
			return out, err
		}
		out, err = run(m, f, c, list, out)
		m.release(list)
		return out, err
	}
}

// ofList makes a predicate of one that is given its input.
func ofList(test func(m *machine, f *frame, c *call, list []Item) (Truth, error)) tester {
	return func(m *machine, f *frame, c *call) (Truth, error) {
		list, err := m.input(f, c)
		if err != nil {
			return Unknown, err
		}
		t, err := test(m, f, c, list)
		m.release(list)
		return t, err
	}
}

// inputOne is the value of the single item that a function is called on.
func (m *machine) inputOne(f *frame, c *call) (Item, bool, error) {
	it, ok, err := m.one(c.on, f)
	if err != nil || !ok {
		return Item{}, false, err
	}
	v, ok := m.tree.Native(it)
	return v, ok, nil
}

// each runs do for every item, with $this and $index set.
func (m *machine) each(list []Item, f *frame, do func(it *Item, inner *frame) error) error {
	inner := m.enter(f)
	defer m.leave(inner)
	for i := range list {
		if err := m.step(1); err != nil {
			return err
		}
		inner.this, inner.index = list[i], i
		if err := do(&list[i], inner); err != nil {
			return err
		}
	}
	return nil
}

// functions holds every function but is, as and ofType by name; predicates
// holds those that give at most one Boolean.
var (
	functions  map[string]function
	predicates map[string]struct {
		min, max int
		run      tester
	}
)

// errDone ends each early, where one item decides.
var errDone = errors.New("done")

func done(err error) error {
	if err == errDone {
		return nil
	}
	return err
}
