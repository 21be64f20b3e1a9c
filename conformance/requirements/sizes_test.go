package requirements

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/hub"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/internal/store/storetest"
	"nailbridge/mapping/resource"
)

// The rows that say how much to try are tried here in that size, over a store on
// disk and the hub's door; internal/hub shows the same of less, in more ways.

const (
	base   = "https://bridge.example/fhir"
	secret = "a secret of the tests, 32 bytes."
)

// served is a store and the door that hubs read it by.
type served struct {
	*testing.T
	store   store.Store
	handler http.Handler
	now     time.Time
}

func serve(t *testing.T) *served {
	t.Helper()
	db, err := sqlite.Open(t.Context(), sqlite.Options{Dir: t.TempDir(), NewEpoch: func() string { return "e1" }})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, db.Close()) })
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	h, err := hub.New(hub.Options{Store: db, BaseURL: base, Secret: []byte(secret), Released: now})
	require.NoError(t, err)
	return &served{t, db, h, now}
}

// change runs fn in one transaction, a second after the last.
func (s *served) change(fn func(store.Writer) error) {
	s.Helper()
	s.now = s.now.Add(time.Second)
	require.NoError(s, s.store.Update(s.Context(), func(tx store.Writer) error {
		if _, err := tx.Stamp(s.now); err != nil {
			return err
		}
		return fn(tx)
	}))
}

var owner = store.Owner{Clinic: "north", Patient: "urn:mrn|1"}

// put stores contents in the transaction.
func (s *served) put(tx store.Writer, contents ...string) error {
	index := searchparam.Index{Base: base}
	for _, content := range contents {
		r, err := resource.FromJSON([]byte(content))
		if err != nil {
			return err
		}
		rows, err := index.Rows(r)
		if err != nil {
			return err
		}
		if _, err := tx.Put(owner, "case", storetest.Checked(s, content), rows); err != nil {
			return err
		}
	}
	return nil
}

func (s *served) commit(contents ...string) {
	s.Helper()
	s.change(func(tx store.Writer) error { return s.put(tx, contents...) })
}

// plan is a care plan that its identifier finds.
func plan(id, title string) string {
	return strings.Replace(storetest.Plan(id, title), `"intent":`, fmt.Sprintf(`"identifier":[{"system":"urn:plans","value":"no-%s"}],"intent":`, id), 1)
}

type bundle struct {
	Link  []struct{ Relation, URL string }
	Entry []struct {
		FullURL  string
		Response struct{ ETag string }
	}
}

// get reads a path below the base, or a link.
func (s *served) get(path string) *httptest.ResponseRecorder {
	s.Helper()
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, httptest.NewRequestWithContext(s.Context(), http.MethodGet, "/fhir"+strings.TrimPrefix(path, base), http.NoBody))
	require.Equal(s, http.StatusOK, w.Code, w.Body)
	return w
}

// walk reads a Bundle and those that its next links lead to, and calls between
// before each but the first; it gives the fullUrl and ETag of every entry.
func (s *served) walk(path string, between func(page int)) (seen []string) {
	s.Helper()
	for page := 1; path != ""; page++ {
		if page > 1 {
			between(page)
		}
		var b bundle
		require.NoError(s, json.Unmarshal(s.get(path).Body.Bytes(), &b))
		path = ""
		for _, l := range b.Link {
			if l.Relation == "next" {
				path = l.URL
			}
		}
		for _, e := range b.Entry {
			seen = append(seen, e.FullURL+" "+e.Response.ETag)
		}
	}
	return seen
}

// R-SRCH-22: what was committed is found at once, a thousand times.
func TestR_SRCH_22_FoundAtOnceAThousandTimes(t *testing.T) {
	s := serve(t)
	for i := range 1000 {
		id := fmt.Sprint("c", i)
		s.commit(plan(id, "a"))
		require.Equal(t, []string{base + "/CarePlan/" + id + " "}, s.walk("/CarePlan?identifier=urn:plans%7Cno-"+id, func(int) {}))
	}
}

// R-PAGE-07: a walk over ten thousand matches, while another writes, changes and
// deletes, gives each that stayed as it was exactly once, and no other twice.
func TestR_PAGE_07_TenThousandMatchesUnderWrites(t *testing.T) {
	const n, batch = 10_000, 1000
	s := serve(t)
	for i := 0; i < n; i += batch {
		var contents []string
		for j := range batch {
			contents = append(contents, plan(fmt.Sprint("c", i+j), "a"))
		}
		s.commit(contents...)
	}
	random := rand.New(rand.NewPCG(7, 1))
	touched := map[string]bool{}
	touch := func() string {
		id := fmt.Sprint("c", random.IntN(n))
		for touched[id] {
			id = fmt.Sprint("c", random.IntN(n))
		}
		touched[id] = true
		return id
	}
	times := map[string]int{}
	pages := 1
	for _, url := range s.walk("/CarePlan?status=active&_count=50", func(page int) {
		pages = page
		s.change(func(tx store.Writer) error {
			if _, err := tx.Delete(owner, resource.Ref{Type: "CarePlan", ID: touch()}); err != nil {
				return err
			}
			return s.put(tx, plan(touch(), "b"), plan(fmt.Sprint("n", page), "a"))
		})
	}) {
		times[strings.TrimSpace(strings.TrimPrefix(url, base+"/CarePlan/"))]++
	}
	assert.GreaterOrEqual(t, pages, 195, "writes between as many pages")
	for i := range n {
		if id := fmt.Sprint("c", i); touched[id] {
			assert.LessOrEqual(t, times[id], 1, id)
		} else {
			assert.Equal(t, 1, times[id], id)
		}
		delete(times, fmt.Sprint("c", i))
	}
	assert.Empty(t, times, "what came later")
}

// R-PAGE-08: two hundred of one date, sorted by it, are all on pages of seven.
func TestR_PAGE_08_TwoHundredOfOneDate(t *testing.T) {
	s := serve(t)
	var contents []string
	for i := range 200 {
		contents = append(contents, observation(fmt.Sprint("o", i), `"effectiveDateTime":"2026-03-02"`))
	}
	s.commit(contents...)
	for _, sort := range []string{"date", "-date"} {
		seen := s.walk("/Observation?_count=7&_sort="+sort, func(int) {})
		assert.Len(t, seen, 200, sort)
		assert.Len(t, slices.Compact(slices.Sorted(slices.Values(seen))), 200, sort)
	}
}

// observation is a finding with one more member.
func observation(id, member string) string {
	return fmt.Sprintf(`{"resourceType":"Observation","id":%q,"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><p>of a test</p></div>"},
		"status":"final","code":{"text":"a"},"subject":{"reference":"Patient/p"},%s}`, id, member)
}

// R-HIST-11: a thousand versions of one transaction, with one instant, are walked
// by tens while others are written: each once, and none missed.
func TestR_HIST_11_AThousandOfOneTransaction(t *testing.T) {
	s := serve(t)
	var contents []string
	for i := range 1000 {
		contents = append(contents, plan(fmt.Sprint("c", i), "a"))
	}
	s.commit(contents...)
	seen := map[string]int{}
	for _, e := range s.walk("/_history?_count=10", func(page int) { s.commit(plan(fmt.Sprint("c", page), fmt.Sprint(page))) }) {
		seen[e]++
	}
	for i := range 1000 {
		first := fmt.Sprintf(`%s/CarePlan/c%d W/"e1-1"`, base, i)
		assert.Equal(t, 1, seen[first], first)
		delete(seen, first)
	}
	assert.Empty(t, seen, "what was written meanwhile is of the next walk")
}

// R-READ-10: fifty updates later the first version is what it was, to the byte.
func TestR_READ_10_OldVersionsAfterManyUpdates(t *testing.T) {
	s := serve(t)
	s.commit(plan("c1", "first"))
	first := s.get("/CarePlan/c1/_history/e1-1").Body.String()
	assert.Contains(t, first, "first")
	for i := range 50 {
		s.commit(plan("c1", fmt.Sprint("update ", i)))
		require.Equal(t, first, s.get("/CarePlan/c1/_history/e1-1").Body.String())
	}
	assert.Contains(t, s.get("/CarePlan/c1").Body.String(), "update 49")
}

// R-DATA-07: decimals have the digits that were stored, more than a float holds
// too, in a read, a search and the histories.
func TestR_DATA_07_DecimalsInEveryAnswer(t *testing.T) {
	s := serve(t)
	for i, digits := range []string{"2.00", "0.010", "37.50", "12345678901234567.89", "1e-3"} {
		id := fmt.Sprint("o", i)
		s.commit(observation(id, `"valueQuantity":{"value":`+digits+`}`))
		for _, path := range []string{"/Observation/" + id, "/Observation/" + id + "/_history/e1-1", "/Observation?_id=" + id, "/Observation/" + id + "/_history", "/_history?_count=1"} {
			assert.Contains(t, s.get(path).Body.String(), `"value":`+digits+`}`, path)
		}
	}
}

// R-SP-04, R-SP-10: with and without a parameter are all and none twice, and what has
// no category at all has not the one asked for.
func TestR_SP_04_10_MissingAndNotOverTheStore(t *testing.T) {
	s := serve(t)
	in := func(of ...string) string {
		var codings []string
		for _, c := range of {
			codings = append(codings, `{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"`+c+`","display":"`+strings.ToUpper(c[:1])+c[1:]+`"}]}`)
		}
		return `"category":[` + strings.Join(codings, ",") + `]`
	}
	s.commit(observation("none", `"effectiveDateTime":"2026"`), observation("one", in("exam")), observation("both", in("exam", "laboratory")))
	for query, want := range map[string][]string{
		"category:missing=true": {"none"}, "category:missing=false": {"one", "both"}, "date:missing=false": {"none"}, "date:missing=true": {"one", "both"},
		"category:not=laboratory": {"none", "one"}, "category:not=exam": {"none"}, "category:not=survey": {"none", "one", "both"},
	} {
		var ids []string
		for _, e := range s.walk("/Observation?"+query, func(int) {}) {
			ids = append(ids, strings.TrimSpace(strings.TrimPrefix(e, base+"/Observation/")))
		}
		assert.ElementsMatch(t, want, ids, query)
	}
}

// R-SP-03: the parameters of meta that the bridge itself gives no value: what has
// a security label or a source is found by it, and nothing else is. Tags and
// profiles are found in internal/hub.
func TestR_SP_03_SecurityAndSource(t *testing.T) {
	const labels = "http://terminology.hl7.org/CodeSystem/v3-Confidentiality"
	index := searchparam.Index{Base: base}
	r, err := resource.FromJSON([]byte(strings.Replace(plan("c1", "a"), `"intent":`,
		`"meta":{"source":"urn:clinic:north","security":[{"system":"`+labels+`","code":"R"}]},"intent":`, 1)))
	require.NoError(t, err)
	rows, err := index.Rows(r)
	require.NoError(t, err)
	for _, c := range []struct {
		name, value string
		found       bool
	}{
		{"_security", labels + "|R", true}, {"_security", "R", true}, {"_security", labels + "|", true}, {"_security", labels + "|N", false},
		{"_security", "|R", false}, {"_source", "urn:clinic:north", true}, {"_source", "urn:clinic", false}, {"_source", "urn:clinic:North", false},
	} {
		q, problems := index.Parse("CarePlan", []searchparam.Pair{{Name: c.name, Value: c.value}})
		require.Empty(t, problems, c.value)
		assert.Equal(t, c.found, q.Match[0].Holds(rows, nil), "%s=%s", c.name, c.value)
	}
}
