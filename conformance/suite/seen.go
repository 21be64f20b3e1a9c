package suite

import (
	"net/http"
	"slices"
	"strings"
)

// entries goes over the entries of every searchset that was seen.
func (t *trial) entries(broken func(x *exchange, e any) string) {
	t.answers(func(x *exchange) bool {
		return x.fhir() && x.status == http.StatusOK && text(x.tree, "type") == "searchset" && len(list(x.tree, "entry")) > 0
	}, func(x *exchange) string {
		for _, e := range list(x.tree, "entry") {
			if why := broken(x, e); why != "" {
				return why
			}
		}
		return ""
	})
}

// modes holds that every entry of every searchset says what it is, and is that.
func modes(t *trial) {
	b := t.found("CarePlan?"+t.mine()+"&_include=CarePlan:goal&foo=bar", "Prefer", "handling=lenient")
	t.hold(len(b.includes) > 0 && len(b.outcomes) > 0, "no include or no outcome is told as such")
	n := map[string]int{}
	t.entries(func(x *exchange, e any) string {
		mode, typ := text(e, "search", "mode"), text(e, "resource", "resourceType")
		n[mode]++
		switch of := typeOf(strings.TrimPrefix(pathOnly(x.path), "/fhir/")); {
		case !slices.Contains([]string{"match", "include", "outcome"}, mode):
			return "has an entry without a mode"
		case (mode == "outcome") != (typ == "OperationOutcome"):
			return "has a " + typ + " as " + mode
		case mode == "match" && typ != of && strings.Count(x.path, "/") < 4 && !strings.Contains(x.path, "/*"):
			return "has a " + typ + " as a match of " + of
		}
		return ""
	})
	for _, mode := range []string{"match", "include", "outcome"} {
		t.hold(n[mode] > 0, "no %s was seen", mode)
	}
}

// addresses holds that every entry of every searchset but an outcome has the address
// of its resource.
func addresses(t *trial) {
	b := t.found("Observation?" + t.mine() + "&_count=20&_include=Observation:encounter")
	t.hold(len(b.includes) > 0, "nothing was included")
	t.entries(func(_ *exchange, e any) string {
		full := text(e, "fullUrl")
		switch {
		case text(e, "search", "mode") == "outcome":
			if full != "" && !strings.Contains(full, ":") {
				return "has an outcome with a fullUrl that is not absolute"
			}
		case full != t.publicBase()+"/"+refOf(get(e, "resource")):
			return "has a fullUrl that is not the address of its resource"
		}
		return ""
	})
}

// mandatory are the elements that resources of a type have at least (R4, the tables of
// cardinalities): an x in brackets is one of several.
var mandatory = map[string][]string{
	"CarePlan": {"status", "intent", "subject"}, "Procedure": {"status", "subject"}, "Observation": {"status", "code"},
	"Goal": {"lifecycleStatus", "description", "subject"}, "Condition": {"subject"}, "Encounter": {"status", "class"},
	"MedicationAdministration": {"status", "medication[x]", "subject", "effective[x]"}, "Provenance": {"target", "recorded", "agent"},
	"AuditEvent": {"type", "recorded", "agent", "source"},
}

// whole holds every resource that was seen to what its type must have, beside what the
// validator says, and $validate to the refusal of each that lacks one.
func whole(t *trial) {
	seen := map[string]int{}
	t.answers(func(x *exchange) bool { return x.fhir() && x.status == http.StatusOK && x.tree != nil }, func(x *exchange) string {
		for _, r := range resourcesIn(x) {
			typ := text(r, "resourceType")
			seen[typ]++
			for _, name := range mandatory[typ] {
				if !has(r, name) {
					return "has a " + typ + " without " + name
				}
			}
			if typ == "Provenance" && slices.ContainsFunc(list(r, "agent"), func(a any) bool { return !has(a, "who") }) {
				return "has a Provenance with an agent who is not named"
			}
			if slices.ContainsFunc(list(r, "activity"), func(a any) bool { return typ == "CarePlan" && has(a, "detail") && !has(a, "detail", "status") }) {
				return "has an activity without a status"
			}
		}
		return ""
	})
	for typ := range mandatory {
		t.hold(seen[typ] > 0 || typ == "AuditEvent", "no %s was seen", typ)
	}
	var defects []string
	for typ, names := range mandatory {
		for _, name := range names {
			if twins[typ] != "" {
				defects = append(defects, without(typ, strings.Replace(strings.Replace(name, "medication[x]", "medicationCodeableConcept", 1), "effective[x]", "effectiveDateTime", 1)))
			}
		}
	}
	content("min", append(defects, without("Provenance", "agent", 0, "who"), without("CarePlan", "activity", 0, "detail", "status"))...)(t)
	t.saw("%d CarePlans and %d Observations among what was seen; an AuditEvent is not published", seen["CarePlan"], seen["Observation"])
}

// has reports an element; [x] stands for any type.
func has(r any, path ...any) bool {
	name, _ := path[len(path)-1].(string)
	stem, choice := strings.CutSuffix(name, "[x]")
	m, _ := get(r, path[:len(path)-1]...).(map[string]any)
	for k := range m {
		if k == name || k == "_"+name || choice && strings.HasPrefix(strings.TrimPrefix(k, "_"), stem) {
			return true
		}
	}
	return false
}

// resourcesIn are the resources of an answer: itself, or those of its entries.
func resourcesIn(x *exchange) (out []any) {
	if text(x.tree, "resourceType") != "Bundle" {
		return []any{x.tree}
	}
	for _, e := range list(x.tree, "entry") {
		if r := get(e, "resource"); r != nil {
			out = append(out, r)
		}
	}
	return out
}

// addresses are the addresses that an answer gives: of entries, of what is referred to
// and of what was made.
func (x *exchange) addresses() []string {
	if !x.addressed {
		x.addressed = true
		x.gives = addressesIn(x.tree, nil)
	}
	return x.gives
}

func addressesIn(v any, out []string) []string {
	switch x := v.(type) {
	case map[string]any:
		for k, y := range x {
			if s, is := y.(string); is && (k == "reference" || k == "fullUrl" || k == "location") {
				out = append(out, s)
			} else {
				out = addressesIn(y, out)
			}
		}
	case []any:
		for _, y := range x {
			out = addressesIn(y, out)
		}
	}
	return out
}

// unnamed holds that what names something to anyone beside the caller names no patient:
// addresses, links to further pages, headers, subjects, and figures where they are open.
func unnamed(t *trial) {
	t.ready()
	metrics := t.ask(request{method: http.MethodGet, path: "/metrics"})
	secret := append(t.numbers(), "1632 960777", "1632960777")
	for _, d := range demographics {
		if strings.Trim(d, "0123456789") != "" { // six digits alone may stand in an id, by chance
			secret = append(secret, d)
		}
	}
	links, addresses := 0, 0
	t.answers(func(x *exchange) bool { return x.err == nil }, func(x *exchange) string {
		told := []string{x.subject}
		for _, h := range []string{"Location", "Content-Location", "X-Request-Id", "Link"} {
			told = append(told, unsealed(x.header.Get(h)))
		}
		for _, l := range list(x.tree, "link") {
			if r := text(l, "relation"); r != "self" && r != "" {
				links++
				told = append(told, unsealed(text(l, "url")))
			}
		}
		addresses += len(x.addresses())
		told = append(told, x.addresses()...)
		for _, e := range list(x.tree, "entry") {
			told = append(told, unsealed(text(e, "request", "url")))
		}
		if x == metrics && x.status == http.StatusOK {
			told = append(told, string(x.body))
		}
		all := strings.Join(told, " ")
		for _, d := range secret {
			if strings.Contains(all, d) {
				return "has a patient's data in an address, a link or a header"
			}
		}
		return ""
	})
	t.hold(links > 0 && addresses > 0, "no link to a further page or no address was seen")
	t.saw("%d links to further pages and %d addresses; self gives back what was asked, figures are open: %v, logs are not seen from outside", links, addresses, metrics.status == http.StatusOK)
}
