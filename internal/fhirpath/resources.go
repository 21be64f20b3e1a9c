package fhirpath

import (
	"fmt"
	"strings"

	"nailbridge/internal/fhirpath/temporal"
	"nailbridge/internal/fhirpath/value"
	"nailbridge/internal/spec"
	"nailbridge/internal/xhtml"
)

// The functions of N1 5.8 (tree navigation), 5.9 (utility) and 10 (reflection),
// and those that R4 adds (R4 fhirpath.html, section additional functions).

func runChildren(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
	for i := range list {
		if err := m.step(1); err != nil {
			return out, err
		}
		out = m.children(&list[i], out)
	}
	return out, nil
}

func runDescendants(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
	var err error
	for i := range list {
		if out, err = m.descendants(&list[i], out); err != nil {
			return out, err
		}
	}
	return out, nil
}

// runTrace is trace(name [, projection]) (N1 5.9.1): Env.Trace takes the items,
// and nothing is written.
func runTrace(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	name, ok, err := m.stringOf(c.args[0], f)
	if err != nil {
		return out, err
	}
	if !ok {
		return out, fmt.Errorf("a name is wanted")
	}
	from := len(out)
	if out, err = c.on.eval(m, f, out); err != nil || m.env.Trace == nil {
		return out, err
	}
	if len(c.args) == 1 {
		m.env.Trace(name, out[from:])
		return out, nil
	}
	shown := m.buffer()
	err = m.each(out[from:], f, func(_ *Item, inner *frame) error {
		var err error
		shown, err = c.args[1].eval(m, inner, shown)
		return err
	})
	if err == nil {
		m.env.Trace(name, shown)
	}
	m.release(shown)
	return out, err
}

// clock makes now, today and timeOfDay (N1 5.9.2 to 5.9.4).
func clock(of func(temporal.Value) Item) runner {
	return func(m *machine, _ *frame, _ *call, out []Item) ([]Item, error) {
		if m.env.Now.IsZero() {
			return out, fmt.Errorf("the time of the evaluation is %w", ErrUnsupported)
		}
		return m.emit(out, of(temporal.Of(m.env.Now))), nil
	}
}

// runType is type() (N1 10.2).
func runType(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
	for i := range list {
		space, name := m.typeName(list[i])
		out = m.emit(out, Item{Kind: typeInfo, Val: []string{space, name}})
	}
	return out, nil
}

// runExtension is extension(url): short for extension.where(url = ...).
func runExtension(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	url, ok, err := m.stringOf(c.args[0], f)
	if err != nil || !ok {
		return out, err
	}
	list, err := m.input(f, c)
	if err != nil {
		return out, err
	}
	all := m.buffer()
	for i := range list {
		all = m.child(&list[i], "extension", all)
	}
	for i := range all {
		if obj, _ := all[i].Val.(map[string]any); obj != nil && obj["url"] == url {
			out = m.emit(out, all[i])
		}
	}
	m.release(all)
	m.release(list)
	return out, nil
}

// runHasValue is hasValue(): a single primitive with a value.
func runHasValue(m *machine, f *frame, c *call, list []Item) (Truth, error) {
	has := false
	if len(list) == 1 {
		_, object := list[0].Val.(map[string]any)
		has = list[0].Kind != node || list[0].Val != nil && !object
	}
	return value.TruthOf(has), nil
}

// runGetValue is getValue(): the value of a single primitive.
func runGetValue(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
	if len(list) == 1 {
		if _, object := list[0].Val.(map[string]any); !object || list[0].Kind != node {
			if v, ok := m.tree.Native(list[0]); ok {
				out = m.emit(out, v)
			}
		}
	}
	return out, nil
}

// runResolve is resolve(): the resources that references, canonicals and URIs
// point to; items that point to nothing are left out.
func runResolve(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
	for i := range list {
		if err := m.step(4); err != nil {
			return out, err
		}
		ref, ok := m.tree.Reference(&list[i])
		if !ok {
			continue
		}
		if it, ok := m.find(ref); ok {
			out = m.emit(out, it)
		}
	}
	return out, nil
}

// find gives what a reference points to: #id is contained in %resource or
// %rootResource, and # is the container itself (R4 references.html#contained).
func (m *machine) find(ref string) (Item, bool) {
	id, local := strings.CutPrefix(ref, "#")
	if !local {
		if m.env.Resolver == nil {
			return Item{}, false
		}
		tree, ok := m.env.Resolver.Resolve(ref)
		return m.tree.Typed(Node(tree, spec.None)), ok
	}
	if id == "" {
		return m.container, m.container.Kind == node
	}
	for _, holder := range []Item{m.resource, m.container} {
		obj, _ := holder.Val.(map[string]any)
		contained, _ := obj["contained"].([]any)
		for _, r := range contained {
			if o, ok := r.(map[string]any); ok && o["id"] == id {
				return m.tree.Typed(Node(o, spec.None)), true
			}
		}
		m.steps -= len(contained)
	}
	return Item{}, false
}

// oneAndURL is the single item that a function is called on, and the canonical that
// it is given; false says that either is empty.
func (m *machine) oneAndURL(f *frame, c *call) (it Item, url string, ok bool, err error) {
	it, ok, err = m.one(c.on, f)
	if err != nil {
		return it, "", false, err
	}
	url, given, err := m.stringOf(c.args[0], f)
	return it, url, ok && given, err
}

// runMemberOf is memberOf(valueset).
func runMemberOf(m *machine, f *frame, c *call) (Truth, error) {
	it, url, ok, err := m.oneAndURL(f, c)
	if err != nil || !ok {
		return Unknown, err
	}
	codes, ok := m.tree.Codings(it)
	if !ok {
		return Unknown, fmt.Errorf("it is called on what holds no code")
	}
	if m.env.Terms == nil {
		return Unknown, fmt.Errorf("terminology is %w", ErrUnsupported)
	}
	for _, code := range codes {
		member, known := m.env.Terms.MemberOf(code[0], code[1], url)
		if !known {
			return Unknown, fmt.Errorf("the value set is not known")
		}
		if member {
			return True, nil
		}
	}
	return False, m.step(8)
}

// subsumption makes subsumes(code) and subsumedBy(code).
func subsumption(inputIsAncestor bool) tester {
	return func(m *machine, f *frame, c *call) (Truth, error) {
		a, okA, err := m.one(c.on, f)
		if err != nil {
			return Unknown, err
		}
		b, okB, err := m.one(c.args[0], f)
		if err != nil || !okA || !okB {
			return Unknown, err
		}
		if !inputIsAncestor {
			a, b = b, a
		}
		return m.subsumes(a, b)
	}
}

func (m *machine) subsumes(a, b Item) (Truth, error) {
	ancestors, okA := m.tree.Codings(a)
	codes, okB := m.tree.Codings(b)
	if !okA || !okB {
		return Unknown, fmt.Errorf("it is called on what holds no code")
	}
	for _, x := range ancestors {
		for _, y := range codes {
			if x == y {
				return True, nil
			}
			if x[0] != y[0] {
				continue
			}
			if m.env.Terms == nil {
				return Unknown, fmt.Errorf("terminology is %w", ErrUnsupported)
			}
			subsumes, known := m.env.Terms.Subsumes(x[0], x[1], y[1])
			if !known {
				return Unknown, fmt.Errorf("the code system is not known")
			}
			if subsumes {
				return True, nil
			}
		}
	}
	return False, m.step(8)
}

// runConformsTo is conformsTo(structure). R4's own types are known; profiles
// are asked of Env.Profiles.
func runConformsTo(m *machine, f *frame, c *call) (Truth, error) {
	it, url, ok, err := m.oneAndURL(f, c)
	if err != nil || !ok {
		return Unknown, err
	}
	if name, core := strings.CutPrefix(url, extensionBase); core && m.tree.Model.Named(name) != spec.None {
		return value.TruthOf(it.Kind == node && m.tree.Model.Is(it.Type, m.tree.Model.Named(name))), nil
	}
	if m.env.Profiles == nil {
		return Unknown, fmt.Errorf("the profile is %w", ErrUnsupported)
	}
	conforms, known := m.env.Profiles.ConformsTo(it, url)
	if !known {
		return Unknown, fmt.Errorf("the profile is not known")
	}
	return value.TruthOf(conforms), m.step(64)
}

// runCheckModifiers is checkModifiers(url, ...): the input, or an error if it
// has a modifier extension with another URL.
func runCheckModifiers(m *machine, f *frame, c *call, out []Item) ([]Item, error) {
	allowed := map[string]bool{}
	for _, a := range c.args {
		url, _, err := m.stringOf(a, f)
		if err != nil {
			return out, err
		}
		allowed[url] = true
	}
	from := len(out)
	out, err := c.on.eval(m, f, out)
	if err != nil {
		return out, err
	}
	for _, it := range out[from:] {
		obj, _ := it.Val.(map[string]any)
		list, _ := obj["modifierExtension"].([]any)
		for _, x := range list {
			o, _ := x.(map[string]any)
			if url, _ := o["url"].(string); !allowed[url] {
				return out, fmt.Errorf("a modifier extension that is not among those allowed")
			}
		}
	}
	return out, nil
}

// runHTMLChecks is htmlChecks(): whether a narrative's div keeps the rules of
// R4 narrative.html.
func runHTMLChecks(m *machine, f *frame, c *call) (Truth, error) {
	it, ok, err := m.one(c.on, f)
	if err != nil || !ok {
		return Unknown, err
	}
	v, ok := m.tree.Native(it)
	if !ok || v.Kind != text {
		return False, nil
	}
	if err := m.step(len(v.Text()) / 4); err != nil {
		return Unknown, err
	}
	return value.TruthOf(len(xhtml.Check(v.Text())) == 0), nil
}

// runSlice is slice(structure, name): those elements of the input that are of the
// slice with the name.
func runSlice(m *machine, f *frame, c *call, list, out []Item) ([]Item, error) {
	url, given, err := m.stringOf(c.args[0], f)
	if err != nil || !given {
		return out, err
	}
	name, given, err := m.stringOf(c.args[1], f)
	if err != nil || !given {
		return out, err
	}
	if m.env.Profiles == nil && len(list) > 0 {
		return out, fmt.Errorf("the profile is %w", ErrUnsupported)
	}
	for _, it := range list {
		in, known := m.env.Profiles.InSlice(it, url, name)
		if !known {
			return out, fmt.Errorf("the profile or its slice is not known")
		}
		if in {
			out = m.emit(out, it)
		}
		if err := m.step(64); err != nil {
			return out, err
		}
	}
	return out, nil
}
