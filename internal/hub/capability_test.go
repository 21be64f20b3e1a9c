package hub

import (
	"encoding/json"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/mapping/resource"
)

func (w *world) capability() capabilityStatement {
	w.Helper()
	r := w.get("/metadata")
	require.Equal(w, 200, r.Code)
	var s capabilityStatement
	require.NoError(w, json.Unmarshal(r.Body.Bytes(), &s))
	return s
}

// R-CAP-01, R-CAP-02, R-CAP-04, R-CAP-07: a complete statement, the same
// until something in it changes.
func TestR_CAP_01_02_04_07_Statement(t *testing.T) {
	w := newWorld(t)
	s := w.capability()
	assert.Equal(t, "CapabilityStatement", s.ResourceType)
	assert.Equal(t, "4.0.1", s.FHIRVersion)
	assert.Equal(t, "instance", s.Kind)
	assert.Equal(t, base, s.Implementation.URL)
	assert.Equal(t, "1.2.3", s.Software.Version)
	assert.Equal(t, "2026-03-02T09:00:00Z", s.Date)
	require.Len(t, s.Rest, 1)
	assert.Len(t, s.Rest[0].Resource, len(searchparam.Types()))
	for _, r := range s.Rest[0].Resource {
		assert.Equal(t, "versioned", r.Versioning, r.Type)
		assert.False(t, r.UpdateCreate || r.ConditionalCreate || r.ConditionalUpdate, r.Type)
		assert.True(t, r.ReadHistory, r.Type)
	}
	first := w.get("/metadata")
	tag := first.Header().Get("ETag")
	assert.NotEmpty(t, tag)
	assert.Equal(t, http.StatusNotModified, w.get("/metadata", "If-None-Match", tag).Code)
	w.handler = w.serve([]byte("another secret of 32 bytes......"))
	assert.Equal(t, tag, w.get("/metadata").Header().Get("ETag"))
	h, err := New(Options{Store: w.store, BaseURL: base, Secret: secret, Version: "1.2.4", Released: t0})
	require.NoError(t, err)
	w.handler = h
	assert.NotEqual(t, tag, w.get("/metadata").Header().Get("ETag"))
}

// R-CAP-03, R-CAP-04: what is declared works and what is not is refused, for every type,
// interaction and parameter.
func TestR_CAP_03_TellsTheTruth(t *testing.T) {
	w := newWorld(t)
	paths := map[string]string{"read": "/x", "vread": "/x/_history/1", "search-type": "", "history-type": "/_history", "history-instance": "/x/_history"}
	values := map[string]string{"token": "true", "reference": "x", "date": "2026-03-02", "string": "x", "uri": "urn:x", "quantity": "5", "composite": "x$5"}
	for _, r := range w.capability().Rest[0].Resource {
		declared := map[string]bool{}
		for _, i := range r.Interaction {
			declared[i.Code] = true
		}
		for code, path := range paths {
			reply := w.get("/" + r.Type + path)
			if reply.Code != 200 {
				reply.failed(404, map[bool]string{true: "not-found", false: "not-supported"}[declared[code]])
			} else {
				assert.True(t, declared[code], "%s %s", r.Type, code)
			}
		}
		names := map[string]bool{}
		for _, p := range r.SearchParam {
			names[p.Name] = true
			assert.Equal(t, 200, w.get("/"+r.Type+"?"+p.Name+"="+values[p.Type]).Code, "%s %s", r.Type, p.Name)
			for modifier, offered := range modifiersOf(r.Type, p.Name, p.Type) {
				reply := w.get("/" + r.Type + "?" + p.Name + ":" + modifier + "=" + map[bool]string{true: "true", false: values[p.Type]}[modifier == "missing"])
				if offered {
					assert.Equal(t, 200, reply.Code, "%s %s:%s", r.Type, p.Name, modifier)
				} else {
					reply.failed(400, "not-supported")
				}
			}
			assert.Equal(t, map[bool]int{true: 400, false: 200}[p.Type == "composite"], w.get("/"+r.Type+"?_sort=-"+p.Name).Code, "%s %s", r.Type, p.Name)
		}
		w.includesAsDeclared(r)
		for _, typ := range searchparam.Types() {
			for _, d := range searchparam.Definitions(typ) {
				if !names[d.Name] {
					w.get("/"+r.Type+"?"+d.Name+"=x").failed(400, "not-supported")
				}
			}
		}
	}
	assert.Equal(t, []interaction{{Code: "history-system"}}, w.capability().Rest[0].Interaction)
	assert.Equal(t, 200, w.get("/_history").Code)
}

// modifiersOf says of every modifier of R4 (search.html#modifiers) whether a
// parameter takes it here.
func modifiersOf(typ, name, kind string) map[string]bool {
	out := map[string]bool{"missing": name != "_id" && name != "_lastUpdated" && kind != "composite", "not": kind == "token", "exact": kind == "string", "contains": kind == "string",
		"text": false, "in": false, "not-in": false, "below": false, "above": false, "type": false, "of-type": false, "iterate": false, "": false, "foo": false}
	d := searchparam.Definitions(typ)[slices.IndexFunc(searchparam.Definitions(typ), func(d *searchparam.Definition) bool { return d.Name == name })]
	out["identifier"] = kind == "reference" && d.Element != "canonical"
	return out
}

// includesAsDeclared asks for every include of R4 that the types here could have.
func (w *world) includesAsDeclared(r restResource) {
	for _, source := range searchparam.Types() {
		for _, d := range searchparam.Definitions(source) {
			value := source + ":" + d.Name
			for name, declared := range map[string][]string{"_include": r.SearchInclude, "_revinclude": r.SearchRevInclude} {
				if name == "_include" && source != r.Type {
					continue
				}
				code := w.get("/" + r.Type + "?" + name + "=" + value).Code
				assert.Equal(w, map[bool]int{true: 200, false: 400}[slices.Contains(declared, value)], code, "%s %s=%s", r.Type, name, value)
			}
		}
	}
	assert.Equal(w, 400, w.get("/"+r.Type+"?_include=*").Code)
}

// A client reads the limits of a search, and they are those in force: the
// greatest is taken, and one more is refused.
func TestStatementTellsTheLimitsInForce(t *testing.T) {
	w := newWorld(t)
	rules := w.capability().Rest[0].Documentation
	told := func(pattern string) int {
		m := regexp.MustCompile(pattern).FindStringSubmatch(rules)
		require.NotNil(t, m, pattern)
		n, err := strconv.Atoi(m[1])
		require.NoError(t, err)
		return n
	}
	criteria := told(`have ([0-9]+) criteria`)
	for name, c := range map[string]struct {
		limit int
		query func(n int) string
	}{
		"criteria": {criteria, func(n int) string { return strings.Repeat("&_id=a", n) }},
		"followed": {(criteria - 1) / told(`followed counts as ([0-9]+)`), func(n int) string { return strings.Repeat("&patient.family=a", n) }},
		"values":   {told(`with ([0-9]+) values`), func(n int) string { return "&_id=a" + strings.Repeat(",a", n-1) }},
		"steps":    {told(`over ([0-9]+) references`), func(n int) string { return "&" + strings.Repeat("replaces:CarePlan.", n) + "status=active" }},
		"_include": {told(`one step, ([0-9]+) of each`), func(n int) string { return strings.Repeat("&_include=CarePlan:patient", n) }},
		"_sort":    {told(`_sort takes up to ([0-9]+)`), func(n int) string { return "&_sort=date" + strings.Repeat(",date", n-1) }},
	} {
		assert.Equal(t, 200, w.get("/CarePlan?"+c.query(c.limit)[1:]).Code, name)
		assert.Equal(t, 400, w.get("/CarePlan?"+c.query(c.limit + 1)[1:]).Code, name)
	}
}

func TestNewRefusesWrongOptions(t *testing.T) {
	w := newWorld(t)
	good := Options{Store: w.store, BaseURL: base, Secret: secret}
	for name, change := range map[string]func(*Options){
		"no store":        func(o *Options) { o.Store = nil },
		"slash":           func(o *Options) { o.BaseURL = base + "/" },
		"relative":        func(o *Options) { o.BaseURL = "/fhir" },
		"query":           func(o *Options) { o.BaseURL = base + "?a=1" },
		"scheme":          func(o *Options) { o.BaseURL = "ftp://bridge.example/fhir" },
		"short secret":    func(o *Options) { o.Secret = []byte("short") },
		"twice":           func(o *Options) { o.Static = []resource.Resource{parse(t, codeSystem), parse(t, codeSystem)} },
		"not an artifact": func(o *Options) { o.Static = []resource.Resource{parse(t, plan("c1", "p1", "active"))} },
	} {
		o := good
		change(&o)
		_, err := New(o)
		assert.ErrorIs(t, err, ErrOptions, name)
	}
	good.Zone = time.FixedZone("x", 3600)
	_, err := New(good)
	assert.NoError(t, err)
}

// What the statement says that a hub would not expect is so: two dates are no
// window to a plan of two reviews (search.html#combining), a whole compartment takes two
// parameters, and what a Provenance was about is included as it is now.
func TestStatementTellsWhatSurprises(t *testing.T) {
	w := small(t)
	w.commit(strings.Replace(plan("c7", "p2", "active"), `"activity":[`, `"activity":[{"detail":{"status":"scheduled","scheduledPeriod":{"start":"2026-09-01","end":"2026-10-27"}}},`, 1))
	rules := w.capability().Rest[0].Documentation
	for _, said := range []string{"two dates are no window", "* takes _id and _lastUpdated alone", "_include brings what is current"} {
		assert.Contains(t, rules, said)
	}
	assert.Equal(t, []string{"c7"}, w.found("/CarePlan?review-due=ge2026-06-01&review-due=le2026-06-14"), "due in March and in September")
	for _, d := range searchparam.Definitions("CarePlan") {
		path := "/Patient/p1/*?" + d.Name + "=2026"
		if d.Name == "_id" || d.Name == searchparam.LastUpdatedName {
			assert.Equal(t, 200, w.get(path).Code, path)
		} else {
			w.get(path).failed(400, "not-supported")
		}
	}
	w.commit(titled("c1", "p1", "active", "changed"), `{"resourceType":"Provenance","id":"v1",`+told+`,"target":[{"reference":"CarePlan/c1/_history/e1-1"}],
		"recorded":"2026-03-02T09:00:00.500Z","agent":[{"who":{"reference":"Device/bridge"}}]}`)
	found := w.get("/Provenance?target=CarePlan/c1/_history/e1-1&_include=Provenance:target").bundle()
	require.Len(t, found.Entry, 2)
	assert.Contains(t, string(found.Entry[1].Resource), `"e1-2"`)
}
