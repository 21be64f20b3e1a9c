package suite

import (
	"net/http"
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
		t.listsProfiles()
	}},
}

// listsProfiles holds that of each type every profile that is claimed is listed.
func (t *trial) listsProfiles() {
	t.ready()
	listed := map[string]bool{}
	for _, r := range t.types() {
		for _, p := range list(r, "supportedProfile") {
			url, _ := p.(string)
			bare, _, _ := strings.Cut(url, "|")
			listed[text(r, "type")+" "+bare] = true
		}
	}
	n := 0
	for _, typ := range t.typesOfMain() {
		r := t.ok(t.w.main.one(typ)).tree
		for _, p := range list(r, "meta", "profile") {
			url, _ := p.(string)
			bare, _, _ := strings.Cut(url, "|")
			n++
			t.hold(listed[text(r, "resourceType")+" "+bare], "a profile that a %s claims is not listed", text(r, "resourceType"))
		}
	}
	t.hold(n > 0, "nothing claims a profile")
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
