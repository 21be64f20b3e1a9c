package engine

import (
	"slices"
	"strings"

	"nailbridge/internal/fhirpath"
	"nailbridge/internal/spec"
	"nailbridge/internal/validate/defs"
)

// claims holds a resource to the profiles that it claims, and to those that its
// codes put on it.
func (r *run) claims(s *shape, m map[string]any) {
	meta, _ := m["meta"].(map[string]any)
	list, _ := meta["profile"].([]any)
	for i, v := range list {
		url, ok := v.(string)
		if !ok || r.conform(url, s, m) {
			continue
		}
		r.push("meta", -1)
		r.push("profile", i)
		if defs.InCore(url) {
			r.report(ruleProfileCore, url)
		} else {
			r.report(ruleProfile, url)
		}
		r.pop()
		r.pop()
	}
	if s.Name == "Observation" {
		r.vitalSign(s, m)
	}
}

// asked holds a resource to the profiles of the Options.
func (r *run) asked(s *shape, m map[string]any) {
	for _, p := range r.options.Profiles {
		if !r.conform(p, s, m) {
			r.report(ruleProfile, p)
		}
	}
}

// vitalCodes are LOINC codes on which R4 puts a profile of vital signs, whether
// it is claimed or not (R4 observation-vitalsigns.html). What breaks one that is
// not claimed is told as a warning: whether the Observation is meant as a vital
// sign of that kind is its author's to say.
var vitalCodes = map[string]string{
	"8867-4": defs.Base + "heartrate", "29463-7": defs.Base + "bodyweight",
}

func (r *run) vitalSign(s *shape, m map[string]any) {
	meta, _ := m["meta"].(map[string]any)
	claimed, _ := meta["profile"].([]any)
	code, _ := m["code"].(map[string]any)
	for _, c := range listOf(code, "coding") {
		url := vitalCodes[str(c, "code")]
		if url == "" || str(c, "system") != "http://loinc.org" || slices.Contains(claimed, any(url)) {
			continue
		}
		r.lenient++
		r.conform(url, s, m)
		r.lenient--
	}
}

// conform holds an object to a profile; false says that the profile is not known.
func (r *run) conform(url string, s *shape, m map[string]any) bool {
	p, err := r.v.profile(url)
	if err != nil {
		u := ruleProfile
		u.text = "the definition of the profile cannot be used"
		r.report(u, err.Error())
		return true
	}
	if p == nil {
		return r.isType(url, s)
	}
	if !r.core.table.Is(s.ID, p.typ.ID) {
		r.profileIssue(p, "profile-type", "structure", "the profile is on another type", "")
		return true
	}
	r.constrain(p, s, m)
	return true
}

// isType holds an object to R4's definition of a type, which it was held to
// already, so that only the type itself is in question; false says that R4 has no
// such type.
func (r *run) isType(url string, s *shape) bool {
	t := r.core.canonical(url)
	if t != nil && !r.core.table.Is(s.ID, t.ID) {
		r.add(Issue{Severity: Error, Type: "structure", Key: "profile-type", Section: url, Text: "the profile is on another type"})
	}
	return t != nil
}

// conforms is conform without telling what is wrong.
func (r *run) conforms(url string, s *shape, m map[string]any) (conforms, known bool) {
	return r.try(func() bool { return r.conform(url, s, m) })
}

// try runs a validation whose issues nobody is told.
func (r *run) try(f func() bool) (clean, known bool) {
	was := r.silenced
	r.silenced = false
	r.quiet++
	known = f()
	r.quiet--
	clean = !r.silenced
	r.silenced = was
	return clean, known
}

func (r *run) profileIssue(p *profile, key, typ, text, detail string) {
	r.add(Issue{Severity: Error, Type: typ, Key: key, Section: p.url, Text: text, Detail: detail})
}

func (r *run) breaks(key, typ, text, detail string) {
	r.profileIssue(r.profile, key, typ, text, detail)
}

// instance is an element of the data as a profile meets it.
type instance struct {
	v     any
	extra map[string]any // of a primitive
	shape *shape
	name  string
	index int // -1 if it does not repeat
}

func (x instance) item() fhirpath.Item { return fhirpath.PrimitiveNode(x.v, x.extra, x.shape.ID) }

// node holds one instance to what a profile asks of its element.
func (r *run) node(n *node, x instance) {
	r.types(n, x)
	r.values(n, x)
	if n.binding != nil && x.v != nil && !r.uncoded(n, x) {
		r.bind(n.binding, x.v)
	}
	for _, i := range n.invariants {
		r.evaluate(i, x.item())
	}
	m, ok := x.v.(map[string]any)
	if !ok {
		m = x.extra
	}
	for _, c := range n.children {
		r.child(c, x.shape, m, ok)
	}
}

// uncoded reports text where an element may be coded or not: a binding on a
// choice is about its coded types (R4 terminologies.html#4.1).
func (r *run) uncoded(n *node, x instance) bool {
	return n.element != nil && n.element.Choice && x.shape.Kind == spec.Primitive && x.shape.Name != "code"
}

// child holds the instances of one element of an object.
func (r *run) child(c *node, s *shape, m map[string]any, object bool) {
	if !object {
		s = r.core.elem
	}
	list := r.instances(s, c.name, m)
	r.count(c, len(list))
	for _, x := range list {
		r.push(x.name, x.index)
		r.node(c, x)
		r.pop()
	}
	if len(c.slices) > 0 {
		r.sliced(c, list)
	}
}

// instances lists the values of an element.
func (r *run) instances(s *shape, name string, m map[string]any) []instance {
	e := r.core.table.Child(s.ID, name)
	if e == nil {
		return nil
	}
	var out []instance
	for _, t := range e.Types {
		v, has := m[t.Key]
		sub := r.core.shapes[t.Type]
		var shadow any
		if sub.Kind == spec.Primitive {
			shadow = m["_"+t.Key]
		}
		if has || shadow != nil {
			out = r.spread(out, sub, name, v, shadow)
		}
	}
	return out
}

func (r *run) spread(out []instance, s *shape, name string, v, shadow any) []instance {
	list, many := v.([]any)
	extras, manyExtras := shadow.([]any)
	if !many && !manyExtras {
		extra, _ := shadow.(map[string]any)
		return append(out, instance{v, extra, r.actual(s, v), name, -1})
	}
	for i := range max(len(list), len(extras)) {
		extra, _ := nth(extras, i).(map[string]any)
		out = append(out, instance{nth(list, i), extra, r.actual(s, nth(list, i)), name, i})
	}
	return out
}

// actual is the shape of a resource where any may stand.
func (r *run) actual(s *shape, v any) *shape {
	if m, ok := v.(map[string]any); ok && s.resource {
		if t := r.resourceShape(m); t != nil {
			return t
		}
	}
	return s
}

func (r *run) count(c *node, n int) {
	switch {
	case n < c.min:
		r.push(c.name, -1)
		r.breaks("cardinality-min", "required", "the profile asks for the element"+ofSlice(c), "")
		r.pop()
	case c.max >= 0 && n > c.max:
		r.push(c.name, -1)
		r.breaks("cardinality-max", "structure", "the profile allows the element less often"+ofSlice(c), "")
		r.pop()
	}
}

func ofSlice(n *node) string {
	if n.slice == "" {
		return ""
	}
	return " in its slice " + n.slice
}

// types holds an instance to the types, type profiles and targets left by the
// profile.
func (r *run) types(n *node, x instance) {
	if len(n.types) == 0 {
		return
	}
	var of []defs.ElementType
	for _, t := range n.types {
		if r.isOf(x.shape, t) {
			of = append(of, t)
		}
	}
	if len(of) == 0 {
		r.breaks("type", "structure", "the profile does not allow the type", x.shape.Name)
		return
	}
	m, ok := x.v.(map[string]any)
	if !ok {
		return
	}
	if x.shape.reference {
		r.targets(of, m)
	}
	for _, t := range of {
		r.typeProfiles(t, x.shape, m)
	}
}

func (r *run) isOf(s *shape, t defs.ElementType) bool {
	want := r.core.table.Named(typeCode(t.Code))
	return want == 0 || r.core.table.Is(s.ID, want) || strings.HasPrefix(t.Code, "http://hl7.org/fhirpath/")
}

// typeProfiles asks an object to conform to one of the profiles of its type. The
// profiles of an extension are asked where its url is read.
func (r *run) typeProfiles(t defs.ElementType, s *shape, m map[string]any) {
	if len(t.Profile) == 0 || s.extension {
		return
	}
	if len(t.Profile) == 1 {
		if !r.conform(t.Profile[0], s, m) {
			r.report(ruleProfileCore, t.Profile[0])
		}
		return
	}
	for _, p := range t.Profile {
		if clean, known := r.conforms(p, s, m); clean || !known {
			return
		}
	}
	r.breaks("type-profile", "structure", "the element conforms to none of the profiles of its type", "")
}

// targets holds a reference to the target profiles: by type, and by profile
// where the resource is at hand.
func (r *run) targets(types []defs.ElementType, m map[string]any) {
	var all []string
	for _, t := range types {
		all = append(all, t.TargetProfile...)
	}
	if len(all) == 0 {
		return
	}
	typ := r.typeOf(str(m, "reference"))
	if typ != "" && !r.allowed(all, typ) {
		r.breaks("reference-target", "structure", "the profile does not allow a reference to this type", typ)
		return
	}
	r.targetConforms(all, m)
}

func (r *run) targetConforms(all []string, m map[string]any) {
	res := r.resolved(str(m, "reference"))
	if res == nil {
		return
	}
	s := r.resourceShape(res)
	if s == nil {
		return
	}
	for _, p := range all {
		if r.v.defs.Structure(p) == nil {
			if r.core.named(absoluteType(p)) != nil && !r.core.table.Is(s.ID, r.core.table.Named(absoluteType(p))) {
				continue
			}
			return
		}
		if clean, known := r.conformsThere(p, s, res); clean || !known {
			return
		}
	}
	r.breaks("target-profile", "structure", "what is referred to conforms to none of the profiles allowed", "")
}

// resolved is the resource that a reference leads to, contained, in the bundle
// or outside, or nil.
func (r *run) resolved(reference string) map[string]any {
	id, local := strings.CutPrefix(reference, "#")
	if !local {
		m, _ := r.Resolve(reference)
		return m
	}
	if id == "" { // the resource that contains this one (references.html#contained)
		return r.root
	}
	return r.containedIn(r.root)[id]
}

// values holds a value to fixed and pattern values, ranges and length.
func (r *run) values(n *node, x instance) {
	if n.fixed != nil && !equal(n.fixed, x.v) {
		r.breaks("fixed", "value", "the profile fixes another value", "")
	}
	if n.pattern != nil && !matches(n.pattern, x.v) {
		r.breaks("pattern", "value", "the value lacks what the profile's pattern asks for", "")
	}
	if n.low != nil && x.v != nil && r.compare(x, n.low, "<") {
		r.breaks("min-value", "value", "the value is below the profile's least", "")
	}
	if n.high != nil && x.v != nil && r.compare(x, n.high, ">") {
		r.breaks("max-value", "value", "the value is above the profile's greatest", "")
	}
	if s, ok := x.v.(string); ok && n.maxLength > 0 && len([]rune(s)) > n.maxLength {
		r.breaks("length", "too-long", "the text is longer than the profile allows", "")
	}
}

// compare asks FHIRPath for the order of a value and a bound of its own type.
func (r *run) compare(x instance, bound any, op string) bool {
	p, err := r.v.program("$this " + op + " %bound")
	if err != nil {
		return false
	}
	env := r.env
	env.Vars = map[string][]fhirpath.Item{"bound": {fhirpath.Node(bound, x.shape.ID)}}
	truth, err := p.Test(&env, x.item())
	return err == nil && truth == fhirpath.True
}

// equal compares JSON trees.
func equal(a, b any) bool {
	switch a := a.(type) {
	case map[string]any:
		m, ok := b.(map[string]any)
		if !ok || len(a) != len(m) {
			return false
		}
		for k, v := range a {
			if !equal(v, m[k]) {
				return false
			}
		}
		return true
	case []any:
		list, ok := b.([]any)
		return ok && slices.EqualFunc(a, list, equal)
	}
	return a == b
}

// matches reports whether a value has everything that a pattern has (R4
// elementdefinition-definitions.html#ElementDefinition.pattern[x]).
func matches(pattern, v any) bool {
	switch p := pattern.(type) {
	case map[string]any:
		m, ok := v.(map[string]any)
		if !ok {
			return false
		}
		for k, want := range p {
			if !matches(want, m[k]) {
				return false
			}
		}
		return true
	case []any:
		list, ok := v.([]any)
		if !ok {
			return false
		}
		for _, want := range p {
			if !slices.ContainsFunc(list, func(have any) bool { return matches(want, have) }) {
				return false
			}
		}
		return true
	}
	return pattern == v
}
