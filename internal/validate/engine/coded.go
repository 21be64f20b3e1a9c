package engine

import (
	"slices"
	"strings"

	"nailbridge/internal/spec"
	"nailbridge/internal/ucum"
	"nailbridge/internal/validate/defs"
	"nailbridge/mapping/terms"
)

// ietf3986 is the system of identifiers that are URIs (R4
// identifier-registry.html).
const ietf3986 = "urn:ietf:rfc:3986"

func str(m map[string]any, name string) string {
	s, _ := m[name].(string)
	return s
}

// coding holds a Coding to its code system.
func (r *run) coding(m map[string]any) {
	system, code, display := str(m, "system"), str(m, "code"), str(m, "display")
	switch {
	case strings.Contains(system, "/ValueSet/") && r.v.defs.IsSet(system):
		r.at("system", ruleSetAsSystem, system)
		return
	case system != "" && !absolute(system):
		r.at("system", ruleCodeSystem, system)
		return
	}
	switch {
	case code == "":
	case system == "":
		r.report(ruleNoSystem, code)
	default:
		r.code(system, code, display)
	}
}

func (r *run) code(system, code, display string) {
	switch system {
	case terms.SNOMEDCT:
		if !sctCode(code) {
			r.at("code", ruleSNOMED, code)
		}
	case terms.LOINC:
		if !loincCode(code) {
			r.at("code", ruleLOINC, code)
		}
	}
	known, has := r.v.defs.Code(system, code)
	switch {
	case has == defs.No && system == ucum.System:
		r.at("code", ruleUCUM, code)
	case has == defs.No:
		r.at("code", ruleCode, system+"|"+code)
	case has == defs.Yes && display != "" && known != "" && !sameDisplay(display, known):
		r.at("display", ruleDisplay, display)
	}
}

// sameDisplay compares without regard to case and spacing.
func sameDisplay(a, b string) bool {
	return a == b || strings.EqualFold(strings.Join(strings.Fields(a), " "), strings.Join(strings.Fields(b), " "))
}

func (r *run) quantity(m map[string]any) {
	if code, system := str(m, "code"), str(m, "system"); code != "" && system != "" {
		r.code(system, code, "")
	}
}

// identifier holds one in the system of URIs to be a URI.
func (r *run) identifier(m map[string]any) {
	if v := str(m, "value"); str(m, "system") == ietf3986 && v != "" && !absolute(v) {
		r.report(ruleIdentifier, v)
	}
}

// bound holds a coded element to the value set that it is bound to.
func (r *run) bound(e *element, v any) {
	if e.Binding != nil {
		r.bind(e.Binding, v)
	}
}

func (r *run) bind(b *spec.Binding, v any) {
	if b.Max != "" {
		r.inSet(ruleMaxSet, b.Max, v)
	}
	switch b.Strength {
	case "required":
		r.inSet(ruleBinding, b.ValueSet, v)
	case "extensible":
		r.inSet(ruleExtensible, b.ValueSet, v)
	}
}

// inSet reports a value none of whose codes is in a value set; a text alone is
// enough where the binding is not required (R4 terminologies.html#extensible).
func (r *run) inSet(u rule, set string, v any) {
	switch v := v.(type) {
	case string:
		if r.v.defs.MemberOf(set, "", v) == defs.No {
			r.report(u, v)
		}
	case map[string]any:
		list, isConcept := v["coding"].([]any)
		_, text := v["text"].(string)
		switch {
		case isConcept:
			r.anyInSet(u, set, list)
		case text || v["extension"] != nil && v["code"] == nil:
			if text && u.key == ruleBinding.key && r.v.defs.IsSet(set) {
				r.report(u, "")
			}
		case str(v, "code") != "":
			r.anyInSet(u, set, []any{v})
		}
	}
}

func (r *run) anyInSet(u rule, set string, codings []any) {
	detail := ""
	for _, c := range codings {
		m, _ := c.(map[string]any)
		system, code := str(m, "system"), str(m, "code")
		if code == "" {
			continue
		}
		switch {
		case system == "" && u.severity != Error:
			return
		case system == "":
			system = "-" // of no system, so in no value set
		}
		if r.v.defs.MemberOf(set, system, code) != defs.No {
			return
		}
		detail = system + "|" + code
	}
	if detail != "" || u.key == ruleBinding.key {
		r.report(u, detail)
	}
}

// loincCode reports digits, a hyphen and their check digit. Codes of answers, parts
// and answer lists have two letters before the digits, which their check digit
// takes in; there is no rule for other letters. The guide lists codes that were
// given a wrong digit and keep it (LOINC Users' Guide 12 C, calculating mod 10 check
// digits).
func loincCode(s string) bool {
	if len(s) > 2 && letter(s[0]) && letter(s[1]) && !slices.Contains([]string{"LA", "LL", "LP"}, s[:2]) {
		return true
	}
	return terms.CheckDigit(terms.LOINC, s) == nil || slices.Contains(misnumbered, s)
}

// misnumbered are the LOINC codes that the guide lists.
var misnumbered = strings.Fields("11491-6 11501-6 5895-7 5896-5 5897-3 5928-1 6028-3 6415-5 6580-7 6645-7 6646-5 6647-3 6648-1 6649-9")

// conceptMap holds the codes that a ConceptMap maps to the systems that it names.
func (r *run) conceptMap(m map[string]any) {
	for i, g := range listOf(m, "group") {
		r.push("group", i)
		for j, e := range listOf(g, "element") {
			r.push("element", j)
			r.mapped(str(g, "source"), e)
			for k, t := range listOf(e, "target") {
				r.push("target", k)
				r.mapped(str(g, "target"), t)
				r.pop()
			}
			r.pop()
		}
		r.pop()
	}
}

func (r *run) mapped(system string, m map[string]any) {
	if code := str(m, "code"); code != "" && system != "" {
		r.code(system, code, "")
	}
}
