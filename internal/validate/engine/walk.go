package engine

import (
	"maps"
	"regexp"
	"slices"

	"nailbridge/internal/fhirpath"
	"nailbridge/internal/spec"
	"nailbridge/internal/validate/jsontree"
	"nailbridge/mapping/slip"
)

// maxElements is the most elements that a type has; a test holds the table to it.
const maxElements = 128

// object validates the members of an object, then the object as a whole.
func (r *run) object(s *shape, e *element, m map[string]any) {
	if r.over() {
		return
	}
	r.parents = append(r.parents, place{s, e, m})
	if id, ok := m["id"].(string); ok && !s.resource {
		r.elementID(id)
	}
	var seen [maxElements]uint8
	if r.inOrder {
		for _, name := range slices.Sorted(maps.Keys(m)) {
			r.named(s, m, name, &seen)
		}
	} else {
		for name := range m {
			r.named(s, m, name, &seen)
		}
	}
	r.missing(s, &seen)
	r.choices(s, &seen)
	r.duplicates(s, m)
	r.whole(s, e, m)
	r.parents = r.parents[:len(r.parents)-1]
}

// unknown tells of a member that R4 does not have. A name of the client's own is data, and in
// no place of R4's, but where it is a slip from the name of a member (R-DATA-08, R-OO-09).
func (r *run) unknown(s *shape, name string) {
	near := false
	for member := range s.members {
		near = near || len(member) > 3 && slip.One(name, member)
	}
	u := ruleUnknown
	r.add(Issue{Severity: u.severity, Type: u.typ, Key: u.key, Section: u.section, Text: u.text, Detail: name, Slip: near})
}

// named validates the member with a name, together with what stands under the
// name with an underscore.
func (r *run) named(s *shape, m map[string]any, name string, seen *[maxElements]uint8) {
	mem, v := s.members[name], m[name]
	switch {
	case mem == nil:
		if name != "resourceType" || !s.Resource() {
			r.unknown(s, name)
		}
	case mem.shadow:
		if _, both := m[mem.key]; both {
			return // told together
		}
		if v == nil { // nothing stands there: the element is not
			r.at(name, ruleNull, "")
			return
		}
		seen[mem.Index]++
		r.member(mem, nil, false, v)
	default:
		seen[mem.Index]++
		var shadow any
		if mem.shape.Kind == spec.Primitive {
			under, has := m[mem.under]
			if shadow = under; has && under == nil {
				r.at(name, ruleNull, "")
			}
		}
		r.member(mem, v, true, shadow)
	}
}

// Resource reports a resource type.
func (s *shape) Resource() bool { return s.resource }

// at reports a rule at a member.
func (r *run) at(name string, u rule, detail string) {
	r.push(name, -1)
	r.report(u, detail)
	r.pop()
}

// missing reports elements that must be there and are not.
func (r *run) missing(s *shape, seen *[maxElements]uint8) {
	for _, e := range s.required {
		if seen[e.Index] == 0 {
			r.at(e.Name, ruleMin, "")
		}
	}
}

// choices reports an element that occurs in several of its types.
func (r *run) choices(s *shape, seen *[maxElements]uint8) {
	for _, e := range s.choices {
		if seen[e.Index] > 1 {
			r.at(e.Name, ruleChoice, "")
		}
	}
}

// duplicates reports members that the text held more than once.
func (r *run) duplicates(s *shape, m map[string]any) {
	if len(r.twice) == 0 {
		return
	}
	for _, name := range r.twice[address(m)] {
		if s.members[name] == nil {
			r.report(ruleDuplicate, name)
			continue
		}
		r.at(name, ruleDuplicate, "")
	}
}

// repeated sorts repeated members by the object that has them.
func repeated(all []jsontree.Duplicate) map[uintptr][]string {
	if len(all) == 0 {
		return nil
	}
	out := map[uintptr][]string{}
	for _, d := range all {
		out[address(d.Object)] = append(out[address(d.Object)], d.Name)
	}
	return out
}

// member validates one element: a value or a list, and what stands under its
// name with an underscore.
func (r *run) member(mem *member, v any, has bool, shadow any) {
	list, many := v.([]any)
	extras, manyExtras := shadow.([]any)
	if many != mem.repeats && has || shadow != nil && manyExtras != mem.repeats {
		r.at(mem.Name, ruleList, "")
		if !many && !manyExtras {
			r.single(mem, v, has, shadow)
			return
		}
	}
	if !many && !manyExtras {
		r.single(mem, v, has, shadow)
		return
	}
	if many && len(list) == 0 || manyExtras && len(extras) == 0 {
		r.at(mem.Name, ruleEmpty, "")
		return
	}
	if many && manyExtras && len(list) != len(extras) {
		r.at(mem.Name, ruleLengths, "")
	}
	n := max(len(list), len(extras))
	if n > mem.Max {
		r.at(mem.Name, ruleMax, "")
	}
	for i := range n {
		r.push(mem.Name, i)
		r.item(mem, nth(list, i), nth(extras, i), i < len(list))
		r.pop()
	}
	if mem.shape.extension {
		r.repeated(mem, list)
	}
}

func nth(list []any, i int) any {
	if i < len(list) {
		return list[i]
	}
	return nil
}

// single validates an element that stands alone.
func (r *run) single(mem *member, v any, has bool, shadow any) {
	r.push(mem.Name, -1)
	if has && v == nil {
		r.report(ruleNull, "")
	} else {
		r.value(mem, v, shadow)
	}
	r.pop()
}

// item validates one entry of a list.
func (r *run) item(mem *member, v, extra any, has bool) {
	if v == nil && extra == nil {
		if has {
			r.report(ruleNull, "")
		} else {
			r.report(ruleLengths, "")
		}
		return
	}
	r.value(mem, v, extra)
}

// value validates a value that is there, or the extensions in place of one.
func (r *run) value(mem *member, v, shadow any) {
	s := mem.shape
	if s.Kind == spec.Primitive {
		r.primitive(mem, v, shadow)
		return
	}
	m, ok := v.(map[string]any)
	if !ok {
		r.report(ruleKind, "")
		return
	}
	if s.resource {
		r.nested(mem, m)
		return
	}
	if len(m) == 0 {
		r.report(ruleEmpty, "")
		return
	}
	r.object(s, mem.element, m)
	r.element(mem, s, m)
}

// nested validates a resource in a resource: contained, or in a Bundle or
// Parameters.
func (r *run) nested(mem *member, m map[string]any) {
	s := r.resourceShape(m)
	if s == nil {
		r.report(ruleResource, "")
		return
	}
	if mem.Name == "contained" {
		r.resource(s, m, r.root)
	} else {
		r.resource(s, m, nil)
	}
	r.hold(mem.invariants, fhirpath.Node(m, s.ID))
}

// primitive validates a primitive element.
func (r *run) primitive(mem *member, v, shadow any) {
	s := mem.shape
	extra, ok := shadow.(map[string]any)
	if shadow != nil && !ok {
		r.report(ruleKind, "")
	}
	if v != nil {
		s.check(r, v)
		r.bound(mem.element, v)
	}
	if extra != nil {
		if len(extra) == 0 {
			r.report(ruleEmpty, "")
			return
		}
		r.object(r.core.elem, mem.element, extra)
		if _, id := extra["id"]; v == nil && id && len(extra) == 1 {
			r.broken(&r.core.elem.invariants[0].Invariant, r.core.elem.invariants[0].section)
		}
	}
	if len(s.invariants) > 0 || len(mem.invariants) > 0 {
		it := fhirpath.PrimitiveNode(v, extra, s.ID)
		r.hold(s.invariants, it)
		r.hold(mem.invariants, it)
	}
}

// whole validates an object once its members are done: its invariants, and what
// the rules of its data type ask.
func (r *run) whole(s *shape, e *element, m map[string]any) {
	if s == r.core.elem {
		return // of a primitive
	}
	r.hold(s.invariants, fhirpath.Node(m, s.ID))
	switch {
	case s.coding:
		r.coding(m)
	case s.quantity:
		r.quantity(m)
	case s.reference:
		r.reference(m)
	case s.extension:
		r.extension(m)
	case s.identifier:
		r.identifier(m)
	case s.Name == "SampledData":
		r.sampled(m)
	case s.Name == "ConceptMap":
		r.conceptMap(m)
	}
	if s.Binding != nil {
		r.bind(s.Binding, m)
	}
}

// elementID holds the id of an element to have no spaces, and notes where it
// stands (R4 element.html#id).
func (r *run) elementID(id string) {
	r.push("id", -1)
	defer r.pop()
	if !noSpace(id) {
		r.report(ruleElementID, id)
	}
	if r.ids == nil {
		r.ids = map[string][]string{}
	}
	r.ids[id] = append(r.ids[id], r.location())
}

// oneID reports the elements of a resource that have one id. The element
// definitions of a snapshot have those of the differential; that each is once in its
// list is sdf-16's and sdf-17's to say.
func (r *run) oneID() {
	if r.res["resourceType"] == "StructureDefinition" {
		return
	}
	for _, id := range slices.Sorted(maps.Keys(r.ids)) {
		places := r.ids[id]
		if len(places) == 1 {
			continue
		}
		for _, p := range places {
			u := ruleTwiceElementID
			r.add(Issue{Severity: u.severity, Type: u.typ, Location: p, Key: u.key, Section: u.section, Text: u.text, Detail: id})
		}
	}
}

// sample is a series of values of SampledData: decimals, or E, U and L, with one
// space between (R4 datatypes-definitions.html#SampledData.data).
var sample = regexp.MustCompile(`^([EUL]|-?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?)( ([EUL]|-?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?))*$`)

func (r *run) sampled(m map[string]any) {
	if data := str(m, "data"); data != "" && !sample.MatchString(data) {
		r.at("data", ruleSample, "")
	}
}

// element asks what the element asks of the object that it holds.
func (r *run) element(mem *member, s *shape, m map[string]any) {
	if s.reference {
		r.target(mem.targets, m)
	}
	r.bound(mem.element, m)
	if len(mem.invariants) > 0 {
		r.hold(mem.invariants, fhirpath.Node(m, s.ID))
	}
}
