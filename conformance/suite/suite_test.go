package suite_test

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/proof"
	"nailbridge/conformance/running"
	"nailbridge/conformance/suite"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
)

// place is a bridge with two test clinics that the tests of this package share.
var place struct {
	sync.Once
	bridge *running.Bridge
	keys   running.Keys
	err    error
}

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "suite-")
	if err != nil {
		panic(err)
	}
	placeDir = dir
	code := m.Run()
	if place.bridge != nil {
		if err := place.bridge.Stop(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	_ = os.RemoveAll(dir)
	os.Exit(code)
}

var placeDir string

var pages = flag.String("pages", "", "folder to write the reports of a whole run and of a faulty one into, as pages")

// keep writes a report as a page where that is asked for.
func keep(t *testing.T, name string, r suite.Report) {
	t.Helper()
	if *pages == "" {
		return
	}
	var b bytes.Buffer
	require.NoError(t, r.Write(&b, "html"))
	require.NoError(t, os.MkdirAll(*pages, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(*pages, name), b.Bytes(), 0o644))
}

// bridge is the running bridge.
func bridge(t *testing.T) (b *running.Bridge, keys running.Keys) {
	t.Helper()
	place.Do(func() {
		ctx := context.WithoutCancel(t.Context())
		var binary string
		if binary, place.err = running.Build(ctx, placeDir); place.err != nil {
			return
		}
		if place.bridge, place.keys, place.err = running.Clinics(ctx, binary, placeDir); place.err == nil {
			place.err = place.bridge.Start(ctx)
		}
	})
	require.NoError(t, place.err)
	return place.bridge, place.keys
}

func options(t *testing.T) suite.Options {
	t.Helper()
	b, keys := bridge(t)
	return suite.Options{
		Target: b.Base, HubKey: keys.Hub, NATS: b.NATS, Patience: 20 * time.Second, Quick: true, Now: time.Now(), Clock: time.Now,
		Clinics: []suite.Clinic{{ID: running.TrialClinic, Key: keys.Trial}, {ID: running.SecondClinic, Key: keys.Second}},
	}
}

// failed are the ids of the rows and rules that failed.
func failed(r suite.Report) (out []string) {
	for _, x := range append(append([]suite.Result(nil), r.Rows...), r.Rules...) {
		if x.Result == suite.Failed {
			out = append(out, x.ID)
		}
	}
	return out
}

// Every requirement of the reference is a row, those in force are those of our own
// list, and each of these has a check or is told to be observed elsewhere.
func TestRows(t *testing.T) {
	rows := suite.Rows()
	require.Len(t, rows, 455)
	text, err := os.ReadFile(filepath.Join("..", "requirements", "in-force.txt"))
	require.NoError(t, err)
	var force, ours []string
	for l := range strings.Lines(string(text)) {
		if !strings.HasPrefix(l, "#") {
			force = append(force, strings.TrimSpace(l))
		}
	}
	checked, elsewhere := suite.Checked(), suite.ObservedElsewhere(true)
	seen := map[string]bool{}
	for _, r := range rows {
		assert.False(t, seen[r.ID], r.ID)
		seen[r.ID] = true
		assert.NotEmpty(t, r.Level, r.ID)
		assert.NotEmpty(t, r.Section, r.ID)
		if !r.InForce {
			assert.NotEmpty(t, r.Reason, r.ID)
			assert.NotContains(t, checked, r.ID)
			continue
		}
		ours = append(ours, r.ID)
		assert.NotEmpty(t, r.Asks, r.ID)
		_, away := elsewhere[r.ID]
		n := 0
		for _, id := range checked {
			if id == r.ID {
				n++
			}
		}
		assert.Equal(t, !away, n == 1, "%s has one check, or is observed elsewhere", r.ID)
	}
	assert.Equal(t, force, ours)
	for _, id := range checked {
		assert.True(t, seen[id] || suite.Rules()[id] != "", "%s is a row or a rule", id)
	}
}

// At most ten rows are observed elsewhere, each by a test that is there and run,
// and at most five are known to fail.
func TestElsewhereAndKnownAreFew(t *testing.T) {
	runs, err := proof.Running(t.Context(), filepath.Join("..", ".."))
	require.NoError(t, err)
	elsewhere := suite.ObservedElsewhere(false)
	assert.LessOrEqual(t, len(elsewhere), 10)
	for id, where := range elsewhere {
		name, _, _ := strings.Cut(where, ":")
		for one := range strings.SplitSeq(name, " and ") {
			text, is := runs[proofOf(one)]
			assert.True(t, is, "%s: %s is not there, or is not run", id, one)
			assert.Contains(t, text, id, "%s names the row", one)
		}
	}
	assert.LessOrEqual(t, len(suite.Known()), 5)
	for id, reason := range suite.Known() {
		assert.NotEmpty(t, reason, id)
		assert.Contains(t, suite.Checked(), id)
	}
}

func proofOf(name string) proof.Proof {
	all, err := proof.Parse("`" + name + "`")
	if err != nil || len(all) != 1 {
		return proof.Proof{}
	}
	return all[0]
}

// A server that answers everything with 200 and an empty searchset passes nothing,
// also where it calls itself a test clinic.
func TestAServerThatKnowsNothingPassesNothing(t *testing.T) {
	for _, body := range []string{
		`{"resourceType":"Bundle","type":"searchset","total":0,"link":[{"relation":"self","url":"http://none.example/fhir"}]}`,
		`{"resourceType":"Bundle","type":"searchset","total":0,"test":true,"answer":"stored","shared":true}`,
	} {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "application/fhir+json")
			_, _ = w.Write([]byte(body))
		}))
		defer s.Close()
		r := suite.Run(t.Context(), suite.Options{Target: s.URL, Now: time.Now(), Clinics: []suite.Clinic{{ID: "a"}, {ID: "b"}}})
		for _, x := range append(append([]suite.Result(nil), r.Rows...), r.Rules...) {
			assert.NotEqual(t, suite.Passed, x.Result, x.ID)
			if x.Result == suite.Failed {
				assert.NotEmpty(t, x.Faults, x.ID)
			}
		}
		assert.Zero(t, r.Totals.Passed)
		assert.False(t, r.OK())
	}
}

// constant answers everything alike.
func constant(t *testing.T, status int, media, body string) string {
	t.Helper()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", media)
		w.Header().Set("Allow", "GET")
		w.WriteHeader(status)
		_, _ = w.Write([]byte(body))
	}))
	t.Cleanup(s.Close)
	return s.URL
}

// Where the records of the suite were taken, and everything that is asked then has one
// answer, nothing passes, whatever the answer: no check rests on a refusal alone.
func TestOneAnswerToEverythingPassesNothing(t *testing.T) {
	o := options(t)
	opened, wrong := suite.Open(t.Context(), o)
	require.Empty(t, wrong)
	issue := func(code string) string {
		return `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"` + code + `"}]}`
	}
	for name, target := range map[string]string{
		"empty":                constant(t, 200, "application/fhir+json", none),
		"empty history":        constant(t, 200, "application/fhir+json", strings.Replace(none, "searchset", "history", 1)),
		"all is well":          constant(t, 200, "application/fhir+json", allGood),
		"400":                  constant(t, 400, "application/fhir+json", issue("invalid")),
		"401":                  constant(t, 401, "application/fhir+json", issue("login")),
		"403":                  constant(t, 403, "application/fhir+json", issue("forbidden")),
		"404":                  constant(t, 404, "application/fhir+json", issue("not-found")),
		"405":                  constant(t, 405, "application/fhir+json", issue("not-supported")),
		"406":                  constant(t, 406, "application/fhir+json", issue("not-supported")),
		"410":                  constant(t, 410, "application/fhir+json", issue("deleted")),
		"500":                  constant(t, 500, "application/fhir+json", issue("exception")),
		"401 in plain text":    constant(t, 401, "text/plain", "no"),
		"404 of a web server":  constant(t, 404, "text/html", "<html>not found</html>"),
		"422 with the problem": constant(t, 422, "application/problem+json", `{"status":422,"title":"refused","answer":"refused","reasons":[{"code":"x","pointer":"/surgery/toes/0/side"}]}`),
		"stored":               constant(t, 200, "application/json", `{"answer":"stored","shared":true,"test":true}`),
		"its plan":             constant(t, 200, "application/fhir+json", string(opened.FirstPlan().Body)),
	} {
		r, _, _ := opened.Again(t.Context(), suite.Ways{Target: target}, time.Now(), nil)
		for _, x := range results(r) {
			assert.NotEqual(t, suite.Passed, x.Result, "%s: %s: %v", name, x.ID, x.Saw)
		}
	}
}

// Nothing is written into a clinic that the target does not declare as a test.
func TestNothingIsWrittenElsewhere(t *testing.T) {
	posts := 0
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPost && strings.HasPrefix(r.URL.Path, "/records") {
			posts++
		}
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write([]byte(`{"list":"refused","deliveries":[]}`))
	}))
	defer s.Close()
	dialled, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	r := suite.Run(t.Context(), suite.Options{Target: s.URL, NATS: "nats://" + dialled.Addr().String(), Now: time.Now(), Clinics: []suite.Clinic{{ID: "a"}}})
	assert.Zero(t, posts)
	require.NoError(t, dialled.(*net.TCPListener).SetDeadline(time.Now()))
	_, err = dialled.Accept()
	require.ErrorIs(t, err, os.ErrDeadlineExceeded, "nobody came to the NATS server")
	assert.Zero(t, r.Totals.Passed)
}

// Against a bridge all that is in force passes but what is known to fail; the
// report holds every requirement once, in each form, and nothing of a patient; what
// was written is taken back.
func TestAgainstABridge(t *testing.T) {
	o := options(t)
	const ours = "Patient?family=M%C3%BClldorn&_summary=count"
	_, before, err := get(t, o, ours)
	require.NoError(t, err)
	r := suite.Run(t.Context(), o)
	var known []string
	for _, row := range suite.Rows() {
		if suite.Known()[row.ID] != "" {
			known = append(known, row.ID)
		}
	}
	assert.Equal(t, known, failed(r), "what fails is known, and what is known fails")
	told := 0
	for _, x := range append(append([]suite.Result(nil), r.Rows...), r.Rules...) {
		if x.Result == suite.Failed {
			t.Log(x.ID, x.Faults)
		}
		if x.Result == suite.Passed {
			assert.NotEmpty(t, x.Evidence, x.ID)
			assert.NotEmpty(t, x.Saw, x.ID)
			last := x.Evidence[len(x.Evidence)-1]
			assert.True(t, tellsIt(x), "%s saw %q, and shows at last %v", x.ID, x.Saw, last)
			if at := telling[x.ID]; at != "" {
				told++
				assert.Regexp(t, at, last.Request+" -> "+last.Answer, x.ID)
			}
		}
	}
	assert.Len(t, telling, told, "each is of a row that passed")
	assert.Empty(t, r.Left)
	assert.Equal(t, suite.Totals{
		Rows: 455, Passed: 133 - len(known) - len(suite.ObservedElsewhere(true)), Failed: len(known), Elsewhere: len(suite.ObservedElsewhere(true)), NotInForce: 322,
		RulesPassed: len(suite.Rules()),
	}, r.Totals)
	assert.Equal(t, len(known) == 0, r.OK())

	forms := map[string][]byte{}
	for _, form := range []string{"text", "json", "junit", "testreport", "html"} {
		var b bytes.Buffer
		require.NoError(t, r.Write(&b, form))
		forms[form] = b.Bytes()
		for _, d := range suite.Demographics() {
			assert.False(t, strings.Contains(b.String(), d), "as %s it tells %s", form, d)
		}
		assert.False(t, strings.Contains(b.String(), o.HubKey) || strings.Contains(b.String(), o.Clinics[0].Key), "as %s it tells a key", form)
	}
	var again suite.Report
	require.NoError(t, json.Unmarshal(forms["json"], &again))
	ids := map[string]int{}
	for _, x := range again.Rows {
		ids[x.ID]++
		assert.Equal(t, 1, ids[x.ID])
		assert.Equal(t, 1, strings.Count("\n"+string(forms["text"]), "\n"+x.ID+"\t"), "one line for each requirement")
		assert.Equal(t, 1, strings.Count(string(forms["html"]), `<tr role="row" id="`+x.ID+`">`), "one line for each requirement")
	}
	assert.Len(t, ids, 455)
	var junit struct {
		Tests    int     `xml:"tests,attr"`
		Failures int     `xml:"failures,attr"`
		Seconds  float64 `xml:"time,attr"`
		At       string  `xml:"timestamp,attr"`
		Cases    []struct {
			Name string `xml:"name,attr"`
		} `xml:"testcase"`
	}
	require.NoError(t, xml.Unmarshal(forms["junit"], &junit))
	assert.Len(t, junit.Cases, 455+len(suite.Rules()))
	assert.Equal(t, len(known), junit.Failures)
	assert.Positive(t, junit.Seconds)
	assert.NotEmpty(t, junit.At)
	for _, i := range engine.New(defs.New()).Validate(forms["testreport"], engine.Options{}) {
		assert.Greater(t, i.Severity, engine.Error, "%s at %s: %s", i.Key, i.Location, i.Text)
	}

	keep(t, "conformance.html", r)

	status, body, err := get(t, o, ours)
	require.NoError(t, err)
	assert.Equal(t, http.StatusOK, status)
	assert.Equal(t, before, body, "nothing that the run wrote is left")
}

// A run that is cut off takes back what it wrote, and says of what it did not try that
// it was not tried.
func TestACutRunTakesBackWhatItWrote(t *testing.T) {
	o := options(t)
	const ours = "Patient?family=M%C3%BClldorn&_summary=count"
	_, before, err := get(t, o, ours)
	require.NoError(t, err)
	ctx, cut := context.WithCancel(t.Context())
	there := ""
	o.Progress = func(done, _ int, _ string) {
		if done == 3 {
			if _, there, err = get(t, o, ours); err == nil {
				cut()
			}
		}
	}
	r := suite.Run(ctx, o)
	require.NoError(t, err)
	assert.NotEqual(t, before, there, "the run had written something when it was cut off")
	assert.Empty(t, r.Left)
	assert.False(t, r.OK())
	for _, form := range []string{"text", "json", "junit", "testreport", "html"} {
		var b bytes.Buffer
		require.NoError(t, r.Write(&b, form))
		assert.Regexp(t, `the run was ended from outside: \d+ of \d+ checks were not tried to their end`, b.String(), form)
	}
	assert.Len(t, r.Rows, 455)
	for _, x := range r.Rows {
		if x.ID == "R-PROF-16" {
			assert.Equal(t, []string{"the run ended before its check"}, x.Faults)
		}
	}
	_, after, err := get(t, o, ours)
	require.NoError(t, err)
	assert.Equal(t, before, after)
}

// dropFirst gives no answer to the first request whose body fits a pattern.
type dropFirst struct {
	sync.Mutex
	pattern *regexp.Regexp
	dropped bool
}

func (d *dropFirst) RoundTrip(r *http.Request) (*http.Response, error) {
	d.Lock()
	defer d.Unlock()
	if body := bodyOf(r); !d.dropped && d.pattern.Match(body) {
		d.dropped = true
		return nil, errors.New("cut")
	}
	return http.DefaultTransport.RoundTrip(r)
}

// A record that cannot be taken back is told, and keeps no other from it. It is of a patient of
// whom no further record declines.
func TestWhatCannotBeTakenBackIsTold(t *testing.T) {
	o := options(t)
	const ours = "Patient?family=M%C3%BClldorn&_summary=count"
	_, before, err := get(t, o, ours)
	require.NoError(t, err)
	ctx, cut := context.WithCancel(t.Context())
	o.Progress = func(_, _ int, what string) {
		if what == suite.Checked()[0] {
			cut()
		}
	}
	o.Client = &http.Client{Transport: &dropFirst{pattern: regexp.MustCompile(`(?s)-S-2".*"revision":101`)}}
	r := suite.Run(ctx, o)
	require.Len(t, r.Left, 1)
	assert.Contains(t, r.Left[0], "no answer came")
	_, after, err := get(t, o, ours)
	require.NoError(t, err)
	assert.Equal(t, total(t, before)+1, total(t, after), "one patient of seven is left")
}

// telling are exchanges that show what rows ask, where the last one that is asked is another.
var telling = map[string]string{
	"R-HTTP-06":            `-> 200 (Patient|Bundle)`,
	"R-HTTP-28":            `POST /records -> 413`,
	"R-READ-07":            `/_history/.* -> 200 CarePlan`,
	"R-READ-11":            `If-None-Match.* -> 304`,
	"R-SRCH-04":            `foo=.*lenient\] -> 200 Bundle searchset, [1-9]`,
	"R-SP-01":              `CarePlan\?_id=.*,.* -> 200 Bundle searchset, 2 entries`,
	"R-SP-06":              `code=.*\|.* -> 200 Bundle searchset, [1-9]`,
	"R-PAGE-07":            `Observation\?_page=.* -> 200 Bundle searchset, [1-9]`,
	"R-HIST-07":            `_since=.* -> 200 Bundle history, 2 entries`,
	"R-DATA-01":            `Patient/\$validate.* -> 200 OperationOutcome.* error`,
	"R-DATA-07":            `/_history/.* -> 200`,
	"R-DATA-08":            `CarePlan/\$validate.* -> 200 OperationOutcome.* error`,
	"R-CONT-08":            `based-on=.* -> 200 Bundle searchset, [1-9]`,
	"R-CONT-10":            `Procedure.* -> 200 Bundle searchset, [1-9]`,
	"R-TERM-01":            `AllergyIntolerance/\$validate.* -> 200 OperationOutcome.* error`,
	"R-TERM-06":            `Patient/.*/\* *.* -> 200 Bundle searchset, [1-9]`,
	"R-ING-02":             `-> on .*: unchanged`,
	"R-ING-04":             `-> on .*: superseded`,
	"R-ING-08":             `-> on .*: refused`,
	"R-ING-15":             `-> on .*: refused`,
	"receiving-answer":     `-> on .*: stored`,
	"receiving-conflict":   `-> on .*: conflict`,
	"receiving-decline":    `-> 410 `,
	"receiving-dry-run":    `GET /records/.* -> 404`,
	"receiving-flags":      `DetectedIssue.* -> 200 Bundle searchset, [1-9]`,
	"receiving-order":      `based-on=.* -> 200 Bundle searchset, [1-9]`,
	"R-READ-02":            `ETag: W/`,
	"receiving-withdrawal": `Patient/.*/\* *.* -> 200 Bundle searchset, [1-9]`,
	"hub-due":              `activity-date=.* -> 200 Bundle searchset, [1-9]`,
	"hub-plan":             `CarePlan.* -> 200 Bundle searchset, 1 `,
}

// tellsIt reports a result whose last exchange is a refusal where only refusals were
// seen.
func tellsIt(x suite.Result) bool {
	told := false
	for _, saw := range x.Saw {
		status, refused := strings.CutPrefix(saw, "refused with ")
		if !refused || len(status) != 3 {
			return true
		}
		told = told || strings.HasPrefix(x.Evidence[len(x.Evidence)-1].Answer, status)
	}
	return told
}

// total is the total of a searchset.
func total(t *testing.T, searchset string) int {
	t.Helper()
	var b struct{ Total *int }
	require.NoError(t, json.Unmarshal([]byte(searchset), &b))
	require.NotNil(t, b.Total)
	return *b.Total
}

func get(t *testing.T, o suite.Options, path string) (int, string, error) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, o.Target+"/fhir/"+path, nil)
	if err != nil {
		return 0, "", err
	}
	req.Header.Set("Authorization", "Bearer "+o.HubKey)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, "", err
	}
	defer func() { _ = res.Body.Close() }()
	var b bytes.Buffer
	_, err = b.ReadFrom(res.Body)
	return res.StatusCode, b.String(), err
}
