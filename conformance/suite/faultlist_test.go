package suite_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"

	"nailbridge/conformance/suite"
)

// askedKey is where the request as it was asked stands in a context.
type askedKey struct{}

func withAsked(ctx context.Context, r *http.Request) context.Context {
	return context.WithValue(ctx, askedKey{}, r)
}

// query changes the raw query of a request to the read side.
func query(path, old, by string) func(*http.Request) bool {
	return func(r *http.Request) bool {
		if !strings.HasPrefix(r.URL.Path, "/fhir/"+path) || !strings.Contains(r.URL.RawQuery, old) {
			return false
		}
		r.URL.RawQuery = strings.ReplaceAll(r.URL.RawQuery, old, by)
		return true
	}
}

const (
	get1 = http.MethodGet
	post = http.MethodPost
)

// faultsOf are the faults, each with the rows that it fails.
func faultsOf(o *suite.Opened) []fault {
	plan, first, patient, gone, other := o.Main()
	firstPlan := o.FirstPlan()
	return []fault{
		// Base address, negotiation.
		{name: "ids in any case", rows: "HTTP-02", asked: func(r *http.Request) bool {
			low := "/fhir/" + patient
			if r.Method == get1 && r.URL.Path != low && strings.EqualFold(r.URL.Path, low) {
				r.URL.Path = low
				return true
			}
			return false
		}},
		{name: "a generic media type", rows: "HTTP-05", answered: func(a *answer) bool {
			if a.is(get1, "^Condition$") && a.status == http.StatusOK {
				a.header.Set("Content-Type", "application/json")
				return true
			}
			return false
		}},
		{name: "another charset", rows: "HTTP-06", answered: func(a *answer) bool {
			if a.is(get1, "^Device$") {
				a.header.Set("Content-Type", "application/fhir+json; charset=iso-8859-1")
				return true
			}
			return false
		}},
		{name: "weights are not read", rows: "HTTP-07", answered: func(a *answer) bool {
			return a.is(get1, "^Patient/") && strings.Contains(a.req.Header.Get("Accept"), "q=0.1") && a.instead(http.StatusNotAcceptable, problem)
		}},
		{name: "any Accept", rows: "HTTP-09", asked: func(r *http.Request) bool {
			if r.Header.Get("Accept") == "image/png" {
				r.Header.Set("Accept", "*/*")
				return true
			}
			return false
		}},
		{name: "any body", rows: "HTTP-10", asked: func(r *http.Request) bool {
			if r.URL.Path == "/records" && r.Header.Get("Content-Type") == "text/csv" {
				r.Header.Set("Content-Type", "application/json")
				return true
			}
			return false
		}},
		{name: "_format is passed over", rows: "HTTP-13", asked: query("Patient/", "_format=", "_pretty=")},
		{name: "_format is of the body", rows: "HTTP-14", answered: func(a *answer) bool {
			return a.is(post, "_search$") && a.asks("_format") && a.instead(http.StatusUnsupportedMediaType, problem)
		}},
		{name: "any version of FHIR", rows: "HTTP-16", asked: func(r *http.Request) bool {
			if strings.Contains(r.Header.Get("Accept"), "fhirVersion=3.0") {
				r.Header.Set("Accept", "application/fhir+json")
				return true
			}
			return false
		}},
		{name: "HEAD without ETag", rows: "HTTP-19", answered: func(a *answer) bool {
			if a.req.Method == http.MethodHead && a.header.Get("ETag") != "" {
				a.header.Del("ETag")
				return true
			}
			return false
		}},
		{name: "a type that there is not is empty", rows: "HTTP-24", answered: func(a *answer) bool { return a.is(get1, "^Nonsense") && a.instead(200, none) }},
		{name: "DELETE is done", rows: "CAP-03 HTTP-25", answered: func(a *answer) bool {
			return a.is(http.MethodDelete, "^CarePlan/[^/]+$") && a.instead(http.StatusNoContent, "")
		}},
		{name: "any size", rows: "HTTP-28", answered: func(a *answer) bool {
			if a.req.URL.Path == "/records" && a.status == http.StatusRequestEntityTooLarge {
				a.header.Set("Content-Type", "application/json")
				a.status, a.body = http.StatusOK, []byte(`{"answer":"stored"}`)
				return true
			}
			return false
		}},
		{name: "a body is taken whole", rows: "HTTP-28", asked: func(r *http.Request) bool {
			if r.URL.Path != "/records" || r.ContentLength >= 0 {
				return false
			}
			b, err := io.ReadAll(r.Body)
			r.Body = io.NopCloser(bytes.NewReader(b))
			return err == nil
		}},
		{name: "what is refused is allowed", rows: "HTTP-25", answered: func(a *answer) bool {
			if a.is(http.MethodPatch, "^CarePlan/[^/]+$") {
				a.header.Set("Allow", "GET, PATCH")
				return true
			}
			return false
		}},
		// Read, vread.
		{name: "a stale read", rows: "HTTP-19 READ-01 READ-07 READ-10 READ-11", answered: func(a *answer) bool {
			h := a.req.Header
			if !a.is(get1, "^"+plan+"$") || a.req.URL.RawQuery != "" || h.Get("If-None-Match")+h.Get("If-Modified-Since") != "" {
				return false
			}
			a.body = firstPlan.Body
			a.header.Set("ETag", firstPlan.ETag)
			a.header.Set("Last-Modified", firstPlan.LastModified)
			return true
		}},
		{name: "no ETag", rows: "READ-02", answered: func(a *answer) bool {
			if a.is(get1, "^(Observation|Procedure)/[^/]+$") && a.header.Get("ETag") != "" {
				a.header.Del("ETag")
				return true
			}
			return false
		}},
		{name: "another Last-Modified", rows: "READ-03", answered: func(a *answer) bool {
			if a.is(get1, "^Patient/[^/]+$") && a.header.Get("Last-Modified") != "" {
				a.header.Set("Last-Modified", "Sat, 01 Jan 2000 00:00:00 GMT")
				return true
			}
			return false
		}},
		{name: "nobody is there and all is well", rows: "READ-04", answered: func(a *answer) bool { return a.is(get1, "^Procedure/never$") && a.instead(200, allGood) }},
		{name: "gone is not found", rows: "READ-05 receiving-decline", answered: func(a *answer) bool {
			return a.is(get1, "^(CarePlan|Patient)/[^/]+$") && a.status == http.StatusGone && a.instead(http.StatusNotFound, problem)
		}},
		{name: "a gone version is not found", rows: "READ-09 receiving-decline", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan/[^/]+/_history/") && a.status == http.StatusGone && a.instead(http.StatusNotFound, problem)
		}},
		{name: "the current version is another", rows: "READ-07", answered: func(a *answer) bool {
			return a.is(get1, "^"+plan+"/_history/") && !strings.HasSuffix(a.path(), first) && a.replace(`"title":"`, `"title":"Another `)
		}},
		{name: "an old version changed", rows: "READ-07 READ-10", answered: func(a *answer) bool {
			return a.is(get1, "^"+plan+"/_history/"+first+"$") && a.replace(`"title":"`, `"title":"Another `)
		}},
		{name: "never modified", rows: "READ-11", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan/") && a.req.Header.Get("If-None-Match") != "" && a.req.Header.Get("If-Modified-Since") == "" && a.instead(http.StatusNotModified, "")
		}},
		{name: "never modified since", rows: "READ-13", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan/") && a.req.Header.Get("If-Modified-Since") != "" && a.instead(http.StatusNotModified, "")
		}},
		{name: "a part that does not say so", rows: "CONT-02 PROF-16 READ-14", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan/[^/]+$") && a.asks("_summary") && a.replace("SUBSETTED", "WHOLE")
		}},
		{name: "more than the narrative", rows: "READ-14", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan/[^/]+$") && a.asks("_summary=text") && a.replace(`"intent":"plan"`, `"intent":"plan","title":"x"`)
		}},
		// OperationOutcome.
		{name: "a failure in plain text", rows: "HTTP-05 OO-01 SRCH-10", answered: func(a *answer) bool {
			if a.is(get1, "^Procedure$") && a.asks("date=23May") {
				a.header.Set("Content-Type", "text/plain")
				a.body = []byte("no")
				return true
			}
			return false
		}},
		{name: "a failed search is 200", rows: "OO-02", answered: func(a *answer) bool {
			return a.is(get1, "^Procedure$") && a.asks("notadate") && a.instead(200, problem)
		}},
		{name: "an issue without severity", rows: "HIST-15 HTTP-25 OO-03", answered: func(a *answer) bool {
			return a.is(http.MethodPatch, "^CarePlan/") && a.replace(`"severity":"error",`, ``)
		}},
		{name: "a warning is an error", rows: "OO-07", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("patient=") && a.asks("foo=bar") && !a.asks("_include") && a.req.Header.Get("Prefer") == "handling=lenient" && a.replace(`"severity":"warning"`, `"severity":"error"`)
		}},
		{name: "a trace", rows: "OO-08", answered: func(a *answer) bool {
			return a.is(http.MethodPut, "^CarePlan/[^/]+$") && a.replace(`"diagnostics":"`, `"diagnostics":"goroutine 7 `)
		}},
		{name: "a statement of a database", rows: "OO-08", answered: func(a *answer) bool {
			return a.is(http.MethodPut, "^CarePlan$") && a.replace(`"diagnostics":"`, `"diagnostics":"no such table: plan `)
		}},
		{name: "what it runs on", rows: "OO-08", answered: func(a *answer) bool {
			if a.is(get1, "^Nonsense/_history$") {
				a.header.Set("X-Powered-By", "x")
				return true
			}
			return false
		}},
		{name: "a name in an error", rows: "OO-09", answered: func(a *answer) bool {
			return a.is(get1, "^Patient$") && a.status == 400 && a.replace(`"diagnostics":"`, `"diagnostics":"Mülldorn `)
		}},
		// CapabilityStatement.
		{name: "metadata needs a key", rows: "CAP-01", answered: func(a *answer) bool {
			return a.is(get1, "^metadata$") && a.req.Header.Get("Authorization") == "" && a.req.Header.Get("Accept") == "application/fhir+json" && a.instead(http.StatusUnauthorized, problem)
		}},
		{name: "no profile is supported", rows: "CAP-05", answered: func(a *answer) bool {
			return a.is(get1, "^metadata$") && a.match(`,"supportedProfile":\[[^\]]*\]`, "")
		}},
		{name: "a profile is not listed", rows: "CAP-05", answered: func(a *answer) bool {
			return a.is(get1, "^metadata$") && a.match(`,"supportedProfile":\["[^"]*/StructureDefinition/goal"\]`, "")
		}},
		{name: "a type says nothing of versions", rows: "CAP-04", answered: func(a *answer) bool {
			return a.is(get1, "^metadata$") && a.replace(`"versioning":"versioned",`, ``)
		}},
		{name: "another version of FHIR", rows: "CAP-02 CONT-02", answered: func(a *answer) bool {
			return a.is(get1, "^metadata$") && a.replace(`"fhirVersion":"4.0.1"`, `"fhirVersion":"4.3.0"`)
		}},
		{name: "a parameter is declared and not offered", rows: "CAP-03", answered: func(a *answer) bool {
			return a.is(get1, "^Goal$") && a.asks("lifecycle-status=") && a.instead(400, problem)
		}},
		{name: "an include is declared and not offered", rows: "CAP-03", answered: func(a *answer) bool {
			return a.is(get1, "^metadata$") && a.replace(`"searchInclude":["CarePlan:`, `"searchInclude":["CarePlan:nosuch","CarePlan:`)
		}},
		{name: "a declared parameter is passed over", rows: "CAP-03", asked: query("Encounter", "&status=nosuch", "")},
		{name: "one type has no old versions", rows: "CAP-03", answered: func(a *answer) bool {
			return a.is(get1, "^MedicationStatement/[^/]+/_history/") && a.instead(http.StatusNotFound, problem)
		}},
		{name: "a parameter of another type", rows: "CAP-03", answered: func(a *answer) bool {
			return a.is(get1, "^metadata$") && a.match(`("name":"onset-date","definition":"[^"]*","type":)"date"`, `$1"string"`)
		}},
		{name: "a parameter of its own is of another type", rows: "CAP-03", answered: func(a *answer) bool {
			return a.is(get1, "^SearchParameter$") && a.asks("url=http") && a.replace(`"type":"date"`, `"type":"token"`)
		}},
		{name: "a parameter that is not declared is passed over", rows: "CAP-03", asked: query("Specimen", "&nosuch=x", "")},
		{name: "an update is taken", rows: "CAP-03", answered: func(a *answer) bool { return a.is(http.MethodPut, "^Goal/") && a.instead(200, allGood) }},
		// Search.
		{name: "an empty search is no searchset", rows: "SRCH-01", answered: func(a *answer) bool {
			return a.is(get1, "^Procedure$") && a.asks("patient=none") && a.replace(`"searchset"`, `"collection"`)
		}},
		{name: "a form is not read", rows: "SRCH-02", answered: func(a *answer) bool {
			return a.is(post, "^Observation/_search$") && a.instead(200, none)
		}},
		{name: "self has what was left out", rows: "SRCH-04", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("foo=1") && a.replace("status=active", "status=active&foo=1")
		}},
		{name: "self has what was not asked", rows: "SRCH-04", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("foo=1") && a.replace("status=active", "status=active&intent=plan")
		}},
		{name: "what is unknown is left out", rows: "SRCH-05", asked: func(r *http.Request) bool {
			if r.URL.Path == "/fhir/CarePlan" && strings.HasSuffix(r.URL.RawQuery, "&foo=bar") && r.Header.Get("Prefer") == "" {
				r.URL.RawQuery = strings.TrimSuffix(r.URL.RawQuery, "&foo=bar")
				return true
			}
			return false
		}},
		{name: "strict is lenient", rows: "SRCH-06", asked: func(r *http.Request) bool {
			if r.Header.Get("Prefer") == "handling=strict" {
				r.Header.Set("Prefer", "handling=lenient")
				return true
			}
			return false
		}},
		{name: "no filter is left, in silence", rows: "SRCH-08", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("foo=bar&_count=1") && a.tree(func(m map[string]any) bool {
				for _, e := range m["entry"].([]any) {
					if at(e, "search", "mode") == "outcome" {
						r := at(e, "resource").(map[string]any)
						r["issue"] = r["issue"].([]any)[:1]
					}
				}
				return true
			})
		}},
		{name: "a modifier is passed over", rows: "SRCH-09", asked: query("Procedure", "date:exact=2024", "date=gt1999")},
		{name: "a bad date is 200", rows: "SRCH-10", answered: func(a *answer) bool { return a.is(get1, "^Procedure$") && a.asks("23May") && a.instead(200, none) }},
		{name: "a repeat is passed over", rows: "SRCH-12", asked: func(r *http.Request) bool {
			q := r.URL.RawQuery
			if i := strings.LastIndex(q, "&code="); r.URL.Path == "/fhir/Observation" && strings.Count(q, "&code=") == 2 {
				r.URL.RawQuery = q[:i]
				return true
			}
			return false
		}},
		{name: "a compartment lacks one", rows: "SRCH-17", answered: func(a *answer) bool {
			return a.is(get1, "^Patient/[^/]+/Condition$") && a.instead(200, none)
		}},
		{name: "the whole compartment lacks a type", rows: "SRCH-17", answered: func(a *answer) bool {
			return a.is(get1, "^"+patient+`/\*$`) && a.entries(func(l []any) []any {
				return slices.DeleteFunc(l, func(e any) bool { return at(e, "resource", "resourceType") == "Media" })
			})
		}},
		{name: "what is gone is found", rows: "SRCH-20", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("_id="+strings.TrimPrefix(gone, "CarePlan/")) && a.instead(200, strings.Replace(none, `"link"`, `"entry":[{"fullUrl":"`+o.Base()+`/`+plan+`","search":{"mode":"match"},"resource":`+string(firstPlan.Body)+`}],"link"`, 1))
		}},
		{name: "found later", rows: "SRCH-22", answered: func(a *answer) bool {
			return a.is(get1, "^Patient$") && a.asks("-P-found") && a.instead(200, none)
		}},
		// Parameters.
		{name: "_id in any case", rows: "SP-01", asked: func(r *http.Request) bool {
			id := strings.TrimPrefix(plan, "CarePlan/")
			if r.URL.Path == "/fhir/CarePlan" && r.URL.RawQuery == "_id="+strings.ToUpper(id) {
				r.URL.RawQuery = "_id=" + id
				return true
			}
			return false
		}},
		{name: "gt is ge", rows: "SP-02", asked: query("Observation", "_lastUpdated=gt", "_lastUpdated=ge")},
		{name: "no tag is matched", rows: "SP-03", asked: func(r *http.Request) bool {
			return strings.HasPrefix(r.URL.RawQuery, "patient=") && query("DetectedIssue", "&_tag=", "&_tag:not=")(r)
		}},
		{name: "missing is turned about", rows: "SP-04", asked: query("Observation", "based-on:missing=true", "based-on:missing=false")},
		{name: "a system is passed over", rows: "SP-06", asked: query("Procedure", "code=urn%3Anone%7C", "code=")},
		{name: "the first coding alone", rows: "SP-07", answered: func(a *answer) bool {
			return a.is(get1, "^Procedure$") && a.asks("code=http%3A%2F%2Fsnomed.info") && a.instead(200, none)
		}},
		{name: "not finds what has a value alone", rows: "SP-10", asked: query("Observation", "value-concept:not=", "value-concept:missing=false&value-concept:not=")},
		{name: "an instant matches what holds it", rows: "SP-15", asked: func(r *http.Request) bool {
			q := r.URL.RawQuery
			if r.URL.Path == "/fhir/Procedure" && strings.Contains(q, "&date=20") && strings.HasSuffix(q, "Z") {
				r.URL.RawQuery = strings.Replace(q, "&date=", "&date=ge", 1)
				return true
			}
			return false
		}},
		{name: "a month is a day", rows: "SP-15", asked: query("Condition", "onset-date=2025-11-15", "onset-date=ge2025-11-15")},
		{name: "a month is each of its days", rows: "SP-16", asked: query("Condition", "onset-date=eq2025-11-15", "onset-date=ge2025-11-15")},
		{name: "an instant is after itself", rows: "SP-16", asked: func(r *http.Request) bool {
			q := r.URL.RawQuery
			if r.URL.Path == "/fhir/Observation" && strings.Contains(q, "&date=sa") && strings.HasSuffix(q, "Z") {
				r.URL.RawQuery = strings.Replace(q, "&date=sa", "&date=ge", 1)
				return true
			}
			return false
		}},
		{name: "eb is lt", rows: "SP-16 SP-17", asked: func(r *http.Request) bool {
			if strings.Contains(r.URL.RawQuery, "date=eb") {
				r.URL.RawQuery = strings.Replace(r.URL.RawQuery, "date=eb", "date=lt", 1)
				return true
			}
			return false
		}},
		{name: "no end is an end", rows: "SP-16 SP-17", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("date=ge2099") && !a.asks("activity") && a.instead(200, none)
		}},
		{name: "hours alone", rows: "SP-19", asked: query("Procedure", "ge2024-05-01T10", "ge2024-05-01T10:00Z")},
		{name: "offsets are passed over", rows: "SP-20", asked: func(r *http.Request) bool {
			if strings.Contains(r.URL.RawQuery, "%2B09%3A00") {
				r.URL.RawQuery = strings.ReplaceAll(r.URL.RawQuery, "%2B09%3A00", "Z")
				return true
			}
			return false
		}},
		{name: "exact is not", rows: "SP-22", asked: query("Patient", "family:exact=", "family=")},
		{name: "a URL is nobody", rows: "SP-24", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("patient=http%3A%2F%2F127") && a.instead(200, none)
		}},
		{name: "a chain is passed over", rows: "SP-30", asked: query("CarePlan", "encounter.date=1999", "date=ge1999")},
		{name: "a chain over any type", rows: "SP-30", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("performer.identifier") && a.instead(200, none)
		}},
		{name: "a wall is open", rows: "SP-33", answered: func(a *answer) bool {
			return a.is(get1, "^"+other+"$") && a.instead(200, `{"resourceType":"Patient","id":"x"}`)
		}},
		{name: "units are passed over", rows: "SP-34", asked: query("Observation", "value-quantity="+url.QueryEscape("71.5|urn:none|kg"), "value-quantity=71.5")},
		// Pages.
		{name: "one too many", rows: "PAGE-01", asked: query("Observation", "&_count=5&_include", "&_count=6&_include")},
		{name: "count 0 is not counted", rows: "PAGE-03", asked: query("Observation", "&_count=0", "&_count=1")},
		{name: "next is dropped", rows: "PAGE-05", answered: func(a *answer) bool {
			return a.is(get1, "^Observation$") && a.asks("&_count=7") && !a.asks("_sort") && a.replace(`"relation":"next"`, `"relation":"up"`)
		}},
		{name: "equal keys are lost", rows: "PAGE-08", answered: func(a *answer) bool {
			return a.is(get1, "^Observation$") && a.asks("_sort=date&_count=7") && a.entries(func(l []any) []any { return l[1:] })
		}},
		{name: "a link in clear", rows: "PAGE-10 SEC-08", answered: func(a *answer) bool {
			return a.is(get1, "^Observation$") && a.asks("patient.identifier") && a.asks("_count=3") && a.replace(`?_page=`, `?of=`+strings.TrimPrefix(patient, "Patient/")+`&name=M%C3%BClldorn&_page=`)
		}},
		{name: "includes are counted", rows: "PAGE-12", answered: func(a *answer) bool {
			return a.is(get1, "^Observation$") && a.asks("_total=accurate") && a.tree(func(m map[string]any) bool { m["total"] = 999; return true })
		}},
		{name: "no mode", rows: "PAGE-14", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("_include=CarePlan:goal&foo=bar") && a.replace(`"mode":"include"`, `"score":1`)
		}},
		{name: "an entry of another search without mode", rows: "PAGE-14", answered: func(a *answer) bool {
			return a.is(get1, "^CodeSystem$") && a.asks("_count=500") && a.match(`,"search":\{"mode":"match"\}`, "")
		}},
		{name: "an entry of another search without address", rows: "PAGE-15", answered: func(a *answer) bool {
			return a.is(get1, "^ValueSet$") && a.asks("_count=500") && a.match(`"fullUrl":"[^"]*",`, "")
		}},
		{name: "an address with a version", rows: "PAGE-15", answered: func(a *answer) bool {
			return a.is(get1, "^Observation$") && a.asks("_count=20&_include=Observation:encounter") && !a.asks("subject") && !a.asks("_total") && a.replace(`","resource":{"resourceType":"Observation"`, `/_history/1","resource":{"resourceType":"Observation"`)
		}},
		{name: "a goal is not included", rows: "PAGE-17", asked: query("CarePlan", "_include=CarePlan:goal&_include=CarePlan:patient", "_include=CarePlan:patient")},
		{name: "no Provenance", rows: "PAGE-19 PROF-04", asked: query("CarePlan", "&_revinclude=Provenance:target", "")},
		{name: "a page without its includes", rows: "PAGE-21", asked: query("Observation", "&_include=Observation:encounter&_include=Observation:subject", "&_include=Observation:encounter")},
		{name: "includes are cut", rows: "PAGE-22", answered: func(a *answer) bool {
			return a.is(get1, "^Patient$") && a.asks("_revinclude=Observation:subject") && a.entries(func(l []any) []any { return l[:3] })
		}},
		{name: "data with text", rows: "PAGE-24", asked: query("CarePlan", "_summary=data", "_summary=false")},
		{name: "more than the summary", rows: "PAGE-24", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("_summary=true") && a.replace(`"intent":"plan"`, `"intent":"plan","supportingInfo":[{"display":"x"}]`)
		}},
		{name: "not sorted", rows: "PAGE-26", asked: query("Observation", "_sort=-date,_id", "_sort=date,_id")},
		{name: "an entry comes twice", rows: "PAGE-07", answered: func(a *answer) bool {
			return a.is(get1, "^Observation$") && a.asks("_count=10&_lastUpdated=ge") && a.entries(func(l []any) []any { return append(l, l[0]) })
		}},
		// History.
		{name: "a history is a collection", rows: "HIST-01", answered: func(a *answer) bool {
			return a.is(get1, "^_history$") && a.asks("_count=5") && !a.asks("_count=50") && a.replace(`"type":"history"`, `"type":"collection"`)
		}},
		{name: "no deletions", rows: "HIST-02 READ-09 receiving-decline", answered: func(a *answer) bool {
			return a.is(get1, "^"+gone+"/_history$") && a.entries(func(l []any) []any { return slices.DeleteFunc(l, deletion) })
		}},
		{name: "entries of another version", rows: "HIST-03", answered: func(a *answer) bool {
			return a.is(get1, "^_history$") && a.asks("_count=50") && !a.asks("_count=500") && a.replace(`"etag":"W/\"`, `"etag":"W/\"x`)
		}},
		{name: "a deletion without its version", rows: "HIST-03 READ-09", answered: func(a *answer) bool {
			return a.is(get1, "^"+gone+"/_history$") && a.match(`"etag":"[^,]*",`, "")
		}},
		{name: "a version is left out", rows: "HIST-06", answered: func(a *answer) bool {
			return a.is(get1, "^Observation/[^/]+/_history$") && a.asks("_count=3") && a.entries(func(l []any) []any { return l[1:] })
		}},
		{name: "since is after", rows: "HIST-07", answered: func(a *answer) bool {
			return a.is(get1, "^Observation/[^/]+/_history$") && a.asks("_since=2") && !a.asks("_since=2024") && a.entries(func(l []any) []any { return l[:len(l)-1] })
		}},
		{name: "pages of any size", rows: "HIST-09", asked: query("Observation/_history", "_count=7", "_count=8")},
		{name: "one of a commit is lost", rows: "HIST-11", answered: walk("^_history$", "_count=10&_since", func(a *answer) bool {
			return a.entries(func(l []any) []any { return l[1:] })
		})},
		{name: "a poll misses plans", rows: "HIST-12", answered: func(a *answer) bool {
			return a.is(get1, "^_history$") && a.asks("_count=500&_since") && a.replace(`"CarePlan","id":"`, `"CarePlan","id":"x`)
		}},
		// JSON, datatypes, content: each in what another search finds, or in what the
		// compartments of patients hold.
		{name: "null", rows: "DATA-01", answered: found("family=mulld", `"resourceType":"Patient",`, `"resourceType":"Patient","maritalStatus":null,`)},
		{name: "a list of one", rows: "DATA-04", answered: found("family:contains=", `"gender":"female"`, `"gender":["female"]`)},
		{name: "an id of another form", rows: "DATA-09 PAGE-15", answered: func(a *answer) bool {
			return a.is(get1, "^Practitioner$") && a.replace(`"Practitioner","id":"`, `"Practitioner","id":"_`)
		}},
		{name: "a date that there is not", rows: "DATA-10", answered: found("given=zoe", `"1988-05-14"`, `"1988-02-30"`)},
		{name: "a member twice", rows: "content-valid", answered: found("family=M%C3%9CLL", `"resourceType":"Patient",`, `"resourceType":"Patient","resourceType":"Patient",`)},
		{name: "an unknown element", rows: "DATA-08", answered: found("family=M%C3%9CLL", `"resourceType":"Patient",`, `"resourceType":"Patient","nosuch":"x",`)},
		{name: "an unknown modifier", rows: "DATA-26", answered: found("family:exact=M%C3%BClldorn", `"resourceType":"Patient",`, `"resourceType":"Patient","modifierExtension":[{"url":"http://none.example/x","valueBoolean":true}],`)},
		{name: "a reference to another type", rows: "DATA-21 PROF-16", answered: func(a *answer) bool {
			return a.is(get1, "^Device$") && a.replace(`"resourceType":"Device",`, `"resourceType":"Device","patient":{"reference":"Practitioner/1"},`)
		}},
		{name: "a mandatory element is missing", rows: "CONT-01 PROF-16", answered: func(a *answer) bool {
			return a.is(get1, "^Practitioner$") && a.replace(`"resourceType":"Practitioner",`, `"resourceType":"Practitioner","qualification":[{"identifier":[{"value":"a"}]}],`)
		}},
		{name: "a code of no set", rows: "CONT-02", answered: found("value-quantity=gt71%7C", `"status":"final"`, `"status":"finished"`)},
		{name: "an invariant", rows: "CONT-03", answered: found("value-quantity=ge71", `"resourceType":"Observation",`, `"resourceType":"Observation","referenceRange":[{"age":{"low":{"value":1}}}],`)},
		{name: "reference and detail", rows: "CONT-03 CONT-04", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("patient=http%3A%2F%2F127") && a.replace(`"activity":[{`, `"activity":[{"reference":{"reference":"Task/1"},`)
		}},
		{name: "absent and there", rows: "CONT-03 CONT-14", answered: func(a *answer) bool {
			return a.is(get1, "^Observation$") && a.asks("based-on") && a.asks("_sort") && a.replace(`"valueCodeableConcept":`, `"dataAbsentReason":{"text":"x"},"valueCodeableConcept":`)
		}},
		{name: "a script", rows: "CONT-03 CONT-25", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.req.URL.RawQuery == "_id="+strings.TrimPrefix(plan, "CarePlan/") && a.replace(`</div>`, `<script>x()</script></div>`)
		}},
		{name: "nothing is wrong with anything", rows: "DATA-01 DATA-04 DATA-06 DATA-08 DATA-09 DATA-10 DATA-21 DATA-26 CONT-01 CONT-02 CONT-03 CONT-04 CONT-14 CONT-25 PROF-16 TERM-01 TERM-09 content-valid",
			answered: func(a *answer) bool { return a.is(post, `\$validate$`) && a.status == 200 && a.instead(200, allGood) }},
		{name: "a profile is claimed in vain", rows: "PROF-16", answered: func(a *answer) bool {
			return a.is(get1, "^Observation$") && a.asks("value-quantity=lt72") && a.replace(`"29463-7"`, `"3141-9"`)
		}},
		{name: "an extension is lost", rows: "DATA-06 READ-07", answered: func(a *answer) bool { return a.is(get1, "^"+plan+"$") && a.replace(`"_start":{`, `"_end":{`) }},
		{name: "digits are lost", rows: "DATA-07", answered: func(a *answer) bool {
			return a.is(get1, "^Observation$") && strings.HasPrefix(a.req.URL.RawQuery, "_id=") && a.replace(`37.50`, `37.5`)
		}},
		{name: "a zero is dropped", rows: "DATA-07", answered: func(a *answer) bool {
			return a.is(get1, "^Observation/[^/]+/_history/") && a.replace(`"value":2.00`, `"value":2.0`)
		}},
		{name: "a long decimal is rounded", rows: "DATA-07", answered: func(a *answer) bool {
			return a.is(get1, `^Patient/[^/]+/\*$`) && bytes.Contains(a.body, []byte(`"entered-in-error"`)) && a.replace(`"value":37.50`, `"value":12345678901234568`)
		}},
		{name: "an element is not named", rows: "DATA-08", answered: func(a *answer) bool { return a.is(post, `^CarePlan/\$validate$`) && a.replace("statuss", "it") }},
		{name: "a plan without intent", rows: "CONT-01", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("status=entered-in-error") && a.replace(`"intent":"plan",`, ``)
		}},
		{name: "an encounter may be anything", rows: "CONT-01 CONT-02", answered: func(a *answer) bool {
			return a.is(post, `^Encounter/\$validate$`) && a.status == 200 && a.instead(200, allGood)
		}},
		{name: "an offset is turned", rows: "DATA-11", answered: compartment(`:00+02:00"`, `:00+02:30"`)},
		{name: "a stopped plan is not found", rows: "CONT-07", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("status=revoked") && a.instead(200, none)
		}},
		{name: "nobody made the review", rows: "CONT-08 PROF-16", answered: func(a *answer) bool {
			return a.is(get1, "^Observation$") && a.asks("based-on") && a.asks("_count=200") && a.replace(`"performer":`, `"focus":`)
		}},
		{name: "not done is done", rows: "CONT-10", answered: func(a *answer) bool {
			return a.is(get1, "^Procedure$") && a.replace(`"status":"not-done"`, `"status":"completed"`)
		}},
		{name: "no narrative was generated", rows: "CONT-24", answered: compartment(`"status":"generated"`, `"status":"additional"`)},
		// Terminology.
		{name: "a check digit", rows: "TERM-01", answered: compartment(`"439740005"`, `"439740006"`)},
		{name: "another address of the system", rows: "TERM-01", answered: compartment(`"Postoperative follow-up visit","system":"http://snomed`, `"Postoperative follow-up visit","system":"https://snomed`)},
		{name: "a description is a concept", rows: "TERM-01", answered: func(a *answer) bool {
			return a.is(post, `^AllergyIntolerance/\$validate$`) && a.instead(200, allGood)
		}},
		{name: "a version", rows: "TERM-02", answered: compartment(`"system":"http://snomed.info/sct"`, `"system":"http://snomed.info/sct","version":"x"`)},
		{name: "a term of its own", rows: "TERM-03", answered: compartment(`"Postoperative follow-up visit"`, `"Postop visit"`)},
		{name: "the other side", rows: "TERM-03 TERM-06", answered: compartment(`"display":"Left`, `"display":"Right`)},
		{name: "no unit of UCUM", rows: "TERM-09", answered: compartment(`"code":"min"`, `"code":"minutes"`)},
		{name: "a listed code is left out", rows: "TERM-03 TERM-13", answered: compartment(`"code":"non-adherent"`, `"code":"other"`)},
		// Provenance, privacy, profiles.
		{name: "targets without version", rows: "SEC-01", answered: func(a *answer) bool {
			return a.is(get1, "^Provenance$") && a.asks("_count=200") && a.match(`/_history/[^"]+"`, `"`)
		}},
		{name: "a resource without Provenance", rows: "SEC-01", answered: func(a *answer) bool {
			return a.is(get1, "^Provenance$") && a.asks("_count=100&target=") && a.entries(func(l []any) []any { return l[1:] })
		}},
		{name: "a name in a header", rows: "SEC-08", answered: func(a *answer) bool {
			if a.is(get1, "^Patient$") && a.asks("family:exact=") {
				a.header.Set("Content-Location", "/fhir/Patient?family=M%C3%BClldorn")
				return true
			}
			return false
		}},
		{name: "a name in an address", rows: "PAGE-15 SEC-08", answered: found("given=zoe", `","resource":{"resourceType":"Patient"`, `?given=Zoë","resource":{"resourceType":"Patient"`)},
		{name: "a field is a failure", rows: "SEC-12", answered: func(a *answer) bool {
			if a.req.URL.Path == "/records" && a.asks("dry-run") && bytes.Contains(a.body, []byte("/surgery/dressing")) {
				a.status, a.body = http.StatusInternalServerError, []byte(`{"status":500}`)
				a.header.Set("Content-Type", "application/problem+json")
				return true
			}
			return false
		}},
		{name: "a quote is a failure", rows: "SEC-12", answered: func(a *answer) bool {
			return a.is(get1, "^Patient$") && a.asks("family=%27") && a.instead(500, problem)
		}},
		{name: "lt is ge", rows: "PROF-01", asked: query("Procedure", "date=lt1999-01-01", "date=ge1999-01-01")},
		// What a hub asks first.
		{name: "no condition beside the plan", rows: "hub-active-plans", asked: query("CarePlan", "&_include=CarePlan:condition", "")},
		{name: "a number is not found", rows: "hub-by-number", answered: func(a *answer) bool {
			return a.is(post, "^CarePlan/_search$") && a.status == 200 && !a.asks("_format") && a.instead(200, none)
		}},
		{name: "the last change first", rows: "hub-changed-since", asked: query("CarePlan", "_sort=_lastUpdated&_count=100", "_sort=-_lastUpdated&_count=100")},
		{name: "a feed without deletions", rows: "hub-feed", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan/_history$") && a.entries(func(l []any) []any { return slices.DeleteFunc(l, deletion) })
		}},
		{name: "no reviews", rows: "hub-reviews", answered: func(a *answer) bool {
			return a.is(get1, "^Observation$") && a.asks("based-on") && a.asks("_sort=-date") && a.instead(200, none)
		}},
		{name: "le is ge", rows: "hub-due", asked: query("CarePlan", "activity-date=le1999", "activity-date=ge1999")},
		{name: "a review is not planned", rows: "hub-plan", answered: func(a *answer) bool {
			return a.is(get1, "^CarePlan$") && a.asks("_elements=activity") && a.tree(func(m map[string]any) bool {
				r := at(m["entry"].([]any)[0], "resource").(map[string]any)
				r["activity"] = r["activity"].([]any)[1:]
				return true
			})
		}},
		{name: "no surgery", rows: "hub-surgery", answered: func(a *answer) bool {
			return a.is(get1, "^Procedure$") && a.asks("encounter=Encounter") && a.instead(200, none)
		}},
		// Receiving.
		{name: "a repeat is stored", rows: "ING-02", answered: records("-again", `"answer":"unchanged"`, `"answer":"stored"`)},
		{name: "an update is lost", rows: "ING-03", asked: lost("-update", 2)},
		{name: "a late content is stored", rows: "ING-04", answered: records("-late", `"answer":"superseded"`, `"answer":"stored"`)},
		{name: "a refusal is 200", rows: "ING-08", answered: func(a *answer) bool {
			if a.req.URL.Path == "/records" && a.status == 422 && bytes.Contains(a.body, []byte("-refused")) {
				a.status = 200
				return true
			}
			return false
		}},
		{name: "the last of a row is lost", rows: "ING-12", asked: lost("-order1", 4)},
		{name: "another clinic's key", rows: "ING-15", answered: func(a *answer) bool {
			if a.req.URL.Path == "/records" && a.status == 403 {
				a.status = 200
				return true
			}
			return false
		}},
		{name: "main is stored again", rows: "receiving-repeat", answered: records("-S-1", `"answer":"unchanged"`, `"answer":"stored"`)},
		{name: "nothing waits", rows: "receiving-order", answered: records("-early-review", `"answer":"waiting"`, `"answer":"stored"`)},
		{name: "a conflict is quiet", rows: "receiving-conflict", answered: records("-conflict", `"level":"critical"`, `"level":"note"`)},
		{name: "a critical flag is a low one", rows: "receiving-flags", answered: flags(func(a *answer) bool { return a.replace(`"severity":"high"`, `"severity":"low"`) })},
		{name: "a critical flag is lost", rows: "receiving-flags", answered: flags(func(a *answer) bool {
			return bytes.Contains(a.body, []byte(`"severity":"high"`)) && a.entries(func(l []any) []any {
				return slices.DeleteFunc(l, func(e any) bool { return at(e, "resource", "severity") == "high" })
			})
		})},
		{name: "a flag is about nothing", rows: "receiving-flags", answered: flags(func(a *answer) bool { return a.match(`"implicated":\[[^\]]*\],`, "") })},
		{name: "a flag says another reason", rows: "receiving-flags", answered: flags(func(a *answer) bool {
			return a.replace(`"code":"tourniquet-release-unrecorded"`, `"code":"unlisted-value"`)
		})},
		{name: "a withdrawn stay stands", rows: "receiving-withdrawal", answered: compartment(`"lifecycleStatus":"entered-in-error"`, `"lifecycleStatus":"active"`)},
		{name: "what is malformed is taken", rows: "receiving-refusal", answered: func(a *answer) bool {
			if a.req.URL.Path == "/records" && a.asks("dry-run") && a.status == 422 {
				a.status = 200
				return true
			}
			return false
		}},
		{name: "a history keeps who declined", rows: "receiving-decline", answered: func(a *answer) bool {
			return a.is(get1, "^_history$") && !a.asks("_count=5") && bytes.Contains(a.body, []byte(gone)) && a.entries(func(l []any) []any {
				for i, e := range l {
					if deletion(e) && at(e, "request", "url") == gone {
						kept := map[string]any{"request": map[string]any{"method": "PUT", "url": gone}, "response": at(e, "response"), "resource": json.RawMessage(firstPlan.Body)}
						return slices.Insert(l, i+1, any(kept))
					}
				}
				return l
			})
		}},
		{name: "a dry run writes", rows: "receiving-dry-run", asked: func(r *http.Request) bool {
			if r.URL.RawQuery == "dry-run=true" && bytes.Contains(bodyOf(r), []byte(`-dry"`)) {
				r.URL.RawQuery = ""
				return true
			}
			return false
		}},
		{name: "a version is put", rows: "HIST-15", answered: func(a *answer) bool { return a.is(http.MethodPut, "/_history/") && a.instead(200, allGood) }},
	}
}

// walk does what is wrong on each page of a walk that begins with a query.
func walk(path, first string, wrong func(*answer) bool) func(*answer) bool {
	pages := map[string]bool{}
	var mu sync.Mutex
	return func(a *answer) bool {
		mu.Lock()
		defer mu.Unlock()
		if !a.is(get1, path) || !a.asks(first) && !pages[a.req.URL.RawQuery] {
			return false
		}
		var b struct {
			Link []struct{ Relation, URL string }
		}
		if json.Unmarshal(a.body, &b) != nil {
			return false
		}
		for _, l := range b.Link {
			if u, err := url.Parse(l.URL); err == nil && l.Relation == "next" {
				pages[u.RawQuery] = true
			}
		}
		return wrong(a)
	}
}

// deletion reports an entry that is a DELETE.
func deletion(e any) bool { return at(e, "request", "method") == "DELETE" }

// found replaces a text in what a search finds.
func found(query, old, by string) func(*answer) bool {
	return func(a *answer) bool {
		return a.is(get1, "^(Patient|Observation)$") && a.asks(query) && a.replace(old, by)
	}
}

// flags does what is wrong with the published flags of a patient.
func flags(wrong func(*answer) bool) func(*answer) bool {
	return func(a *answer) bool { return a.is(get1, "^DetectedIssue$") && a.asks("_count=100") && wrong(a) }
}

// compartment replaces a text in what the compartments of patients hold.
func compartment(old, by string) func(*answer) bool {
	return func(a *answer) bool { return a.is(get1, `^Patient/[^/]+/\*$`) && a.replace(old, by) }
}

// records replaces a text in answers about a record.
func records(id, old, by string) func(*answer) bool {
	return func(a *answer) bool {
		return a.req.URL.Path == "/records" && bytes.Contains(a.body, []byte(id+`"`)) && a.replace(old, by)
	}
}

// lost has a revision of a record answered and not kept.
func lost(id string, revision int) func(*http.Request) bool {
	return func(r *http.Request) bool {
		if r.Method != post || r.URL.Path != "/records" {
			return false
		}
		body := bodyOf(r)
		if !bytes.Contains(body, []byte(id+`"`)) || !bytes.Contains(body, []byte(`"revision":`+strconv.Itoa(revision)+`,`)) {
			return false
		}
		r.URL.RawQuery = "dry-run=true"
		return true
	}
}

// bodyOf is the body of a request, which can be read again; of one that has no length it
// is left to who reads it.
func bodyOf(r *http.Request) []byte {
	if r.Body == nil || r.ContentLength < 0 {
		return nil
	}
	b, err := io.ReadAll(r.Body)
	if err != nil {
		return nil
	}
	r.Body = io.NopCloser(bytes.NewReader(b))
	return b
}
