package clients

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/oracles/npm"
	"nailbridge/conformance/running"
	"nailbridge/internal/official"
)

// question is one search, and the ids that a look at every resource finds.
type question struct {
	Type  string   `json:"type"`
	Query string   `json:"query"`
	IDs   []string `json:"ids"`
}

func (q question) String() string { return q.Type + "?" + q.Query }

// askers is how many questions are under way at once.
const askers = 4

// TestOracleSearchWithoutIndex: for each declared parameter, prefix and modifier the ids that the hub finds over the demo and
// 100 generated cases are those that fhirpath.js finds with R4's expressions, looking at every resource (search.html, R4
// section 3.1.1). The same comparison finds each of the faults that are seeded.
func TestOracleSearchWithoutIndex(t *testing.T) {
	npm.Require(t)
	r := newRegion(t)
	began := time.Now()
	w := r.world(t)
	questions := ask(t, w)
	t.Logf("%d questions about %d resources, thought of and answered without an index in %v", len(questions), len(w.Resources), time.Since(began))
	began = time.Now()

	x := newComparison(r.base, w)
	wrong := x.all(t, questions)
	for _, text := range wrong[:min(len(wrong), 40)] {
		t.Error(text)
	}
	t.Logf("%d answers compared in %v, %d of them by the total and a stretch of ids; %d differ", len(questions), time.Since(began), x.parted, len(wrong))
	everyParameterIsAsked(t, w.Statement, questions)
	if len(wrong) == 0 {
		x.findsFaults(t, questions)
	}
}

// statement is what the CapabilityStatement declares, as far as it is needed.
type statement struct {
	Rest []struct {
		Resource []declared `json:"resource"`
	} `json:"rest"`
}

type declared struct {
	Type        string `json:"type"`
	Interaction []struct {
		Code string `json:"code"`
	} `json:"interaction"`
	SearchParam []struct {
		Name       string `json:"name"`
		Definition string `json:"definition"`
		Type       string `json:"type"`
	} `json:"searchParam"`
}

// world is all that the search without an index is told.
type world struct {
	Base      string            `json:"base"`
	Zone      string            `json:"zone"`
	Archive   string            `json:"archive"`
	Own       []json.RawMessage `json:"own"`
	Statement statement         `json:"statement"`
	Resources []json.RawMessage `json:"resources"`
}

// reviewDue is our only parameter (D8.2): the windows of the activities that are still open. It is said here once more, so
// that a change of the bridge's own expression is found.
const reviewDue = `{"resourceType": "SearchParameter", "url": "https://nailbridge.example/fhir/SearchParameter/review-due", "code": "review-due", "type": "date",
  "expression": "CarePlan.activity.detail.where(status in ('not-started' | 'scheduled' | 'in-progress' | 'on-hold')).scheduled"}`

// world reads the store for what is stored, by its history, and the hub for its definitions, which are not stored.
func (r *region) world(t *testing.T) world {
	t.Helper()
	w := world{Base: r.base, Zone: r.zone.String(), Archive: official.CoreArchive(t), Own: []json.RawMessage{json.RawMessage(reviewDue)}}
	get(t, r.base+"/metadata", &w.Statement)
	require.Len(t, w.Statement.Rest, 1)
	var err error
	w.Resources, err = stored(t.Context(), r.store)
	require.NoError(t, err)
	for _, d := range w.Statement.Rest[0].Resource {
		if isArtifact(d.Type) {
			p, err := running.ReadPage(t.Context(), r.base+"/"+d.Type+"?_count=500")
			require.NoError(t, err)
			require.Empty(t, p.Next)
			w.Resources = append(w.Resources, p.Resources...)
		}
	}
	return w
}

// ask lets the search without an index think of questions and answer them.
func ask(t *testing.T, w world) (out []question) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "world.json")
	b, err := json.Marshal(w)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, b, 0o600))
	for d := json.NewDecoder(bytes.NewReader(node(t, "search.cjs", path))); d.More(); {
		var q question
		require.NoError(t, d.Decode(&q))
		slices.Sort(q.IDs)
		out = append(out, q)
	}
	return out
}

// everyParameterIsAsked: each parameter that is declared takes part in questions, those of types that are stored in some that
// find something; and each prefix and modifier does.
func everyParameterIsAsked(t *testing.T, s statement, questions []question) {
	t.Helper()
	asked := map[string]int{}
	found := map[string]int{}
	for _, q := range questions {
		name, value, _ := strings.Cut(q.Query, "=")
		head, _, _ := strings.Cut(name, ".")
		parameter, modifier, _ := strings.Cut(head, ":")
		asked[q.Type+" "+parameter]++
		found[q.Type+" "+parameter] += len(q.IDs)
		asked[":"+modifier]++
		asked[value[:min(len(value), 2)]]++
	}
	parameters, silent := 0, []string{}
	for _, d := range s.Rest[0].Resource {
		for _, p := range d.SearchParam {
			parameters++
			if p.Type != "composite" || found[d.Type+" code"] > 0 {
				assert.NotZero(t, asked[d.Type+" "+p.Name], "%s %s is asked", d.Type, p.Name)
			}
			if found[d.Type+" "+p.Name] == 0 {
				silent = append(silent, d.Type+" "+p.Name)
			}
		}
	}
	for _, prefix := range []string{"eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"} {
		assert.NotZero(t, asked[prefix], prefix)
	}
	for _, modifier := range []string{"missing", "not", "exact", "contains", "identifier", "Patient"} {
		assert.NotZero(t, asked[":"+modifier], modifier)
	}
	assert.Less(t, len(silent), parameters/5, "parameters that find nothing here: %v", silent)
	t.Logf("%d parameters; of %d no resource here is found by any question", parameters, len(silent))
}

// comparison asks a hub the questions.
type comparison struct {
	base    string
	updated map[string]string // lastUpdated by Type/id
	edges   map[string][]string
	mu      sync.Mutex
	parted  int // questions asked by their total and a stretch
}

// whole is up to how many ids an answer is read whole. Of a longer one the total is compared, and the ids of a stretch of
// _lastUpdated, another for each question.
const whole = 500

func newComparison(base string, w world) *comparison {
	x := &comparison{base: base, updated: map[string]string{}, edges: map[string][]string{}}
	for _, r := range w.Resources {
		var head struct {
			ResourceType, ID string
			Meta             struct{ LastUpdated string }
		}
		if json.Unmarshal(r, &head) != nil {
			continue
		}
		x.updated[head.ResourceType+"/"+head.ID] = head.Meta.LastUpdated
		x.edges[head.ResourceType] = append(x.edges[head.ResourceType], head.Meta.LastUpdated)
	}
	for _, edges := range x.edges {
		slices.Sort(edges)
	}
	return x
}

// all compares every question, several at once, and says which answers differ, in the order of the questions.
func (x *comparison) all(t *testing.T, questions []question) []string {
	said := make([]string, len(questions))
	var wait sync.WaitGroup
	for first := range askers {
		wait.Go(func() {
			for i := first; i < len(questions); i += askers {
				said[i] = x.differs(t, questions[i], i, questions[i].Query)
			}
		})
	}
	wait.Wait()
	return slices.DeleteFunc(said, func(s string) bool { return s == "" })
}

// differs asks a query in the place of a question's own and says how the answer differs; "" is not at all. number chooses the
// stretch of a long answer.
func (x *comparison) differs(t *testing.T, q question, number int, query string) string {
	want := q.IDs
	address := x.base + "/" + q.Type + "?_elements=id&_count=500&" + query
	if len(want) > whole {
		x.mu.Lock()
		x.parted++
		x.mu.Unlock()
		if total, err := x.total(t, q.Type, query); err != nil || total != len(want) {
			return fmt.Sprintf("%s: %d are found, %d should be (%v)", q, total, len(want), err)
		}
		edges := x.edges[q.Type]
		from := number * whole / 2 % (len(edges) - whole/2)
		lo, hi := edges[from], edges[from+whole/2]
		want = slices.DeleteFunc(slices.Clone(want), func(id string) bool { at := x.updated[q.Type+"/"+id]; return at < lo || at > hi })
		address += "&_lastUpdated=ge" + url.QueryEscape(lo) + "&_lastUpdated=le" + url.QueryEscape(hi)
	}
	got, err := x.ids(t, address)
	if err != nil {
		return fmt.Sprintf("%s: %v", q, err)
	}
	slices.Sort(got)
	if slices.Equal(got, want) {
		return ""
	}
	return fmt.Sprintf("%s: found %d, should find %d; too many: %v; too few: %v", q, len(got), len(want), few(got, want), few(want, got))
}

// few are the first of those that others lack.
func few(of, others []string) []string {
	out := slices.DeleteFunc(slices.Clone(of), func(id string) bool { _, has := slices.BinarySearch(others, id); return has })
	return out[:min(len(out), 3)]
}

func (x *comparison) ids(t *testing.T, address string) (out []string, err error) {
	for address != "" {
		p, err := running.ReadPage(t.Context(), address)
		if err != nil {
			return nil, err
		}
		for _, r := range p.Resources {
			var head struct{ ResourceType, ID string }
			if err := json.Unmarshal(r, &head); err != nil {
				return nil, err
			}
			if head.ResourceType == "OperationOutcome" { // notes about versions in references
				continue
			}
			out = append(out, head.ID)
		}
		address = p.Next
	}
	return out, nil
}

func (x *comparison) total(t *testing.T, typ, query string) (int, error) {
	address := x.base + "/" + typ + "?_summary=count&" + query
	status, body, err := running.Get(t.Context(), address)
	if err == nil && status != http.StatusOK {
		err = &running.StatusError{Status: status, URL: address, Body: string(body)}
	}
	if err != nil {
		return 0, err
	}
	answer := struct{ Total int }{-1}
	err = json.Unmarshal(body, &answer)
	return answer.Total, err
}
