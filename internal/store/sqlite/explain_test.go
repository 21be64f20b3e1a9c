package sqlite_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/internal/store/storetest"
	"nailbridge/mapping/resource"
)

// filled is a store of n plans, each of a patient of its own, all active.
func filled(t testing.TB, n int) *sqlite.DB {
	t.Helper()
	d := open(t, sqlite.Options{})
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error {
		if _, err := w.Stamp(t0); err != nil {
			return err
		}
		for i := range n {
			_, err := w.Put(owner, "", storetest.Checked(t, storetest.Plan(fmt.Sprint("p", i), "")), rows(fmt.Sprint("Patient/", i)))
			if err != nil {
				return err
			}
		}
		return nil
	}))
	return d
}

func condition(param string, kind searchparam.Kind, a searchparam.Alternative) searchparam.Condition {
	return searchparam.Condition{Param: param, Kind: kind, Any: []searchparam.Alternative{a}}
}

// A search follows an index, and one that many resources meet is walked in
// the order asked for, without sorting.
func TestSearchesWalkIndexes(t *testing.T) {
	d := filled(t, 300)
	d.SetLead(256)
	patient := condition("patient", searchparam.Reference, searchparam.Alternative{Code: "Patient/7"})
	active := condition("status", searchparam.Token, searchparam.Alternative{AnySystem: true, Code: "active"})
	since := condition("_lastUpdated", searchparam.Date, searchparam.Alternative{Prefix: searchparam.Ge, Lo: t0, Hi: t0.Add(1)})
	id := condition("_id", searchparam.Token, searchparam.Alternative{AnySystem: true, Code: "p7"})
	dose := condition("value-quantity", searchparam.Quantity, searchparam.Alternative{Prefix: searchparam.Eq, NumberLo: "2", NumberHi: "3"})
	ofSystem := condition("category", searchparam.Token, searchparam.Alternative{System: "urn:categories"})
	const (
		byNumber = "index_quantity_value (param=? AND number>? AND number<?)"
		bySystem = "index_code_system (param=? AND system=?)"
		byValue  = "SEARCH x USING COVERING INDEX index_code_value (param=? AND code=?)"
		byRow    = "SEARCH v USING INTEGER PRIMARY KEY (rowid=?)"
		inOrder  = "INDEX version_walk (type=? AND seq>? AND seq<?)"
		probe    = "SEARCH x EXISTS USING PRIMARY KEY (vid=? AND param=? AND code=?)"
	)
	for _, c := range []struct {
		name  string
		match []searchparam.Condition
		has   []string
		sorts bool
	}{
		{"patient and status", []searchparam.Condition{active, patient}, []string{byValue, byRow, probe}, true},
		{"status", []searchparam.Condition{active}, []string{inOrder, probe}, false},
		{"quantity", []searchparam.Condition{dose}, []string{byNumber, byRow}, true},
		{"every code of a system", []searchparam.Condition{ofSystem}, []string{bySystem, byRow}, true},
		{"change poll", []searchparam.Condition{since}, []string{inOrder}, false},
		{"all", nil, []string{inOrder}, false},
		{"id", []searchparam.Condition{id}, []string{"SEARCH r USING COVERING INDEX sqlite_autoindex_resource_1 (type=? AND id=?)", byRow}, true},
	} {
		for _, ascending := range []bool{true, false} {
			q := store.Query{
				Type: "CarePlan", Match: c.match, Count: 10, Ascending: ascending,
				After: &store.Key{Seq: 1, Ref: resource.Ref{Type: "CarePlan", ID: "p3"}},
			}
			page, total, err := d.Explain(t.Context(), q)
			require.NoError(t, err)
			for _, p := range [][]string{page, total} {
				text := strings.Join(p, "\n")
				for _, want := range c.has {
					assert.Contains(t, text, want, c.name)
				}
				assert.NotContains(t, text, "SCAN v", c.name)
				assert.NotContains(t, text, "SCAN x", c.name)
			}
			assert.Equal(t, c.sorts, strings.Contains(strings.Join(page, "\n"), "FOR ORDER BY"), "%s: %v", c.name, page)
		}
	}
}

// A composite is led by the part of it that few index rows meet, and holds still.
func TestCompositesLeadByAPart(t *testing.T) {
	d := filled(t, 300)
	d.SetLead(256)
	active := condition("status", searchparam.Token, searchparam.Alternative{AnySystem: true, Code: "active"})
	rare := condition("category", searchparam.Token, searchparam.Alternative{AnySystem: true, Code: "rare"})
	dose := condition("value-quantity", searchparam.Quantity, searchparam.Alternative{Prefix: searchparam.Gt, Number: "2"})
	const byCode, byNumber, inOrder, holds = "SEARCH x USING COVERING INDEX index_code_value (param=? AND code=?)", "index_quantity_value (param=? AND number>?)", "INDEX version_walk", "SEARCH x EXISTS USING"
	for _, c := range []struct {
		name   string
		either [][]searchparam.Condition
		not    bool
		has    []string
	}{
		{"by its code", [][]searchparam.Condition{{rare, active}}, false, []string{byCode, holds}},
		{"by its value", [][]searchparam.Condition{{active, dose}}, false, []string{byNumber, holds}},
		{"by either of two", [][]searchparam.Condition{{rare, dose}, {rare, dose}}, false, []string{byCode, "SEARCH x USING PRIMARY KEY (vid=? AND param=?"}},
		{"of parts that differ", [][]searchparam.Condition{{rare}, {dose}}, false, []string{inOrder}},
		{"of what is not there", [][]searchparam.Condition{{rare, dose}}, true, []string{inOrder}},
	} {
		page, _, err := d.Explain(t.Context(), store.Query{Type: "CarePlan", Count: 10, Match: []searchparam.Condition{{Either: c.either, Not: c.not}}})
		require.NoError(t, err)
		for _, want := range c.has {
			assert.Contains(t, strings.Join(page, "\n"), want, c.name)
		}
	}
}

// Each end of a date has its index (R4 search.html#prefix), and each prefix
// bounds what it reads there.
func TestDatesWalkTheIndexOfTheirEnd(t *testing.T) {
	d := filled(t, 300)
	d.SetLead(512)
	const byStart, byEnd = "index_date_value (param=? AND ", "index_date_end (param=? AND "
	for prefix, want := range map[searchparam.Prefix]string{
		searchparam.Eq: byStart + "lo>? AND lo<?)", searchparam.Lt: byStart + "lo<?)", searchparam.Le: byStart + "lo<?)", searchparam.Sa: byStart + "lo>?)",
		searchparam.Gt: byEnd + "hi>?)", searchparam.Ge: byEnd + "hi>?)", searchparam.Eb: byEnd + "hi<?)",
	} {
		q := store.Query{Type: "CarePlan", Count: 10, Match: []searchparam.Condition{
			condition("date", searchparam.Date, searchparam.Alternative{Prefix: prefix, Lo: t0, Hi: t0.Add(24 * time.Hour)}),
		}}
		page, _, err := d.Explain(t.Context(), q)
		require.NoError(t, err)
		assert.Contains(t, strings.Join(page, "\n"), want, prefix)
	}
}

// Where a search walks the versions, what is asked of each is found by its own
// rows, of every kind and prefix, and so is what it is sorted by: never among the
// rows of all that have the value.
func TestConditionsOnAVersionLookAtItsOwnRows(t *testing.T) {
	d := filled(t, 300)
	d.SetLead(0)
	lo, hi := t0, t0.Add(24*time.Hour)
	conditions := []searchparam.Condition{
		condition("p", searchparam.Token, searchparam.Alternative{AnySystem: true, Code: "a"}), condition("p", searchparam.Token, searchparam.Alternative{System: "s", Code: "a"}),
		condition("p", searchparam.Token, searchparam.Alternative{System: "s"}), condition("p", searchparam.Reference, searchparam.Alternative{Code: "Group/1"}),
		condition("p", searchparam.URI, searchparam.Alternative{Code: "urn:a"}), condition("p", searchparam.String, searchparam.Alternative{Text: "a"}),
		condition("p", searchparam.String, searchparam.Alternative{Text: "a", Exact: true}), condition("p", searchparam.String, searchparam.Alternative{Text: "a", Contains: true}),
		{Param: "p", Kind: searchparam.Date, Present: true},
	}
	for _, prefix := range searchparam.Prefixes {
		conditions = append(conditions, condition("p", searchparam.Date, searchparam.Alternative{Prefix: prefix, Lo: lo, Hi: hi}),
			condition("p", searchparam.Quantity, searchparam.Alternative{Prefix: prefix, Number: "2", NumberLo: "1", NumberHi: "3", System: "s", Code: "mg"}))
	}
	queries := []store.Query{}
	for _, c := range conditions {
		not := c
		not.Not = true
		queries = append(queries, store.Query{Match: []searchparam.Condition{c}}, store.Query{Match: []searchparam.Condition{not}})
		for _, descending := range []bool{true, false} {
			queries = append(queries, store.Query{Sort: []store.SortKey{{Param: c.Param, Kind: c.Kind, Descending: descending}}})
		}
	}
	for _, q := range queries {
		q.Type, q.Count = "CarePlan", 10
		page, total, err := d.Explain(t.Context(), q)
		require.NoError(t, err)
		if len(q.Sort) > 0 {
			total = page
		}
		for _, plan := range [][]string{page, total} {
			text := strings.Join(plan, "\n")
			assert.Contains(t, text, "version_walk")
			assert.Regexp(t, `SEARCH [xs] .*USING PRIMARY KEY \(vid=\? AND param=\?`, text, "%+v", q)
			assert.NotContains(t, text, "index_", "%+v", q)
		}
	}
}

// The compartment of a patient leads however much it holds, and a chain leads
// only from an end that few resources meet.
func TestCompartmentsLeadAndChainsByTheirEnd(t *testing.T) {
	d := filled(t, 300)
	d.SetLead(1)
	page, _, err := d.Explain(t.Context(), store.Query{Type: "CarePlan", Count: 10, Compartment: &store.Compartment{
		Of: resource.Ref{Type: "Patient", ID: "7"}, Params: []string{"CarePlan.patient"}, Link: "Patient.link",
	}})
	require.NoError(t, err)
	text := strings.Join(page, "\n")
	for _, want := range []string{"SEARCH x USING COVERING INDEX index_code_value (param=? AND code=?)", "SEARCH y USING COVERING INDEX index_code_value (param=? AND code=?)", "SEARCH v USING INTEGER PRIMARY KEY (rowid=?)"} {
		assert.Contains(t, text, want)
	}

	d.SetLead(256)
	chain := func(of searchparam.Condition) []string {
		page, _, err := d.Explain(t.Context(), store.Query{Type: "CarePlan", Count: 10, Match: []searchparam.Condition{{
			Param: "replaces", Kind: searchparam.Reference, Chain: &searchparam.Chain{Type: "CarePlan", Of: of},
		}}})
		require.NoError(t, err)
		return page
	}
	many := chain(condition("status", searchparam.Token, searchparam.Alternative{AnySystem: true, Code: "active"}))
	assert.Contains(t, strings.Join(many, "\n"), "INDEX version_walk", "no row refers to one of 300 ends: they are not all followed to find that")
	few := chain(condition("patient", searchparam.Reference, searchparam.Alternative{Code: "Patient/7"}))
	assert.NotContains(t, strings.Join(few, "\n"), "version_walk")
}

func TestHistoriesWalkIndexes(t *testing.T) {
	d := filled(t, 300)
	for want, q := range map[string]store.HistoryQuery{
		"INDEX version_feed (seq>? AND seq<?)":            {},
		"INDEX version_walk (type=? AND seq>? AND seq<?)": {Type: "CarePlan"},
		"INDEX sqlite_autoindex_version_1 (rid=?)":        {Type: "CarePlan", ID: "p7"},
	} {
		q.Count = 10
		q.After = &store.Key{Seq: 1, Ref: resource.Ref{Type: "CarePlan", ID: "p3"}}
		page, err := d.ExplainHistory(t.Context(), q)
		require.NoError(t, err)
		text := strings.Join(page, "\n")
		assert.Contains(t, text, want)
		assert.Contains(t, text, "SEARCH b USING INDEX sqlite_autoindex_version_1 (rid=? AND number=?)", "the version before, for Revived")
		assert.Equal(t, q.ID != "", strings.Contains(text, "FOR ORDER BY"), text)
	}
}

func TestClinicReadsWalkIndexes(t *testing.T) {
	d := open(t, sqlite.Options{})
	of, ended, merges, named, err := d.ExplainClinic(t.Context())
	require.NoError(t, err)
	for _, scan := range []string{"SCAN delivery", "SCAN resource"} { // every row, where the next clinic is asked for
		assert.NotContains(t, strings.Join(named, "\n"), scan)
	}
	for _, plan := range [][]string{of, ended, merges} {
		text := strings.Join(plan, "\n")
		assert.NotContains(t, text, "SCAN delivery")
		assert.NotContains(t, text, "SCAN d\n")
		assert.NotContains(t, text, "(clinic=?)", "a walk over the whole clinic")
		assert.NotContains(t, text, "SCAN a")
		assert.NotContains(t, text, "SCAN m")
		assert.NotContains(t, text, "SCAN f")
	}
	assert.Contains(t, strings.Join(of, "\n"), "delivery_surgery (clinic=? AND surgery=?)")
	assert.Contains(t, strings.Join(merges, "\n"), "SEARCH own USING PRIMARY KEY (clinic=? AND patient=?)")
	assert.Contains(t, strings.Join(merges, "\n"), "SEARCH other USING COVERING INDEX merged_record (clinic=? AND record=?)")
	assert.Contains(t, strings.Join(ended, "\n"), "activity_end (end>? AND end<?)")
}

// What stands beside a page is found from the page, whole or of one.
func TestRelatedWalkIndexes(t *testing.T) {
	d := filled(t, 300)
	var page store.Page
	require.NoError(t, d.View(t.Context(), func(r store.Reader) (err error) {
		page, err = r.Search(store.Query{Type: "CarePlan", Count: 50})
		return err
	}))
	require.Len(t, page.Versions, 50)
	for _, n := range []int{1, 50} {
		for reverse, want := range map[bool][]string{
			false: {"SEARCH p USING COVERING INDEX version_feed (seq=? AND type=? AND id=?)", "SEARCH x USING PRIMARY KEY (vid=? AND param=?)",
				"SEARCH r USING COVERING INDEX sqlite_autoindex_resource_1 (type=? AND id=?)"},
			true: {"SEARCH x USING COVERING INDEX index_code_value (param=? AND code=?)", "SEARCH v USING INTEGER PRIMARY KEY (rowid=?)"},
		} {
			plan, err := d.ExplainRelated(t.Context(), store.Relation{
				Page: page.Versions[:n], Includes: []searchparam.Include{{Type: "CarePlan", Param: "patient"}}, Reverse: reverse, Limit: 10,
			})
			require.NoError(t, err)
			for _, w := range want {
				assert.Contains(t, plan, w)
			}
			assert.NotContains(t, strings.Join(plan, "\n"), "SCAN")
		}
	}
}

// Past the limit no further include is asked for.
func TestRelatedEndsPastTheLimit(t *testing.T) {
	asked := 0
	d := open(t, sqlite.Options{Trace: func(query string, _ []any) {
		if strings.Contains(query, "index_code") {
			asked++
		}
	}})
	require.NoError(t, d.Update(t.Context(), func(w store.Writer) error {
		if _, err := w.Stamp(t0); err != nil {
			return err
		}
		for _, id := range []string{"a", "b", "c"} {
			if _, err := w.Put(owner, "", storetest.Checked(t, storetest.Plan(id, "")), rows("Patient/1")); err != nil {
				return err
			}
		}
		return nil
	}))
	of := searchparam.Include{Type: "CarePlan", Param: "patient"}
	for limit, want := range map[int]int{1: 1, 2: 1, 3: 3} {
		require.NoError(t, d.View(t.Context(), func(r store.Reader) error {
			asked = 0
			found, more, err := r.Related(store.Relation{
				Page: []store.Version{{Ref: resource.Ref{Type: "Patient", ID: "1"}}}, Includes: []searchparam.Include{of, of, of}, Reverse: true, UpTo: r.Head().Seq, Limit: limit,
			})
			assert.Len(t, found, limit)
			assert.Equal(t, limit < 3, more)
			assert.Equal(t, want, asked)
			return err
		}))
	}
}
