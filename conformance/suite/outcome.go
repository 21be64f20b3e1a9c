package suite

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
)

var outcomeChecks = []check{
	{"R-OO-02", func(t *trial) {
		t.ready()
		p := "patient=" + idOf(t.w.main.one("Patient"))
		t.found("Procedure?" + p)
		for _, q := range []string{"date=notadate", "status:nosuch=x", "_count=many"} {
			t.refused(t.get("Procedure?"+p+"&"+q), http.StatusBadRequest)
		}
	}},
	{"R-OO-07", func(t *trial) {
		t.ready()
		p := "CarePlan?patient=" + idOf(t.w.main.one("Patient"))
		plain := t.found(p)
		b := t.search(p+"&foo=bar", "Prefer", "handling=lenient")
		t.must(len(b.outcomes) > 0, "nothing warns of a parameter that was left out")
		for _, o := range b.outcomes {
			for _, i := range list(o, "issue") {
				s := text(i, "severity")
				t.hold(s == "warning" || s == "information", "a search that worked tells a %s", s)
			}
		}
		t.hold(strings.Join(refs(b.matches), " ") == strings.Join(refs(plain.matches), " ") && b.total == plain.total, "the warning changes what is found")
		t.saw("a warning as an outcome entry")
	}},
}

var capabilityChecks = []check{
	{"R-CAP-01", func(t *trial) {
		x := t.ask(request{method: http.MethodGet, path: "/fhir/metadata", header: []string{"Accept", fhirJSON}})
		t.hold(x.status == http.StatusOK && text(x.tree, "resourceType") == "CapabilityStatement", "metadata without a key is answered %d", x.status)
		t.saw("the statement, without a key")
	}},
	{"R-CAP-02", func(t *trial) {
		s := t.capability()
		t.hold(text(s, "fhirVersion") == "4.0.1", "fhirVersion is not 4.0.1")
		t.hold(text(s, "status") != "" && text(s, "date") != "" && len(list(s, "format")) > 0, "status, date or format is missing")
		t.hold(text(s, "kind") == "instance" && get(s, "implementation") != nil, "no implementation of an instance")
		t.hold(text(s, "rest", 0, "mode") == "server", "rest.mode is not server")
		if keys := t.judge(t.statement.body).keys; len(keys) > 0 {
			t.hold(false, "the statement is not valid: %s", keys[0])
		}
		t.saw("the statement")
	}},
	{"R-CAP-03", tellsTheTruth},
	{"R-CAP-04", func(t *trial) {
		for _, r := range t.types() {
			typ := text(r, "type")
			for _, m := range []string{"versioning", "readHistory", "updateCreate", "conditionalCreate", "conditionalRead", "conditionalUpdate", "conditionalDelete"} {
				t.hold(get(r, m) != nil, "%s does not say %s", typ, m)
			}
			if contains(list(r, "interaction"), "code", "history-type") {
				t.hold(len(list(r, "searchInclude"))+len(list(r, "searchRevInclude")) > 0, "%s says nothing of includes", typ)
			}
			t.saw("%s says how it is handled", typ)
		}
	}},
	{"R-CAP-05", func(t *trial) {
		for _, typ := range []string{"Procedure", "Observation", "CarePlan"} {
			for _, r := range t.types() {
				if text(r, "type") != typ {
					continue
				}
				t.hold(len(list(r, "supportedProfile")) > 0, "%s names no profile", typ)
				for _, p := range list(r, "supportedProfile") {
					url, _ := p.(string)
					core := strings.HasPrefix(url, "http://hl7.org/fhir/StructureDefinition/")
					bare, _, _ := strings.Cut(url, "|")
					t.hold(core || len(t.search("StructureDefinition?url="+bare).matches) > 0, "a profile of %s is not served", typ)
					t.saw("%s has a profile", typ)
				}
			}
		}
	}},
}

// capability is the statement.
func (t *trial) capability() any {
	t.must(t.statement != nil && text(t.statement.tree, "resourceType") == "CapabilityStatement", "there is no CapabilityStatement")
	t.exchanges = append(t.exchanges, t.statement)
	return t.statement.tree
}

// types are what the statement says of each type.
func (t *trial) types() []any {
	all := list(t.capability(), "rest", 0, "resource")
	t.must(len(all) > 0, "the statement names no type")
	return all
}

// contains reports an object of a list with a member of a value.
func contains(l []any, name, value string) bool {
	for _, x := range l {
		if text(x, name) == value {
			return true
		}
	}
	return false
}

// tellsTheTruth tries what the statement declares, and what it does not.
func tellsTheTruth(t *trial) {
	t.ready()
	for _, r := range t.types() {
		typ := text(r, "type")
		t.search(typ + "?_count=0")
		for _, p := range list(r, "searchParam") {
			name, kind := text(p, "name"), text(p, "type")
			if strings.HasPrefix(name, "_") && name != "_id" {
				continue // R-SP-02 and R-SP-03 try those of every type
			}
			value, nothing := anyOf(name, kind)
			x := t.get(typ + "?_summary=count&" + name + "=" + value)
			t.hold(x.status == http.StatusOK, "%s declares %s, which is answered %d", typ, name, x.status)
			t.hold(!nothing || x.status != http.StatusOK || text(x.tree, "total") == "0", "%s declares %s, and finds %s by a value that nothing has", typ, name, text(x.tree, "total"))
		}
		t.saw("%s is searched by each of its parameters", typ)
		if contains(list(r, "interaction"), "code", "history-type") {
			t.ok(typ + "/_history?_count=1")
		} else {
			x := t.get(typ + "/_history?_count=1")
			t.hold(x.status == http.StatusNotFound || x.status == http.StatusMethodNotAllowed, "%s has a history that it does not declare: %d", typ, x.status)
		}
		t.hold(!contains(list(r, "interaction"), "code", "create"), "%s declares that it is written", typ)
	}
	t.offersMore()
	for _, typ := range []string{"CarePlan", "Patient"} {
		x := t.get(typ + "?_count=0&nosuch=x")
		t.hold(x.status == http.StatusBadRequest, "a parameter that is not declared is answered %d", x.status)
	}
	for _, undeclared := range []string{"Appointment", "Claim"} {
		if !contains(t.types(), "type", undeclared) {
			x := t.get(undeclared + "?_count=0")
			t.hold(x.status == http.StatusNotFound, "a type that is not declared is answered %d", x.status)
		}
	}
	x := t.send(http.MethodPost, "Patient", fhirJSON, []byte(`{"resourceType":"Patient"}`))
	t.hold(x.status == http.StatusMethodNotAllowed || x.status == http.StatusNotFound, "create is not declared, and is answered %d", x.status)
}

// offersMore tries the includes and operations that the statement declares, and holds
// that it declares the types of what is published.
func (t *trial) offersMore() {
	types := t.types()
	for _, r := range types {
		typ := text(r, "type")
		for parameter, declared := range map[string][]any{"_include": list(r, "searchInclude"), "_revinclude": list(r, "searchRevInclude")} {
			for some := range slices.Chunk(declared, 10) {
				query := ""
				for _, x := range some {
					query += "&" + parameter + "=" + url.QueryEscape(fmt.Sprint(x))
				}
				x := t.get(typ + "?_count=0" + query)
				t.hold(x.status == http.StatusOK, "%s declares for %s what is answered %d", typ, parameter, x.status)
			}
		}
	}
	for _, o := range list(t.capability(), "rest", 0, "operation") {
		t.offered("$" + text(o, "name"))
	}
	for _, r := range types[:1] {
		for _, o := range list(r, "operation") {
			t.offered(text(r, "type") + "/$" + text(o, "name"))
		}
	}
	for _, x := range list(t.w.main.answer, "resources") {
		t.hold(contains(types, "type", typeOf(text(x, "reference"))), "%s is published, and not declared", typeOf(text(x, "reference")))
	}
}

// offered holds that there is an operation.
func (t *trial) offered(path string) {
	x := t.send(http.MethodPost, path, fhirJSON, []byte(`{"resourceType":"Parameters"}`))
	t.hold(x.status != http.StatusNotFound && x.status != http.StatusMethodNotAllowed, "%s is declared, and is answered %d", path, x.status)
}

// anyOf is some value of a parameter, and whether it is one that nothing has.
func anyOf(name, kind string) (value string, nothing bool) {
	if name == "active" || name == "deceased" || name == "experimental" {
		return "true", false
	}
	switch kind {
	case "date":
		return "1801-01-01", true
	case "number", "quantity":
		return "987654321", true
	case "composite":
		return "nosuch$987654321", true
	case "reference":
		return "Patient/none", true
	case "uri":
		return "http://none.example", true
	}
	return "nosuch", true
}
