package suite

import (
	"bytes"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode/utf8"
)

const (
	fhirJSON = "application/fhir+json"
	form     = "application/x-www-form-urlencoded"
)

var httpChecks = []check{
	{"R-HTTP-02", func(t *trial) {
		t.ready()
		ref := t.w.main.one("Patient")
		t.ok(ref)
		t.refused(t.get(strings.ToLower(ref)), http.StatusNotFound)
		t.refused(t.get("Patient/"+strings.ToUpper(idOf(ref))), http.StatusNotFound)
		t.ok(ref + "/_history")
		t.refused(t.get(ref+"/_History"), http.StatusNotFound)
		t.refused(t.get("Metadata"), http.StatusNotFound)
	}},
	{"R-HTTP-07", func(t *trial) {
		t.ready()
		ref := t.w.main.one("Patient")
		for _, accept := range []string{"application/fhir+xml;q=0.1, application/fhir+json", "*/*", "application/*;q=0.5", "text/html, application/fhir+json;q=0.2"} {
			x := t.get(ref, "Accept", accept)
			if t.hold(x.status == http.StatusOK && text(x.tree, "id") == idOf(ref) && isFHIR(x), "Accept: %s is answered %d, %s", accept, x.status, media(x)) {
				t.saw("Accept: %s gives FHIR JSON", accept)
			}
		}
		x := t.get(ref, "Accept", "application/fhir+json;q=0")
		t.hold(x.status == http.StatusNotAcceptable, "a format of weight 0 is answered %d", x.status)
	}},
	{"R-HTTP-09", func(t *trial) {
		t.ready()
		t.ok(t.w.main.one("Patient"), "Accept", fhirJSON)
		t.refused(t.get(t.w.main.one("Patient"), "Accept", "image/png"), http.StatusNotAcceptable)
		t.refused(t.get("CarePlan?_count=1", "Accept", "image/png"), http.StatusNotAcceptable)
	}},
	{"R-HTTP-10", func(t *trial) {
		t.ready()
		t.refused(t.send(http.MethodPost, "CarePlan/_search", "text/csv", []byte("status=active")), http.StatusUnsupportedMediaType)
		r := t.own("media")
		x := t.post(r.clinic, "", "text/csv", encode(r.content))
		t.hold(x.status == http.StatusUnsupportedMediaType, "a record as text/csv is answered %d", x.status)
		t.nothingOf(r)
	}},
	{"R-HTTP-13", func(t *trial) {
		t.ready()
		ref := t.w.main.one("Patient")
		plain := t.ok(ref)
		for _, f := range []string{"json", "application/json", "application/fhir%2Bjson"} {
			x := t.get(ref+"?_format="+f, "Accept", "application/fhir+xml")
			if t.hold(x.status == http.StatusOK && bytes.Equal(x.body, plain.body), "_format=%s over Accept is answered %d, or with another body", f, x.status) {
				t.saw("_format=%s goes before Accept", f)
			}
		}
		t.refused(t.get(ref+"?_format=xml"), http.StatusNotAcceptable)
	}},
	{"R-HTTP-14", func(t *trial) {
		t.ready()
		criteria := "patient=" + idOf(t.w.main.one("Patient")) + "&status=active"
		want := refs(t.found("CarePlan?" + criteria).matches)
		for _, f := range []string{"json", "application/fhir%2Bjson"} {
			x := t.send(http.MethodPost, "CarePlan/_search?_format="+f, form, []byte(criteria))
			t.must(x.status == http.StatusOK, "a form with _format is answered %d", x.status)
			if t.hold(strings.Join(refs(readBundle(x).matches), " ") == strings.Join(want, " "), "a form with _format finds something else") {
				t.saw("the form was read as a form")
			}
		}
	}},
	{"R-HTTP-16", func(t *trial) {
		t.ready()
		ref := t.w.main.one("Patient")
		t.ok(ref, "Accept", "application/fhir+json; fhirVersion=4.0")
		t.refused(t.get(ref, "Accept", "application/fhir+json; fhirVersion=3.0"), http.StatusNotAcceptable)
		patient := t.ok(ref)
		good := t.send(http.MethodPost, "Patient/$validate", fhirJSON+"; fhirVersion=4.0", patient.body)
		t.hold(good.status == http.StatusOK, "a body of fhirVersion=4.0 is answered %d", good.status)
		t.refused(t.send(http.MethodPost, "Patient/$validate", fhirJSON+"; fhirVersion=5.0", patient.body), http.StatusUnsupportedMediaType)
	}},
	{"R-HTTP-19", func(t *trial) {
		t.ready()
		for path, kind := range map[string]string{
			t.w.main.one("CarePlan"): "CarePlan", "CarePlan?_count=1&patient=" + idOf(t.w.main.one("Patient")): "searchset",
			t.w.main.one("CarePlan") + "/_history": "history", "metadata": "CapabilityStatement", "CarePlan/_history?_count=1": "history", "_history?_count=1": "history",
			refOf(t.w.planFirst.tree) + "/_history/" + text(t.w.planFirst.tree, "meta", "versionId"): "CarePlan", t.w.main.one("Patient") + "/CarePlan": "searchset",
		} {
			x := t.ok(path)
			t.hold(text(x.tree, "type") == kind || text(x.tree, "resourceType") == kind, "GET %s gives no %s", pathOnly(path), kind)
			t.hold(kind != "CarePlan" || x.header.Get("ETag") != "" && x.header.Get("Last-Modified") != "", "a read has no ETag or Last-Modified")
			head := t.send(http.MethodHead, path, "", nil)
			t.hold(len(head.body) == 0, "HEAD has a body")
			t.hold(head.status == x.status, "HEAD %s is answered %d", pathOnly(path), head.status)
			for _, h := range []string{"ETag", "Last-Modified", "Content-Type"} {
				if t.hold(head.header.Get(h) == x.header.Get(h), "HEAD %s has another %s", pathOnly(path), h) && x.header.Get(h) != "" {
					t.saw("HEAD has the %s of GET", h)
				}
			}
		}
	}},
	{"R-HTTP-24", func(t *trial) {
		t.ready()
		t.ok(t.w.main.one("Patient"))
		for _, path := range []string{"Nonsense/1", "Nonsense", "Nonsense?_count=1", "Nonsense/_history"} {
			t.refused(t.get(path), http.StatusNotFound, "not-found", "not-supported")
		}
	}},
	{"R-HTTP-25", func(t *trial) {
		t.ready()
		ref := t.w.main.one("CarePlan")
		before := t.ok(ref)
		for _, r := range [][2]string{
			{http.MethodPost, "CarePlan"}, {http.MethodPut, ref}, {http.MethodPatch, ref}, {http.MethodDelete, ref},
			{http.MethodPut, "CarePlan?identifier=x"}, {http.MethodDelete, "CarePlan?identifier=x"},
		} {
			x := t.send(r[0], r[1], fhirJSON, before.body)
			t.refused(x, http.StatusMethodNotAllowed)
			t.hold(x.header.Get("Allow") != "" && !slices.Contains(strings.Split(x.header.Get("Allow"), ", "), r[0]), "405 of %s without Allow, or with it there", r[0])
		}
		t.hold(bytes.Equal(t.ok(ref).body, before.body), "the resource changed")
	}},
	{"R-HTTP-28", func(t *trial) {
		t.ready()
		large := bytes.Repeat([]byte("x"), 1<<20)
		t.refused(t.send(http.MethodPost, "CarePlan/_search", form, append([]byte("status="), large...)), http.StatusRequestEntityTooLarge)
		r := t.own("large").edit(strings.Repeat("x", 6<<20), "surgery", "note")
		tooLarge := t.post(r.clinic, "", "application/json", encode(r.content))
		t.problem(tooLarge, http.StatusRequestEntityTooLarge)
		t.nothingOf(r)
		for _, to := range []request{
			{path: "/records", key: r.clinic.Key, header: []string{"Content-Type", "application/json"}, flood: newFlood(`{"note":"`)},
			{path: "/fhir/CarePlan/_search", key: t.o.HubKey, header: []string{"Content-Type", form}, flood: newFlood("status=")},
			{path: "/fhir/Patient/$validate", key: t.o.HubKey, header: []string{"Content-Type", fhirJSON}, flood: newFlood(`{"resourceType":"Patient","id":"`)},
		} {
			to.method = http.MethodPost
			x := t.ask(to)
			t.hold(x.status == http.StatusRequestEntityTooLarge, "a body of %d MiB is answered %d", floodSize>>20, x.status)
			t.hold(x.taken < floodSize, "a body of %d MiB to %s is taken whole before it is refused", floodSize>>20, to.path)
		}
		t.ok(t.w.main.one("Patient"))
		t.sawIn(tooLarge, "a form of 1 MiB and a record of 6 MiB, and each door before %d MiB had come; what memory they took is not seen from outside", floodSize>>20)
	}},
}

// nothingOf holds that nothing came under a record id.
func (t *trial) nothingOf(r *sent) {
	x := t.ask(request{method: http.MethodGet, path: "/records/" + r.clinic.ID + "/" + r.record, key: r.clinic.Key})
	t.hold(x.status == http.StatusNotFound, "what was refused is kept: %d", x.status)
}

// many holds that answers of several statuses were seen: one answer to everything shows
// nothing.
func (t *trial) many(statuses map[int]bool) {
	t.hold(len(statuses) > 3, "answers of %d statuses were seen", len(statuses))
}

// outcomes are the OperationOutcomes of an answer: itself, or entries of a Bundle.
func outcomes(x *exchange) []any {
	if text(x.tree, "resourceType") == "OperationOutcome" {
		return []any{x.tree}
	}
	return readBundle(x).outcomes
}

func media(x *exchange) string {
	m, _, _ := strings.Cut(x.header.Get("Content-Type"), ";")
	return m
}

func isFHIR(x *exchange) bool { return media(x) == fhirJSON }

// seenChecks look at everything that was exchanged in the run.
var seenChecks = []check{
	{"R-HTTP-05", func(t *trial) {
		kinds := map[string]bool{}
		t.answers(func(x *exchange) bool { return x.fhir() && len(x.body) > 0 }, func(x *exchange) string {
			if isFHIR(x) {
				kinds[text(x.tree, "resourceType")+text(x.tree, "type")] = true
				return ""
			}
			return "is " + media(x)
		})
		for _, k := range []string{"CarePlan", "Bundlesearchset", "Bundlehistory", "OperationOutcome"} {
			t.hold(kinds[k], "no %s was seen", k)
		}
	}},
	{"R-HTTP-06", func(t *trial) {
		var special *exchange
		t.answers(func(x *exchange) bool { return x.fhir() && len(x.body) > 0 }, func(x *exchange) string {
			if special == nil && bytes.Contains(x.body, []byte("Mülldorn")) {
				special = x
			}
			_, params, _ := strings.Cut(strings.ToLower(x.header.Get("Content-Type")), ";")
			switch {
			case !utf8.Valid(x.body):
				return "is no UTF-8"
			case strings.Contains(params, "charset") && !strings.Contains(params, "charset=utf-8"):
				return "says another charset"
			}
			return ""
		})
		if t.hold(special != nil, "no body with a name that is not ASCII was seen") {
			t.sawIn(special, "a name that is not ASCII")
		}
	}},
	{"R-OO-01", func(t *trial) {
		statuses := map[int]bool{}
		t.ready()
		if t.o.HubKey != "" {
			x := t.ask(request{method: http.MethodGet, path: "/fhir/CarePlan?_count=1"})
			t.hold(x.status == http.StatusUnauthorized, "a search without the key of a hub is answered %d", x.status)
		}
		t.answers(func(x *exchange) bool { return x.status >= 400 && x.method != http.MethodHead }, func(x *exchange) string {
			switch {
			case x.fhir() && (text(x.tree, "resourceType") != "OperationOutcome" || !isFHIR(x)):
				return "is a failure without an OperationOutcome"
			case !x.fhir() && media(x) != "application/problem+json":
				return "is a failure without problem details"
			}
			if x.fhir() {
				statuses[x.status] = true
			}
			return ""
		})
		for _, s := range []int{400, 404, 405, 406, 410, 413, 415} {
			t.hold(statuses[s], "no failure %d was seen", s)
		}
	}},
	{"R-OO-03", func(t *trial) {
		statuses := map[int]bool{}
		t.answers(func(x *exchange) bool { return len(outcomes(x)) > 0 }, func(x *exchange) string {
			statuses[x.status] = true
			for _, o := range outcomes(x) {
				issues := list(o, "issue")
				if len(issues) == 0 {
					return "has an OperationOutcome without an issue"
				}
				for _, i := range issues {
					if text(i, "severity") == "" || text(i, "code") == "" {
						return "has an issue without severity or code"
					}
				}
			}
			if !t.validOutcomes(x) {
				return "has an OperationOutcome that is not valid"
			}
			return ""
		})
		t.many(statuses)
	}},
	{"R-OO-08", func(t *trial) {
		statuses := map[int]bool{}
		t.ready()
		t.answers(func(x *exchange) bool {
			return x.status >= 400 || x.method == viaNATS && text(x.tree, "answer") == "refused"
		}, func(x *exchange) string {
			statuses[x.status] = true
			return t.insides(x)
		})
		t.many(statuses)
		t.saw("failures of %d statuses; from outside no fault of the server is forced", len(statuses))
	}},
	{"R-OO-09", func(t *trial) {
		t.ready()
		t.post(t.w.main.clinic, "?dry-run=true", "application/json", append(encode(t.w.main.content), "{}"...))
		t.get("Patient?family=" + url.QueryEscape(demographics[0]) + "&birthdate=" + demographics[2] + "&nosuch=" + url.QueryEscape(demographics[1]))
		marked, statuses := map[string]bool{}, map[int]bool{}
		// A conflict is no failure: the clinic that sends gets the whole answer, as it would with 200.
		t.answers(func(x *exchange) bool { return x.status >= 400 && text(x.tree, "answer") != "conflict" }, func(x *exchange) string {
			statuses[x.status] = true
			if strings.Contains(x.path, "/fhir/Patient?") {
				marked["a search"] = true
			}
			if x.method == http.MethodPost && strings.HasPrefix(x.path, "/records") && x.status >= 400 {
				marked["a record"] = true
			}
			for _, d := range demographics {
				if bytes.Contains(x.body, []byte(d)) {
					return "tells something of a patient"
				}
			}
			return ""
		})
		t.hold(len(marked) == 2, "no search and no record that failed had a patient's data")
		t.many(statuses)
	}},
	{"R-SEC-08", unnamed},
	{"R-PAGE-14", modes},
	{"R-PAGE-15", addresses},
	{"R-DATA-01", content("json", `{"resourceType":"Patient","gender":null}`, `{"resourceType":"Patient","name":[]}`, `{"resourceType":"Patient","name":[{}]}`, `{"resourceType":"Patient","gender":""}`)},
	{"R-DATA-04", content("array", `{"resourceType":"Patient","name":{"family":"X"}}`, `{"resourceType":"Patient","gender":["male"]}`)},
	{"R-DATA-09", content("id", `{"resourceType":"Patient","id":"a_b"}`, `{"resourceType":"Patient","id":"`+strings.Repeat("a", 65)+`"}`)},
	{"R-DATA-10", content("date", patientBorn("2024-02-30"), patientBorn("2024-05-01T10:00:00Z"), procedureAt("2024-05-01T10:00"), procedureAt("2024-05-01T24:00:00Z"),
		changed("2024-05-01T10:00:00"), changed("2024-05-01T10:00Z"), changed("2024-05-01"))},
	{"R-DATA-21", content("target", `{"resourceType":"CarePlan","status":"active","intent":"plan","subject":{"reference":"Practitioner/1"}}`)},
	{"R-CONT-01", whole},
	{"R-CONT-02", content("code", `{"resourceType":"CarePlan","status":"done","intent":"plan","subject":{"reference":"Patient/1"}}`, `{"resourceType":"Procedure","status":"Completed","subject":{"reference":"Patient/1"}}`,
		otherwise("Observation", "done", "status"), otherwise("Goal", "Active", "lifecycleStatus"), otherwise("Encounter", "done", "status"), otherwise("MedicationAdministration", "done", "status"),
		`{"resourceType":"Patient","gender":"m"}`, `{"resourceType":"CarePlan","status":"active","intent":"Plan","subject":{"reference":"Patient/1"}}`,
		`{"resourceType":"CarePlan","status":"active","intent":"plan","subject":{"reference":"Patient/1"},"activity":[{"detail":{"status":"open"}}]}`,
		`{"resourceType":"CarePlan","status":"active","intent":"plan","subject":{"reference":"Patient/1"},"activity":[{"detail":{"status":"not-started","kind":"Surgery"}}]}`)},
	{"R-CONT-03", content("invariant", `{"resourceType":"Patient","contact":[{"gender":"male"}]}`, `{"resourceType":"Observation","status":"final","code":{"text":"x"},"referenceRange":[{"age":{"low":{"value":1}}}]}`)},
	{"R-CONT-04", content("cpl-3", `{"resourceType":"CarePlan","status":"active","intent":"plan","subject":{"reference":"Patient/1"},"activity":[{"reference":{"reference":"Procedure/1"},"detail":{"status":"not-started"}}]}`)},
	{"R-CONT-14", content("obs", `{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueString":"a","dataAbsentReason":{"text":"b"}}`,
		`{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://x.example","code":"a"}]},"valueString":"a","component":[{"code":{"coding":[{"system":"http://x.example","code":"a"}]},"valueString":"b"}]}`)},
	{"R-CONT-25", content("narrative", divided(`<script>x()</script>`), divided(`<p onclick="x()">a</p>`), divided(`a&nbsp;b`), divided(`<p> </p>`), divided(``), divided(`<form>a</form>`), divided(`<iframe src="http://none.example"></iframe>`), divided(`<p><link rel="stylesheet" href="http://none.example/s.css"/>a</p>`))},
	{"R-PROF-16", profilesAreTrue},
	{"content-valid", func(t *trial) {
		t.published("other")
		t.invalid("other", `{"resourceType":"Patient","gender":"male","gender":"female"}`)
		t.accepted()
	}},
}
