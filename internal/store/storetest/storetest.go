// Package storetest holds the behaviour that every store must have, as one
// suite run against a factory of empty stores. Where a behaviour comes from a
// decision or from R4, its test is named after the point or cites the page.
package storetest

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// Factory opens an empty store that ends with the test.
type Factory func(t testing.TB) store.Store

// Run runs the suite.
func Run(t *testing.T, open Factory) {
	runGroup(t, open, "Deliveries", deliveryTests)
	runGroup(t, open, "Versions", versionTests)
	runGroup(t, open, "Transactions", transactionTests)
	runGroup(t, open, "Clinic", clinicTests)
	runGroup(t, open, "Erase", eraseTests)
	RunSearches(t, open)
}

// RunSearches runs the part of the suite that is about searches and
// histories, for a store that has several ways to answer them.
func RunSearches(t *testing.T, open Factory) {
	runGroup(t, open, "Search", searchTests)
	runGroup(t, open, "History", historyTests)
	runGroup(t, open, "Scope", scopeTests)
	t.Run("Model", func(t *testing.T) { runModel(t, open) })
}

func runGroup(t *testing.T, open Factory, name string, tests []test) {
	t.Run(name, func(t *testing.T) {
		for _, c := range tests {
			t.Run(c.name, func(t *testing.T) { c.run(newFixture(t, open)) })
		}
	})
}

// test is one behaviour.
type test struct {
	name string
	run  func(f *fixture)
}

// t0 is where the clock of the tests starts.
var t0 = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// owner is the patient of most tests.
var owner = store.Owner{Clinic: "north", Patient: "mrn|1"}

// fixture is one store with a clock.
type fixture struct {
	*testing.T
	ctx   context.Context
	store store.Store
	now   time.Time
}

func newFixture(t *testing.T, open Factory) *fixture {
	return &fixture{T: t, ctx: t.Context(), store: open(t), now: t0}
}

// update runs fn in a stamped write transaction, a second after the last one.
func (f *fixture) update(fn func(w store.Writer)) store.Stamp {
	f.Helper()
	f.now = f.now.Add(time.Second)
	var s store.Stamp
	require.NoError(f, f.store.Update(f.ctx, func(w store.Writer) error {
		var err error
		if s, err = w.Stamp(f.now); err != nil {
			return err
		}
		fn(w)
		return nil
	}))
	return s
}

// view runs fn on a snapshot.
func (f *fixture) view(fn func(r store.Reader)) {
	f.Helper()
	require.NoError(f, f.store.View(f.ctx, func(r store.Reader) error { fn(r); return nil }))
}

// narrative is the text that every resource must have (dom-6).
const narrative = `"text":{"div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">Of the store\u0027s tests</div>","status":"generated"}`

// Plan is the content of a care plan with a title.
func Plan(id, title string) string {
	return fmt.Sprintf(`{"id":%q,"intent":"plan","resourceType":"CarePlan","status":"active",`+
		`"subject":{"reference":"Patient/p"},`+narrative+`,"title":%q}`, id, "titled "+title)
}

// patient is the content of a patient born so many days after 1950.
func patient(id string, days int) string {
	born := time.Date(1950, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, days)
	return fmt.Sprintf(`{"birthDate":%q,"id":%q,"resourceType":"Patient",`+narrative+`}`, born.Format(time.DateOnly), id)
}

func planRef(id string) resource.Ref { return resource.Ref{Type: "CarePlan", ID: id} }

// put puts content for the owner of most tests.
func (f *fixture) put(w store.Writer, content string, rows ...searchparam.Row) store.Version {
	f.Helper()
	v, err := w.Put(owner, "case", Checked(f, content), rows)
	require.NoError(f, err)
	return v
}

// putOne puts content in a transaction of its own.
func (f *fixture) putOne(content string, rows ...searchparam.Row) store.Version {
	f.Helper()
	var v store.Version
	f.update(func(w store.Writer) { v = f.put(w, content, rows...) })
	return v
}

// search runs a query on a snapshot of its own.
func (f *fixture) search(q store.Query) store.Page {
	f.Helper()
	var p store.Page
	f.view(func(r store.Reader) {
		var err error
		p, err = r.Search(q)
		require.NoError(f, err)
	})
	return p
}

func (f *fixture) history(q store.HistoryQuery) store.Page {
	f.Helper()
	var p store.Page
	f.view(func(r store.Reader) {
		var err error
		p, err = r.History(q)
		require.NoError(f, err)
	})
	return p
}

// ids lists the ids of a page in its order.
func ids(p store.Page) []string {
	out := []string{}
	for _, v := range p.Versions {
		out = append(out, v.Ref.ID)
	}
	return out
}

// keyOf is the key of a version in a walk.
func keyOf(v store.Version) *store.Key { return &store.Key{Seq: v.Seq, Ref: v.Ref} }

var (
	codes     = terms.MustLoad()
	checkedMu sync.Mutex
	checked   = map[string]validate.Checked{}
)

// Checked passes content through the check that every commit passes, and
// remembers it: the suite puts the same content many times.
func Checked(t testing.TB, content string) validate.Checked {
	t.Helper()
	checkedMu.Lock()
	defer checkedMu.Unlock()
	c, ok := checked[content]
	if !ok {
		r, err := resource.FromJSON([]byte(content))
		require.NoError(t, err)
		c = check(t, r)
		checked[content] = c
	}
	return c
}

// check passes a resource through the check, every reference taken to resolve.
func check(t testing.TB, r resource.Resource) validate.Checked {
	t.Helper()
	out, issues := validate.Check([]resource.Resource{r}, func(resource.Ref) bool { return true },
		codes, terms.Setting{SnomedCT: terms.Off})
	require.Empty(t, issues)
	require.Len(t, out, 1)
	return out[0]
}

var errStop = errors.New("stop")
