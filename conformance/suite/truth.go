package suite

import (
	_ "embed"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
)

//go:embed parameters.tsv
var parametersText string

// r4Parameters are the search parameters that R4 defines for a type, also those of
// every type, each with its own type.
func r4Parameters(typ string) map[string]string {
	out := map[string]string{}
	for l := range strings.Lines(parametersText) {
		of, all, _ := strings.Cut(strings.TrimSpace(l), "\t")
		if of != typ && of != "Resource" && of != "DomainResource" {
			continue
		}
		for _, p := range strings.Fields(all) {
			name, kind, _ := strings.Cut(p, ":")
			out[name] = kind
		}
	}
	return out
}

// tellsTheTruth tries what the statement declares, and what it does not: of each type
// every interaction and every parameter.
func tellsTheTruth(t *trial) {
	t.ready()
	for _, r := range t.types() {
		t.interacts(r)
		t.isSearched(r)
		t.saw("%s is read and searched as declared, and not otherwise", text(r, "type"))
	}
	t.wholeSystem()
	t.offersMore()
	for _, undeclared := range []string{"Appointment", "Claim"} {
		if !contains(t.types(), "type", undeclared) {
			x := t.get(undeclared + "?_count=0")
			t.hold(x.status == http.StatusNotFound, "a type that is not declared is answered %d", x.status)
		}
	}
}

// notOffered holds that there is no such interaction.
func (t *trial) notOffered(x *exchange, what string) {
	t.hold(x.status == http.StatusNotFound || x.status == http.StatusMethodNotAllowed, "%s is not declared, and is answered %d", what, x.status)
}

// interacts tries the interactions with a type: those that only read with a resource
// that is there, those that write with one of the suite, or of nobody.
func (t *trial) interacts(r any) {
	typ := text(r, "type")
	one := t.found(typ + "?_count=1").matches[0]
	ref, own := refOf(one), typ+"/never"
	for _, w := range []*sent{t.w.flagged, t.w.main, t.w.review} {
		if all := w.refs(typ); len(all) > 0 {
			ref, own = all[0], all[0]
			break
		}
	}
	now := t.ok(ref)
	version := ref + "/_history/" + text(now.tree, "meta", "versionId")
	for code, path := range map[string]string{
		"read": ref, "vread": version, "history-instance": ref + "/_history", "history-type": typ + "/_history?_count=1", "search-type": typ + "?_count=1",
	} {
		x := t.get(path)
		if !contains(list(r, "interaction"), "code", code) {
			t.notOffered(x, code+" of "+typ)
			continue
		}
		t.hold(x.status == http.StatusOK, "%s declares %s, which is answered %d", typ, code, x.status)
		if code == "read" || code == "vread" {
			t.hold(string(x.body) == string(now.body), "%s of %s gives another resource", code, typ)
		} else {
			t.hold(len(list(x.tree, "entry")) > 0, "%s of %s gives nothing", code, typ)
		}
	}
	body := []byte(`{"resourceType":"` + typ + `"}`)
	for code, to := range map[string][2]string{
		"create": {http.MethodPost, typ}, "update": {http.MethodPut, own}, "patch": {http.MethodPatch, own}, "delete": {http.MethodDelete, own},
	} {
		if t.hold(!contains(list(r, "interaction"), "code", code), "%s declares that it is written", typ) {
			t.notOffered(t.send(to[0], to[1], fhirJSON, body), code+" of "+typ)
		}
	}
}

// isSearched tries the parameters of a type by values that nothing has, holds their
// types to those of their definitions, and tries those of R4 that are not declared.
func (t *trial) isSearched(r any) {
	typ := text(r, "type")
	defined, declared := r4Parameters(typ), map[string]bool{}
	for _, p := range list(r, "searchParam") {
		name, kind := text(p, "name"), text(p, "type")
		declared[name] = true
		value, nothing := anyOf(name, kind)
		x := t.get(typ + "?_summary=count&" + name + "=" + value)
		t.hold(x.status == http.StatusOK, "%s declares %s, which is answered %d", typ, name, x.status)
		t.hold(!nothing || x.status != http.StatusOK || text(x.tree, "total") == "0", "%s declares %s, and finds %s by a value that nothing has", typ, name, text(x.tree, "total"))
		want, inR4 := defined[name]
		if !inR4 {
			want = t.servedType(text(p, "definition"), typ, name)
		}
		t.hold(kind == want, "%s declares %s as %s, and it is defined as %s", typ, name, kind, want)
	}
	undeclared := []string{"nosuch"}
	for name := range defined {
		if !declared[name] {
			undeclared = append(undeclared, name)
		}
	}
	for _, name := range undeclared {
		x := t.get(typ + "?_count=0&" + name + "=x")
		t.hold(x.status == http.StatusBadRequest, "%s does not declare %s, which is answered %d", typ, name, x.status)
	}
}

// servedType is the type of a parameter that R4 does not define, by the definition
// that the target itself serves of it.
func (t *trial) servedType(definition, typ, name string) string {
	bare, _, _ := strings.Cut(definition, "|")
	for _, d := range t.search("SearchParameter?url=" + url.QueryEscape(bare)).matches {
		if text(d, "code") == name && slices.Contains(list(d, "base"), any(typ)) {
			return text(d, "type")
		}
	}
	return "nothing"
}

// wholeSystem tries the interactions with the whole system.
func (t *trial) wholeSystem() {
	declared := list(t.capability(), "rest", 0, "interaction")
	bundle := func(kind string) []byte { return []byte(`{"resourceType":"Bundle","type":"` + kind + `"}`) }
	for code, try := range map[string]func() *exchange{
		"history-system": func() *exchange { return t.get("_history?_count=1") },
		"search-system": func() *exchange {
			return t.ask(request{method: http.MethodGet, path: "/fhir?_type=Patient&_count=0", key: t.o.HubKey})
		},
		"batch":       func() *exchange { return t.toBase(bundle("batch")) },
		"transaction": func() *exchange { return t.toBase(bundle("transaction")) },
	} {
		x := try()
		if contains(declared, "code", code) {
			t.hold(x.status == http.StatusOK, "%s is declared, and is answered %d", code, x.status)
		} else {
			t.notOffered(x, code)
		}
	}
}

// toBase sends something to the base of the read side.
func (t *trial) toBase(body []byte) *exchange {
	return t.ask(request{method: http.MethodPost, path: "/fhir", key: t.o.HubKey, header: []string{"Content-Type", fhirJSON}, body: body})
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
		for _, o := range list(r, "operation") {
			t.offered(typ + "/$" + text(o, "name"))
		}
		t.notOffered(t.send(http.MethodPost, typ+"/$nosuch", fhirJSON, []byte(`{"resourceType":"Parameters"}`)), "an operation of "+typ)
	}
	for _, o := range list(t.capability(), "rest", 0, "operation") {
		t.offered("$" + text(o, "name"))
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
