package clients

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// walkFault is what a proxy before the hub does wrong, and what is to be said of it.
type walkFault struct {
	name     string
	path     string // a pattern of method, path below the base and query of the requests that it is about
	asked    string // asked of the hub instead of the path that matches, as in a regexp's replacement; "" for nothing else
	answered func(*answer)
	says     string // part of what the walk or its comparison reports
}

// answer is an answer of the hub, which a fault changes.
type answer struct {
	status int
	header http.Header
	body   []byte
}

// bodyWith replaces each match of a pattern of the body.
func bodyWith(pattern, by string) func(*answer) {
	expression := regexp.MustCompile(pattern)
	return func(a *answer) { a.body = expression.ReplaceAll(a.body, []byte(by)) }
}

// entriesWith changes the entries of a Bundle.
func entriesWith(edit func([]any) []any) func(*answer) {
	return func(a *answer) {
		var bundle map[string]any
		if json.Unmarshal(a.body, &bundle) != nil {
			return
		}
		entries, _ := bundle["entry"].([]any)
		bundle["entry"] = edit(entries)
		a.body, _ = json.Marshal(bundle) // it was read from JSON
	}
}

// instead answers with something else.
func instead(status int, body string) func(*answer) {
	return func(a *answer) { a.status, a.body = status, []byte(body) }
}

func headerWith(name, value string) func(*answer) {
	return func(a *answer) {
		a.header.Del(name)
		if value != "" {
			a.header.Set(name, value)
		}
	}
}

const (
	outcome = `{"resourceType": "OperationOutcome", "issue": [{"severity": "information", "code": "informational"}]}`
	stray   = `{"resourceType": "Basic", "id": "1", "meta": {"versionId": "1"}, "code": {"text": "stray"}}`
	onePlan = `^GET /CarePlan/[^/?_]+$`
)

// walkFaults are of the kinds that a client or the comparison can see: the rules are those of R4's http.html (media type,
// ETag, what an interaction answers with), bundle.html (search.mode, links) and capabilitystatement.html.
var walkFaults = []walkFault{
	{name: "media type of web pages", path: `^GET /Patient\?`, answered: headerWith("Content-Type", "text/html"), says: "search: media type text/html"},
	{name: "an answer that breaks off", path: `^GET /metadata$`, answered: func(a *answer) { a.body = a.body[:len(a.body)/2] }, says: "thrown by the client"},
	{name: "another release of FHIR", path: `^GET /metadata$`, answered: bodyWith(`"fhirVersion"\s*:\s*"4.0.1"`, `"fhirVersion":"5.0.0"`), says: "5.0.0"},
	{name: "searches that the capabilities do not name", path: `^GET /metadata$`, answered: bodyWith(`"search-type"`, `"create"`), says: "the capability of"},
	{name: "an OperationOutcome with status 200", path: `^GET /Goal\?`, answered: instead(http.StatusOK, outcome), says: "search: OperationOutcome where Bundle searchset belongs"},
	{name: "a Bundle of another type", path: `^GET /Encounter\?`, answered: bodyWith(`"searchset"`, `"collection"`), says: "search: Bundle collection where"},
	{name: "a first page without next", path: `^GET /Observation\?.*_count=37`, answered: bodyWith(`"next"`, `"last"`), says: "search of Observation"},
	{name: "a next page that is gone", path: `^GET /Procedure\?_page=`, answered: instead(http.StatusGone, outcome), says: "thrown by the client"},
	{name: "an entry left out", path: `^GET /Procedure\?`, answered: entriesWith(func(e []any) []any { return e[:max(len(e)-1, 0)] }), says: "search of Procedure"},
	{name: "an entry twice", path: `^GET /Consent\?`, answered: entriesWith(func(e []any) []any { return append(e, e...) }), says: "search of Consent"},
	{name: "what is included left out", path: `^GET /CarePlan\?(_page|.*_include)`, answered: entriesWith(func(e []any) []any { return matchesOf(e) }), says: "Goal beside plans"},
	{name: "a page that knows none before it", path: `^GET /Observation\?_page=`, answered: bodyWith(`"prev(ious)?"`, `"first"`), says: "thrown by the client"},
	{name: "an entry of history left out", path: `^GET /Goal/_history`, answered: entriesWith(func(e []any) []any { return e[:max(len(e)-1, 0)] }), says: "history of Goal"},
	{name: "the system's history without its first page", path: `^GET /_history$`, answered: entriesWith(func([]any) []any { return nil }), says: "the system's history"},
	{name: "versions in the wrong order", path: `^GET /CarePlan/[^/?]+/_history$`, answered: entriesWith(func(e []any) []any { return append(e[1:], e[0]) }), says: "versions of a plan"},
	{name: "another resource than asked for", path: onePlan, answered: instead(http.StatusOK, stray), says: "read: Basic where CarePlan belongs"},
	{name: "no ETag", path: onePlan, answered: headerWith("ETag", ""), says: "read: ETag null"},
	{name: "ETag of another version", path: `/_history/[^/?]+$`, answered: headerWith("ETag", `W/"0"`), says: `vread: ETag W/"0"`},
	{name: "the current version for every one", path: `^(GET /CarePlan/[^/?]+)/_history/[^/?]+$`, asked: "${1}", says: "vread: another resource or version"},
	{name: "criteria by POST overlooked", path: `^POST (/CarePlan)/_search$`, asked: "GET ${1}?_count=500", says: "by POST, and within the compartment"},
	{name: "a compartment of everybody's", path: `^GET /Patient/[^/?]+(/CarePlan)$`, asked: "GET ${1}?_count=500", says: "by POST, and within the compartment"},
	{name: "a reference that leads nowhere", path: `^GET /Patient/[^/?_]+$`, answered: instead(http.StatusNotFound, outcome), says: "thrown by the client"},
	{name: "a misspelt parameter taken", path: `^GET (/CarePlan)\?pateint=.*$`, asked: "GET ${1}", says: "a misspelt parameter"},
}

func matchesOf(entries []any) (out []any) {
	for _, e := range entries {
		if search, _ := e.(map[string]any)["search"].(map[string]any); search["mode"] == "match" {
			out = append(out, e)
		}
	}
	return out
}

// leastFaults is how many seeded faults each reference must find.
const leastFaults = 12

// tellsFaults: a hub with any of the faults is told from one without by the same walk and comparison, which says what is
// wrong; a proxy that does nothing is not.
func (d demo) tellsFaults(t *testing.T) {
	require.GreaterOrEqual(t, len(walkFaults), leastFaults)
	p := &walkProxy{target: d.base, kept: map[string]answer{}, made: map[string]int{}}
	server := httptest.NewServer(p)
	defer server.Close()
	p.address = server.URL
	bases := []string{p.baseOf(len(walkFaults))}
	for i := range walkFaults {
		bases = append(bases, p.baseOf(i))
	}
	said := walk(t, bases...)
	d.compare(t, said[0])
	for i, f := range walkFaults {
		var c complaints
		d.compare(&c, said[i+1])
		assert.Positive(t, p.made[f.name], "%s: it was never made", f.name)
		assert.Contains(t, strings.Join(c, "\n"), f.says, f.name)
	}
	t.Logf("%d faults found", len(walkFaults))
}

// complaints are what a comparison says.
type complaints []string

func (c *complaints) Errorf(format string, args ...any) {
	*c = append(*c, fmt.Sprintf(format, args...))
}

// walkProxy stands before a hub under one base for each fault, and one more without. It asks the hub each thing once.
type walkProxy struct {
	address, target string

	mu   sync.Mutex
	kept map[string]answer // by what was asked
	made map[string]int    // how often each fault was made
}

func (p *walkProxy) baseOf(fault int) string { return fmt.Sprintf("%s/%d/fhir", p.address, fault) }

func (p *walkProxy) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	p.mu.Lock()
	defer p.mu.Unlock()
	var number int
	if _, err := fmt.Sscanf(r.URL.Path, "/%d/fhir", &number); err != nil {
		http.NotFound(w, r)
		return
	}
	_, below, _ := strings.Cut(r.URL.RequestURI(), "/fhir")
	asked, fault := r.Method+" "+below, walkFault{}
	if number < len(walkFaults) {
		fault = walkFaults[number]
	}
	on := fault.path != "" && regexp.MustCompile(fault.path).MatchString(asked)
	if on {
		p.made[fault.name]++
		if fault.asked != "" {
			asked = regexp.MustCompile(fault.path).ReplaceAllString(asked, fault.asked)
		}
	}
	a, err := p.ask(asked, r)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadGateway)
		return
	}
	a.header, a.body = a.header.Clone(), bytes.ReplaceAll(a.body, []byte(p.target), []byte(p.baseOf(number)))
	if on && fault.answered != nil {
		fault.answered(&a)
	}
	for name, values := range a.header {
		w.Header()[name] = values
	}
	w.WriteHeader(a.status)
	_, _ = w.Write(a.body) // the client is gone, or says what it lacks
}

// ask asks the hub, or gives what it answered before.
func (p *walkProxy) ask(asked string, r *http.Request) (answer, error) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return answer{}, err
	}
	key := asked + "\n" + string(body)
	if a, is := p.kept[key]; is {
		return a, nil
	}
	method, below, _ := strings.Cut(asked, " ")
	req, err := http.NewRequestWithContext(r.Context(), method, p.target+below, bytes.NewReader(body))
	if err != nil {
		return answer{}, err
	}
	req.Header.Set("Accept", r.Header.Get("Accept"))
	if of := r.Header.Get("Content-Type"); of != "" {
		req.Header.Set("Content-Type", of)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return answer{}, err
	}
	defer func() { _ = res.Body.Close() }()
	a := answer{status: res.StatusCode, header: res.Header}
	if a.body, err = io.ReadAll(res.Body); err != nil {
		return answer{}, err
	}
	a.header.Del("Content-Length")
	p.kept[key] = a
	return a, nil
}
