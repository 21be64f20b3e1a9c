package engine

import (
	"maps"
	"slices"
	"strings"

	"nailbridge/internal/fhirpath"
	"nailbridge/internal/validate/defs"
)

// extension holds an Extension to the definition that its url names: known,
// meant for this place, and used as defined (R4 extensibility.html).
func (r *run) extension(m map[string]any) {
	url := str(m, "url")
	if url == "" {
		return // url is missing, or no text
	}
	above := r.parents[len(r.parents)-2]
	if above.shape != nil && above.shape.extension && !absolute(url) {
		r.inner(str(above.tree, "url"), url)
		return
	}
	if !absolute(url) {
		r.at("url", ruleExtensionURL, url)
		return
	}
	def := r.v.defs.Structure(url)
	switch {
	case def == nil && defs.InCore(url):
		r.report(ruleExtensionCore, url)
		return
	case def == nil || def.Type != "Extension":
		u := ruleExtension
		if def == nil && r.options.AnyExtension && !r.inModifier() {
			u.severity = Warning
		}
		r.report(u, url)
		return
	}
	r.modifies(def, url)
	if !r.placed(def, above) {
		r.report(ruleContext, url)
	}
	r.conform(url, r.core.named("Extension"), m)
}

// repeated holds extensions of one url to how often their definition lets them
// stand on one element (R4 defining-extensions.html).
func (r *run) repeated(mem *member, list []any) {
	counts := map[string]int{}
	for _, x := range list {
		if m, ok := x.(map[string]any); ok {
			counts[str(m, "url")]++
		}
	}
	for _, url := range slices.Sorted(maps.Keys(counts)) {
		n := counts[url]
		if n == 1 || !absolute(url) {
			continue
		}
		if def := r.v.defs.Structure(url); def != nil && def.Type == "Extension" && n > def.Most() {
			r.at(mem.Name, ruleMax, url)
		}
	}
}

// inner tells of an extension within an extension that the outer one's
// definition does not have.
func (r *run) inner(outer, url string) {
	if !absolute(outer) || r.v.defs.Structure(outer) == nil {
		return
	}
	p, err := r.v.profile(outer)
	if err != nil {
		return
	}
	if e := p.root.child("extension"); e == nil || !slices.ContainsFunc(e.slices, func(s *node) bool {
		u := s.child("url")
		return u != nil && u.fixed == url
	}) {
		r.report(ruleExtension, url)
	}
}

// modifies holds an extension that modifies to modifierExtension, and others not
// (R4 extensibility.html#modifierExtension).
func (r *run) modifies(def *defs.Structure, url string) {
	modifier := false
	for _, e := range def.Elements() {
		modifier = modifier || e.Path == "Extension" && e.IsModifier
	}
	if r.inModifier() != modifier {
		r.report(ruleModifier, url)
	}
}

// inModifier reports whether the extension in hand stands where those stand that
// modify.
func (r *run) inModifier() bool { return r.path[len(r.path)-1].name == "modifierExtension" }

// errata are places where R4's own resources carry an extension of R4's that its
// definition forgets: its code systems and value sets say since which version
// they are normative.
var errata = map[string][]defs.Context{
	defs.Base + "structuredefinition-normative-version": {{Type: "element", Expression: "CodeSystem"}, {Type: "element", Expression: "ValueSet"}},
}

// placed reports whether an extension may stand on the object above it (R4
// defining-extensions.html#context).
func (r *run) placed(def *defs.Structure, above place) bool {
	if len(def.Context) == 0 || above.shape == nil {
		return true
	}
	for _, c := range slices.Concat(def.Context, errata[def.URL]) {
		switch c.Type {
		case "element":
			if r.isElement(c.Expression, above) {
				return true
			}
		case "extension":
			if above.shape.extension && str(above.tree, "url") == c.Expression {
				return true
			}
		default: // fhirpath
			if r.pathHolds(c.Expression, above) {
				return true
			}
		}
	}
	return false
}

// isElement reports whether the place is the element or type that a context
// names: "Element", "Patient.contact", "HumanName.family", "Resource".
func (r *run) isElement(expression string, at place) bool {
	expression = strings.TrimSuffix(absoluteType(expression), "[x]")
	if want := r.core.table.Named(expression); expression == "Element" || want != 0 && r.core.table.Is(at.shape.ID, want) {
		return true // Element stands for all, resources too
	}
	if at.elem == nil {
		return false
	}
	if strings.TrimSuffix(at.elem.Path, "[x]") == expression {
		return true
	}
	if at.shape == r.core.elem { // a primitive: its own type counts too
		for _, t := range at.elem.Types {
			if want := r.core.table.Named(expression); want != 0 && r.core.table.Is(t.Type, want) {
				return true
			}
		}
	}
	return r.wayTo() == expression
}

// wayTo is the way from the resource to the element that the extension in hand
// stands on, without indexes: "Patient.name.family".
func (r *run) wayTo() string {
	from := 0
	for i, s := range r.path {
		if s.name == "contained" || s.name == "resource" {
			from = i + 1
		}
	}
	names := make([]string, 0, len(r.path))
	names = append(names, str(r.res, "resourceType"))
	for _, s := range r.path[max(from, 1):max(from, 1, len(r.path)-1)] {
		names = append(names, s.name)
	}
	return strings.Join(names, ".")
}

// pathHolds reports whether the place is among what an expression gives on the
// resource; one that cannot be worked out does not hold anything up.
func (r *run) pathHolds(expression string, at place) bool {
	p, err := r.v.program(expression)
	if err != nil {
		return true
	}
	out, err := p.Eval(&r.env, r.env.Resource)
	if err != nil {
		return true
	}
	return slices.ContainsFunc(out, func(it fhirpath.Item) bool {
		m, ok := it.Val.(map[string]any)
		return ok && same(m, at.tree) || it.Ext != nil && same(it.Ext, at.tree)
	})
}
