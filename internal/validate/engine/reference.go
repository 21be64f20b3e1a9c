package engine

import (
	"slices"
	"strings"
)

// reference validates Reference.reference as a literal: its form, the type that
// it states, and where it leads inside a bundle.
func (r *run) reference(m map[string]any) {
	s, ok := m["reference"].(string)
	if !ok || s == "" || s[0] == '#' {
		return // by identifier or display alone; ref-1 is about fragments
	}
	l := parseLiteral(s, r.core)
	if !l.ok {
		r.at("reference", ruleReference, s)
		return
	}
	if stated := str(m, "type"); stated != "" && l.typ != "" && stated != l.typ && absoluteType(stated) != l.typ {
		r.at("type", ruleRefType, stated)
	}
	if r.bundle != nil {
		r.within(s, l)
	}
}

func absoluteType(uri string) string {
	return strings.TrimPrefix(uri, "http://hl7.org/fhir/StructureDefinition/")
}

// literal is a literal reference taken apart (R4 references.html#literal).
type literal struct {
	ok       bool
	typ, id  string // of a RESTful reference; empty for other URIs
	base     string // of an absolute RESTful reference
	relative bool
}

// parseLiteral reads "Type/id", with a version or not, relative or behind a
// service's base URL, a conditional reference "Type?...", or any other absolute
// URI.
func parseLiteral(s string, c *core) literal {
	head, version, versioned := strings.Cut(s, "/_history/")
	if versioned && !isID(version) {
		return literal{}
	}
	head, _, _ = strings.Cut(head, "#")
	if absolute(s) {
		l := literal{ok: !strings.ContainsAny(s, " ")}
		if !strings.HasPrefix(s, "http://") && !strings.HasPrefix(s, "https://") {
			return l
		}
		if i := strings.LastIndexByte(head, '/'); i > 0 {
			if j := strings.LastIndexByte(head[:i], '/'); j > 0 && c.resourceName(head[j+1:i]) && isID(head[i+1:]) {
				l.base, l.typ, l.id = head[:j+1], head[j+1:i], head[i+1:]
			}
		}
		return l
	}
	if typ, _, conditional := strings.Cut(s, "?"); conditional {
		return literal{ok: c.resourceName(typ), typ: typ}
	}
	typ, id, _ := strings.Cut(head, "/")
	if !c.resourceName(typ) || !isID(id) {
		return literal{}
	}
	return literal{ok: true, typ: typ, id: id, relative: true}
}

func (c *core) resourceName(name string) bool {
	s := c.named(name)
	return s != nil && s.resource && !s.Abstract
}

// target holds a Reference to the types that the element allows.
func (r *run) target(targets []string, m map[string]any) {
	if len(targets) == 0 {
		return
	}
	s := str(m, "reference")
	typ := r.typeOf(s)
	if typ == "" {
		typ = absoluteType(str(m, "type"))
		if r.core.named(typ) == nil {
			return
		}
	}
	if !r.allowed(targets, typ) {
		r.report(ruleTarget, typ)
	}
}

// typeOf is the type of what a reference leads to, as far as can be told.
func (r *run) typeOf(reference string) string {
	switch {
	case reference == "":
		return ""
	case reference == "#":
		return str(r.root, "resourceType")
	case reference[0] == '#':
		return str(r.containedIn(r.root)[reference[1:]], "resourceType")
	}
	if r.bundle != nil {
		if m := r.bundle.find(reference, r.bundle.urlOf(r.root)); m != nil {
			return str(m, "resourceType")
		}
	}
	return parseLiteral(reference, r.core).typ
}

// allowed reports whether a type is one of the targets or derived from one; a
// profile among the targets allows its type.
func (r *run) allowed(targets []string, typ string) bool {
	have := r.core.table.Named(typ)
	return slices.ContainsFunc(targets, func(t string) bool {
		if s := r.v.defs.Structure(t); s != nil {
			t = s.Type
		}
		t = absoluteType(t)
		want := r.core.table.Named(t)
		return want == 0 || r.core.table.Is(have, want)
	})
}

// listOf is the objects in a member that is a list.
func listOf(m map[string]any, name string) []map[string]any {
	list, _ := m[name].([]any)
	out := make([]map[string]any, 0, len(list))
	for _, v := range list {
		o, _ := v.(map[string]any)
		out = append(out, o)
	}
	return out
}

// containedIn are the resources contained in another, by id; the first counts
// where two have one id.
func (r *run) containedIn(root map[string]any) map[string]map[string]any {
	if r.byID == nil || !same(root, r.insideOf) {
		r.byID, r.insideOf = map[string]map[string]any{}, root
		for _, c := range listOf(root, "contained") {
			if id := str(c, "id"); c != nil && r.byID[id] == nil {
				r.byID[id] = c
			}
		}
	}
	return r.byID
}

// contained holds the ids of contained resources.
func (r *run) contained(m map[string]any) {
	ids := map[string]bool{}
	for i, c := range listOf(m, "contained") {
		if c == nil {
			continue
		}
		r.push("contained", i)
		switch id := str(c, "id"); {
		case id == "":
			r.report(ruleContainedID, "")
		case ids[id]:
			r.report(ruleTwiceID, id)
		default:
			ids[id] = true
		}
		r.pop()
	}
}
