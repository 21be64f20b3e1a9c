package suite_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/suite"
)

// only are the faults that are tried, by a pattern of their names; "": all.
var only = flag.String("faults", "", "try the faults alone whose names a pattern matches")

// fault is what the proxy does wrong, and which rows fail by it, beforehand.
type fault struct {
	name string
	rows string // ids, the R- left out, separated by spaces
	// asked may change a request; it reports whether it did.
	asked func(*http.Request) bool
	// answered may change an answer; it reports whether it did.
	answered func(*answer) bool
	// published and heard are of a record on its way to NATS, and of what comes from there.
	published, heard func(*message) bool
}

// answer is an answer that a fault may change.
type answer struct {
	req    *http.Request // as it was asked for
	status int
	header http.Header
	body   []byte
}

func (a *answer) path() string { return strings.TrimPrefix(a.req.URL.Path, "/fhir/") }

func (a *answer) is(method, pattern string) bool {
	return a.req.Method == method && strings.HasPrefix(a.req.URL.Path, "/fhir/") && compiled(pattern).MatchString(a.path())
}

var patterns sync.Map

// compiled is a pattern, which is compiled once.
func compiled(pattern string) *regexp.Regexp {
	if p, known := patterns.Load(pattern); known {
		return p.(*regexp.Regexp)
	}
	p, _ := patterns.LoadOrStore(pattern, regexp.MustCompile(pattern))
	return p.(*regexp.Regexp)
}

// asks reports a query that holds a text.
func (a *answer) asks(part string) bool { return strings.Contains(a.req.URL.RawQuery, part) }

// replace replaces a text of the body; it reports whether it was there.
func (a *answer) replace(old, by string) bool {
	was := a.body
	a.body = bytes.ReplaceAll(a.body, []byte(old), []byte(by))
	return !bytes.Equal(was, a.body)
}

// match replaces what a pattern matches.
func (a *answer) match(pattern, by string) bool {
	was := a.body
	a.body = compiled(pattern).ReplaceAll(a.body, []byte(by))
	return !bytes.Equal(was, a.body)
}

// instead answers with something else.
func (a *answer) instead(status int, body string) bool {
	a.status, a.body = status, []byte(body)
	a.header.Set("Content-Type", "application/fhir+json")
	return true
}

// tree edits the body as JSON.
func (a *answer) tree(edit func(map[string]any) bool) bool {
	d := json.NewDecoder(bytes.NewReader(a.body))
	d.UseNumber()
	var m map[string]any
	if d.Decode(&m) != nil || !edit(m) {
		return false
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if e.Encode(m) != nil {
		return false
	}
	a.body = b.Bytes()
	return true
}

// entries edits the entries of a Bundle.
func (a *answer) entries(edit func([]any) []any) bool {
	return a.tree(func(m map[string]any) bool {
		l, _ := m["entry"].([]any)
		out := edit(slices.Clone(l))
		if out == nil {
			delete(m, "entry")
		} else {
			m["entry"] = out
		}
		return len(l) > 0
	})
}

func at(v any, path ...string) any {
	for _, p := range path {
		m, _ := v.(map[string]any)
		v = m[p]
	}
	return v
}

const (
	none    = `{"resourceType":"Bundle","type":"searchset","total":0,"link":[{"relation":"self","url":"http://127.0.0.1/fhir"}]}`
	allGood = `{"resourceType":"OperationOutcome","issue":[{"severity":"information","code":"informational"}]}`
	problem = `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"processing"}]}`
)

// proxy stands before a bridge and does what is wrong; as a trial it does nothing,
// and says of each exchange which faults would have been on it.
func proxy(t *testing.T, target string, faults []fault, trial bool) string {
	t.Helper()
	to, err := url.Parse(target)
	require.NoError(t, err)
	p := &httputil.ReverseProxy{
		Transport: &http.Transport{DisableCompression: true, MaxIdleConnsPerHost: 16},
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(to)
			r.Out.Header.Del("Accept-Encoding")
			body := bodyOf(r.Out) // none of one whose end nobody knows
			for _, f := range faults {
				on := r.Out
				if trial {
					on = r.Out.Clone(r.Out.Context())
					on.Body = io.NopCloser(bytes.NewReader(body))
				}
				if f.asked != nil && f.asked(on) {
					r.Out.Header.Add("X-Fault", f.name)
				}
			}
		},
		ModifyResponse: func(res *http.Response) error {
			body, err := io.ReadAll(res.Body)
			if err != nil {
				return err
			}
			in := res.Request.Context().Value(askedKey{}).(*http.Request)
			a := &answer{req: in, status: res.StatusCode, header: res.Header, body: body}
			for _, name := range res.Request.Header.Values("X-Fault") {
				res.Header.Add("X-Fault", name)
			}
			for _, f := range faults {
				on := a
				if trial {
					on = &answer{req: in, status: a.status, header: a.header.Clone(), body: body} // which no fault changes in place
				}
				if f.answered != nil && f.answered(on) {
					res.Header.Add("X-Fault", f.name)
				}
			}
			res.StatusCode, res.Body = a.status, io.NopCloser(bytes.NewReader(a.body))
			if in.Method != http.MethodHead {
				res.ContentLength = int64(len(a.body))
				res.Header.Set("Content-Length", strconv.Itoa(len(a.body)))
			}
			return nil
		},
	}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		in := r.Clone(r.Context())
		p.ServeHTTP(w, r.WithContext(withAsked(r.Context(), in)))
	}))
	t.Cleanup(s.Close)
	return s.URL
}

// apart parts faults into runs in which no fault lies on the way of a row that
// another lists: such a row fails by the one that lists it, and a row that none of the
// run lists may not fail at all. A row of everything that was exchanged fails by the
// faults of the exchanges that break it, so that no other may be on these.
func apart(faults []fault, touched map[string][]string, together map[[2]string]bool) (runs [][]fault) {
	on := func(f, g fault) bool {
		return slices.ContainsFunc(f.ids(), func(id string) bool { return slices.Contains(touched[id], g.name) })
	}
	for _, f := range faults {
		i := slices.IndexFunc(runs, func(run []fault) bool {
			return !slices.ContainsFunc(run, func(g fault) bool {
				return overlap(f, g) || on(f, g) || on(g, f) || together[[2]string{f.name, g.name}] && (f.ofAll() || g.ofAll())
			})
		})
		if i < 0 {
			runs, i = append(runs, nil), len(runs)
		}
		runs[i] = append(runs[i], f)
	}
	return runs
}

// ofAll reports a fault that lists a row of everything that was exchanged.
func (f fault) ofAll() bool { return slices.ContainsFunc(f.ids(), suite.OfAll) }

func overlap(f, g fault) bool {
	return slices.ContainsFunc(f.ids(), func(id string) bool { return slices.Contains(g.ids(), id) })
}

func (f fault) ids() (out []string) {
	for _, id := range strings.Fields(f.rows) {
		if id == strings.ToUpper(id) {
			id = "R-" + id
		}
		out = append(out, id)
	}
	slices.Sort(out)
	return out
}

// Each fault of a proxy between suite and bridge fails the rows that it lists, and
// no other. Several stand in one run where none of them lies on the way of a row
// that another lists, which a run that only looks tells beforehand; checks that meet
// none of the run keep what they found then, and those that only read keep the answers
// on which none of it is.
func TestEachFaultFailsItsRows(t *testing.T) {
	o := options(t)
	opened, wrong := suite.Open(t.Context(), o)
	require.Empty(t, wrong)
	faults := append(faultsOf(opened), busFaults()...)
	if *only != "" {
		faults = slices.DeleteFunc(faults, func(f fault) bool { return !regexp.MustCompile(*only).MatchString(f.name) })
	}
	between := func(faults []fault, trial bool) suite.Ways {
		w := &wire{faults: faults, trial: trial}
		return suite.Ways{Target: proxy(t, o.Target, faults, trial), NATS: w.listen(t, o.NATS)}
	}
	looked, touched, together := opened.Again(t.Context(), between(faults, true), time.Now(), nil)
	var known []string
	for _, x := range results(looked) {
		if suite.Known()[x.ID] != "" {
			known = append(known, x.ID)
		}
	}
	for _, x := range results(looked) {
		if x.Result == suite.Failed {
			t.Log(x.ID, x.Faults)
		}
	}
	require.Equal(t, known, failed(looked), "a proxy that does nothing fails nothing")

	covered := map[string]bool{}
	runs := apart(faults, touched, together)
	t.Logf("%d faults in %d runs", len(faults), len(runs))
	for i, run := range runs {
		var names []string
		for _, f := range run {
			names = append(names, f.name)
		}
		r, met, _ := opened.Again(t.Context(), between(run, false), time.Now(), func(id string) bool {
			return suite.OfAll(id) || slices.ContainsFunc(run, func(f fault) bool {
				return slices.Contains(touched[id], f.name) || slices.Contains(f.ids(), id)
			})
		}, names...)
		if i == 0 {
			keep(t, "conformance-faulty.html", r)
		}
		got := map[string][]string{}
		for _, x := range results(r) {
			if x.Result != suite.Failed || suite.Known()[x.ID] != "" {
				continue
			}
			covered[x.ID] = true
			by := slices.Compact(slices.Sorted(slices.Values(met[x.ID])))
			assert.NotEmpty(t, by, "run %d: %s fails without a fault: %v", i, x.ID, x.Faults)
			for _, name := range by {
				got[name] = append(got[name], x.ID)
			}
		}
		for _, f := range run {
			slices.Sort(got[f.name])
			if !assert.Equal(t, f.ids(), got[f.name], "run %d: %s", i, f.name) {
				for _, x := range results(r) {
					if slices.Contains(got[f.name], x.ID) {
						t.Log(f.name, x.ID, x.Faults)
					}
				}
			}
		}
	}
	var never []string
	groups := map[string]bool{}
	for _, id := range suite.Checked() {
		if suite.Known()[id] != "" {
			continue
		}
		group, _, _ := strings.Cut(strings.TrimPrefix(id, "R-"), "-")
		groups[group] = groups[group] || covered[id]
		if !covered[id] {
			never = append(never, id)
		}
	}
	if *only != "" {
		return // rows that the faults left out fail are not failed now
	}
	for g, has := range groups {
		assert.True(t, has, "no fault fails a row of %s", g)
	}
	assert.Empty(t, never, "rows and rules that no fault fails")

	// What is wrong before any record is sent.
	open := &wire{opens: func(connect string) string { return strings.ReplaceAll(connect, place.keys.Second, place.keys.Trial) }}
	silent := &wire{faults: []fault{{heard: func(m *message) bool {
		m.dropped = strings.HasPrefix(m.subject, "nailbridge.changes.")
		return m.dropped
	}}}}
	var byBus []string
	for _, f := range busFaults() {
		byBus = append(byBus, f.ids()...)
	}
	slices.Sort(byBus)
	for _, c := range []struct {
		name  string
		wire  *wire
		wrong []string
	}{{"any key opens", open, []string{"R-ING-15"}}, {"nothing is announced", silent, byBus}} {
		r, _, _ := opened.Again(t.Context(), suite.Ways{Target: o.Target, NATS: c.wire.listen(t, o.NATS)}, time.Now(), func(id string) bool { return slices.Contains(c.wrong, id) })
		got := slices.Sorted(slices.Values(failed(r)))
		assert.Equal(t, c.wrong, got, c.name)
	}
	assert.Zero(t, silent.records, "nothing is sent where what the target stored is not announced")
}

// results are those of rows and rules.
func results(r suite.Report) []suite.Result {
	return append(append([]suite.Result(nil), r.Rows...), r.Rules...)
}
