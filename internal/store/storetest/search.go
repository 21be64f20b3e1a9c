package storetest

import (
	"fmt"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

var searchTests = []test{
	{"Token", searchToken},
	{"ReferenceAndURI", searchReference},
	{"StringStartsWith", searchString},
	{"DatePrefixes", searchDate},
	{"DatesToTheNanosecond", searchFineDates},
	{"ID", searchID},
	{"LastUpdated", searchLastUpdated},
	{"LastUpdatedToTheNanosecond", searchFineLastUpdated},
	{"AllConditionsAnyAlternative", searchAndOr},
	{"OneTypeOnly", searchType},
	{"OrderAndPages", searchPages},
	{"PagesUnderABoundStandStill", searchBound},
	{"EntriesOfOneCommitArePartedByID", searchOneCommit},
	{"Totals", searchTotals},
	{"ConditionNotOfferedIsAnError", searchNotOffered},
	{"Quantities", searchQuantity},
	{"RelatedStandUnderTheBoundAndTheScope", searchRelated},
	{"ChainsKeepToTheScope", searchChainScope},
	{"Compartments", searchCompartment},
	{"LinkedCompartments", searchLinked},
	{"TokenOfAnotherEpoch", searchEpoch},
	{"ValuesAreNeverSQL", searchInjection},
	{"ReindexReplacesTheRowsOfEveryVersion", reindexed},
}

// code is an index row of a token.
func code(param, system, code string) searchparam.Row {
	return searchparam.Row{Param: param, Kind: searchparam.Token, System: system, Code: code}
}

// ref is an index row of a reference.
func ref(param, to string) searchparam.Row {
	return searchparam.Row{Param: param, Kind: searchparam.Reference, Code: to}
}

// is is a condition on a token; no system means any.
func is(param, system string, codes ...string) searchparam.Condition {
	c := searchparam.Condition{Param: param, Kind: searchparam.Token}
	for _, code := range codes {
		c.Any = append(c.Any, searchparam.Alternative{AnySystem: system == "", System: system, Code: code})
	}
	return c
}

// to is a condition on a reference.
func to(param string, refs ...string) searchparam.Condition {
	c := searchparam.Condition{Param: param, Kind: searchparam.Reference}
	for _, r := range refs {
		c.Any = append(c.Any, searchparam.Alternative{Code: r})
	}
	return c
}

// query is a search for care plans, oldest first.
func query(match ...searchparam.Condition) store.Query {
	return store.Query{Type: "CarePlan", Match: match, Ascending: true, Count: 1000}
}

// found gives the ids that a condition finds.
func (f *fixture) found(match ...searchparam.Condition) []string {
	f.Helper()
	p := f.search(query(match...))
	assert.Len(f, p.Versions, p.Total)
	return ids(p)
}

func one(kind searchparam.Kind, a searchparam.Alternative) searchparam.Condition {
	return searchparam.Condition{Param: "p", Kind: kind, Any: []searchparam.Alternative{a}}
}

// R4 search.html#token.
func searchToken(f *fixture) {
	f.putOne(Plan("sys", ""), code("p", "http://s", "x"))
	f.putOne(Plan("other", ""), code("p", "http://t", "x"))
	f.putOne(Plan("none", ""), code("p", "", "x"))
	f.putOne(Plan("case", ""), code("p", "http://s", "X"))
	f.putOne(Plan("param", ""), code("q", "http://s", "x"))
	for _, c := range []struct {
		a    searchparam.Alternative
		want []string
	}{
		{searchparam.Alternative{AnySystem: true, Code: "x"}, []string{"sys", "other", "none"}},
		{searchparam.Alternative{System: "http://s", Code: "x"}, []string{"sys"}},
		{searchparam.Alternative{NoSystem: true, Code: "x"}, []string{"none"}},
		{searchparam.Alternative{System: "http://s"}, []string{"sys", "case"}},
		{searchparam.Alternative{System: "http://s", Code: "y"}, []string{}},
		{searchparam.Alternative{AnySystem: true, Code: "%"}, []string{}},
	} {
		assert.Equal(f, c.want, f.found(one(searchparam.Token, c.a)), "%+v", c.a)
	}
}

// R4 search.html#reference and #uri: the whole value.
func searchReference(f *fixture) {
	uri := searchparam.Row{Param: "p", Kind: searchparam.URI, Code: "http://a/b"}
	f.putOne(Plan("r", ""), ref("p", "Patient/1"))
	f.putOne(Plan("l", ""), ref("p", "Patient/11"))
	f.putOne(Plan("u", ""), uri)
	assert.Equal(f, []string{"r"}, f.found(one(searchparam.Reference, searchparam.Alternative{Code: "Patient/1"})))
	assert.Equal(f, []string{"u"}, f.found(one(searchparam.URI, searchparam.Alternative{Code: "http://a/b"})))
	assert.Empty(f, f.found(one(searchparam.URI, searchparam.Alternative{Code: "http://a/"})))
}

// R4 search.html#string: equal or starting with; the text comes folded.
func searchString(f *fixture) {
	text := func(s string) searchparam.Row {
		return searchparam.Row{Param: "p", Kind: searchparam.String, Text: s}
	}
	f.putOne(Plan("eve", ""), text("eve"))
	f.putOne(Plan("evelyn", ""), text("evelyn"), text("eve"))
	f.putOne(Plan("steven", ""), text("steven"))
	f.putOne(Plan("wide", ""), text("ev\U0010FFFFx"))
	f.putOne(Plan("percent", ""), text("e%e"))
	for s, want := range map[string][]string{
		"eve": {"eve", "evelyn"}, "evel": {"evelyn"}, "e%": {"percent"}, "v": {}, "_ve": {},
		"ev": {"eve", "evelyn", "wide"}, "ev\U0010FFFF": {"wide"},
	} {
		assert.Equal(f, want, f.found(one(searchparam.String, searchparam.Alternative{Text: s})), s)
	}
}

// days is the interval of days of March 2026, the last one included; 0 is an
// open end.
func days(from, to int) (lo, hi time.Time) {
	if from > 0 {
		lo = time.Date(2026, 3, from, 0, 0, 0, 0, time.UTC)
	}
	if to > 0 {
		hi = time.Date(2026, 3, to+1, 0, 0, 0, 0, time.UTC)
	}
	return lo, hi
}

// R4 search.html#prefix, on a search for 10 to 12 March.
func searchDate(f *fixture) {
	for _, v := range []struct {
		id       string
		from, to int
	}{
		{"before", 8, 9}, {"into", 9, 10}, {"same", 10, 12}, {"inside", 11, 11}, {"around", 9, 13},
		{"outof", 12, 13}, {"after", 13, 14}, {"since", 11, 0}, {"until", 0, 11}, {"always", 0, 0},
	} {
		lo, hi := days(v.from, v.to)
		f.putOne(Plan(v.id, ""), searchparam.Row{Param: "p", Kind: searchparam.Date, Lo: lo, Hi: hi})
	}
	f.putOne(Plan("undated", ""))
	for prefix, want := range map[searchparam.Prefix][]string{
		searchparam.Eq: {"same", "inside"},
		searchparam.Ne: {"before", "into", "around", "outof", "after", "since", "until", "always"},
		searchparam.Gt: {"around", "outof", "after", "since", "always"},
		searchparam.Lt: {"before", "into", "around", "until", "always"},
		searchparam.Ge: {"same", "inside", "around", "outof", "after", "since", "always"},
		searchparam.Le: {"before", "into", "same", "inside", "around", "until", "always"},
		searchparam.Sa: {"after"},
		searchparam.Eb: {"before"},
		searchparam.Ap: {"into", "same", "inside", "around", "outof", "since", "until", "always"},
	} {
		lo, hi := days(10, 12)
		got := f.found(one(searchparam.Date, searchparam.Alternative{Prefix: prefix, Lo: lo, Hi: hi}))
		assert.Equal(f, want, got, "%s", prefix)
	}
}

// prefixes are all that R4 search.html#prefix has.
var prefixes = searchparam.Prefixes

// around gives every range whose ends lie on, or a nanosecond beside, one of
// three instants a step apart.
func around(start time.Time, step time.Duration) (out []searchparam.Alternative) {
	var at []time.Time
	for i := range 3 {
		for _, beside := range []time.Duration{-1, 0, 1} {
			at = append(at, start.Add(time.Duration(i)*step+beside))
		}
	}
	for i, lo := range at {
		for _, hi := range at[i+1:] {
			out = append(out, searchparam.Alternative{Lo: lo, Hi: hi})
		}
	}
	return out
}

// holding checks every prefix and range against what a condition means.
func (f *fixture) holding(c searchparam.Condition, ranges []searchparam.Alternative, rows map[string][]searchparam.Row) {
	f.Helper()
	f.view(func(r store.Reader) {
		for _, a := range ranges {
			for _, a.Prefix = range prefixes {
				c.Any = []searchparam.Alternative{a}
				p, err := r.Search(query(c))
				require.NoError(f, err)
				var want []string
				for id, rows := range rows {
					if c.Holds(rows, nil) {
						want = append(want, id)
					}
				}
				require.ElementsMatch(f, want, ids(p), "%+v", a)
			}
		}
	})
}

// Values are whole microseconds (D9: google/fhir cuts there), ranges need not
// be.
func searchFineDates(f *fixture) {
	rows := map[string][]searchparam.Row{}
	f.update(func(w store.Writer) {
		ends := []time.Time{{}, t0, t0.Add(time.Microsecond), t0.Add(2 * time.Microsecond)}
		for i, lo := range ends {
			for j, hi := range ends {
				if i > 0 && j > 0 && i >= j {
					continue
				}
				id := fmt.Sprintf("%d-%d", i, j)
				rows[id] = []searchparam.Row{{Param: "p", Kind: searchparam.Date, Lo: lo, Hi: hi}}
				f.put(w, Plan(id, ""), rows[id]...)
			}
		}
	})
	f.holding(searchparam.Condition{Param: "p", Kind: searchparam.Date}, around(t0, time.Microsecond), rows)
}

// Values are whole milliseconds.
func searchFineLastUpdated(f *fixture) {
	rows := map[string][]searchparam.Row{}
	var first time.Time
	for i := range 3 {
		require.NoError(f, f.store.Update(f.ctx, func(w store.Writer) error {
			s, err := w.Stamp(t0)
			id := fmt.Sprint(i)
			rows[id] = []searchparam.Row{{
				Param: "_lastUpdated", Kind: searchparam.Date, Lo: s.LastUpdated, Hi: s.LastUpdated.Add(time.Millisecond),
			}}
			f.put(w, Plan(id, ""))
			if i == 0 {
				first = s.LastUpdated
			}
			return err
		}))
	}
	f.holding(lastUpdated(), around(first, time.Millisecond), rows)
	f.holding(lastUpdated(), around(first.Add(2*time.Millisecond), time.Millisecond), rows)
}

func searchID(f *fixture) {
	f.putOne(Plan("a", ""), code("_id", "", "b"))
	f.putOne(Plan("b", ""))
	f.putOne(Plan("b", "again"))
	f.putOne(Plan("c", ""))
	f.putOne(patient("a", 1))
	assert.Equal(f, []string{"a"}, f.found(is("_id", "", "a")))
	assert.Equal(f, []string{"b", "c"}, f.found(is("_id", "", "b", "c", "d")))
	assert.Empty(f, f.found(is("_id", "", "a"), is("_id", "", "b")))
}

// The value of _lastUpdated is an instant, one millisecond long.
func searchLastUpdated(f *fixture) {
	var at [3]time.Time
	for i := range at {
		at[i] = f.putOne(Plan(fmt.Sprint(i), "")).LastUpdated
	}
	ms := func(d time.Duration) (lo, hi time.Time) { lo = at[1].Add(d); return lo, lo.Add(time.Millisecond) }
	for _, c := range []struct {
		prefix searchparam.Prefix
		shift  time.Duration
		want   []string
	}{
		{searchparam.Eq, 0, []string{"1"}},
		{searchparam.Eq, time.Millisecond, []string{}},
		{searchparam.Ne, 0, []string{"0", "2"}},
		{searchparam.Gt, 0, []string{"2"}},
		{searchparam.Gt, -time.Millisecond, []string{"1", "2"}},
		{searchparam.Sa, 0, []string{"2"}},
		{searchparam.Ge, 0, []string{"1", "2"}},
		{searchparam.Ge, time.Millisecond, []string{"2"}},
		{searchparam.Lt, 0, []string{"0"}},
		{searchparam.Eb, 0, []string{"0"}},
		{searchparam.Le, 0, []string{"0", "1"}},
		{searchparam.Le, -time.Millisecond, []string{"0"}},
		{searchparam.Gt, time.Hour, []string{}},
		{searchparam.Lt, time.Hour, []string{"0", "1", "2"}},
	} {
		lo, hi := ms(c.shift)
		got := f.found(lastUpdated(searchparam.Alternative{Prefix: c.prefix, Lo: lo, Hi: hi}))
		assert.Equal(f, c.want, got, "%s %v", c.prefix, c.shift)
	}
	lo, hi := ms(0)
	assert.Equal(f, []string{"0", "1"}, f.found(lastUpdated(
		searchparam.Alternative{Prefix: searchparam.Eq, Lo: at[0], Hi: at[0].Add(time.Second)},
		searchparam.Alternative{Prefix: searchparam.Eq, Lo: lo, Hi: hi})))
	fine := at[1].Add(200 * time.Microsecond)
	assert.Empty(f, f.found(lastUpdated(searchparam.Alternative{Prefix: searchparam.Eq, Lo: fine, Hi: fine.Add(time.Microsecond)})))
}

func lastUpdated(as ...searchparam.Alternative) searchparam.Condition {
	return searchparam.Condition{Param: "_lastUpdated", Kind: searchparam.Date, Any: as}
}

func searchAndOr(f *fixture) {
	f.putOne(Plan("a", ""), code("status", "s", "active"), ref("patient", "Patient/1"))
	f.putOne(Plan("b", ""), code("status", "s", "active"), ref("patient", "Patient/2"))
	f.putOne(Plan("c", ""), code("status", "s", "revoked"), ref("patient", "Patient/1"))
	f.putOne(Plan("d", ""), code("status", "s", "active"), code("status", "s", "revoked"), ref("patient", "Patient/1"), ref("patient", "Patient/1"))
	assert.Equal(f, []string{"a", "d"}, f.found(is("status", "s", "active"), to("patient", "Patient/1")))
	assert.Equal(f, []string{"a", "b", "c", "d"}, f.found(is("status", "s", "active", "revoked")))
	assert.Equal(f, []string{"d"}, f.found(is("status", "s", "active"), is("status", "s", "revoked")))
	assert.Equal(f, []string{"a", "b", "d"}, f.found(is("status", "s", "active"), to("patient", "Patient/1", "Patient/2")))
	assert.Empty(f, f.found(is("status", "s"), to("patient", "Patient/1")), "no alternative holds for nothing")
	f.putOne(Plan("a", "changed"), code("status", "s", "completed"))
	assert.Equal(f, []string{"d"}, f.found(is("status", "s", "active"), to("patient", "Patient/1")), "by the current version")
}

func searchType(f *fixture) {
	f.putOne(Plan("a", ""), code("identifier", "s", "1"))
	f.putOne(patient("a", 1), code("identifier", "s", "1"))
	assert.Equal(f, []string{"a"}, f.found(is("identifier", "s", "1")))
	q := query(is("identifier", "s", "1"))
	q.Type = "Patient"
	assert.Equal(f, resource.Ref{Type: "Patient", ID: "a"}, f.search(q).Versions[0].Ref)
	q.Type = "Goal"
	assert.Empty(f, f.search(q).Versions)
}

// walk reads all pages of a search, calling between after each.
func (f *fixture) walk(q store.Query, between func()) []store.Version {
	f.Helper()
	var out []store.Version
	for range 1000 {
		p := f.search(q)
		out = append(out, p.Versions...)
		assert.LessOrEqual(f, len(p.Versions), q.Count)
		if !p.More {
			return out
		}
		q.After, q.UpTo, q.Epoch = keyOf(p.Versions[len(p.Versions)-1]), p.UpTo, p.Epoch
		between()
	}
	f.Fatal("a walk without end")
	return nil
}

func searchPages(f *fixture) {
	var want []string
	for i := range 7 {
		id := fmt.Sprint((i * 3) % 7)
		f.putOne(Plan(id, ""), code("status", "s", "active"))
		want = append(want, id)
	}
	for _, match := range [][]searchparam.Condition{nil, {is("status", "s", "active")}} {
		for count := 1; count <= 8; count++ {
			q := query(match...)
			q.Count = count
			up := f.walk(q, func() {})
			q.Ascending = false
			down := f.walk(q, func() {})
			require.Len(f, up, len(want))
			require.Len(f, down, len(want))
			for i := range want {
				assert.Equal(f, want[i], up[i].Ref.ID)
				assert.Equal(f, want[i], down[len(want)-1-i].Ref.ID)
			}
		}
	}
}

func searchBound(f *fixture) {
	for _, ascending := range []bool{true, false} {
		for i := range 6 {
			f.putOne(Plan(fmt.Sprint(i), fmt.Sprint("old ", ascending)), code("status", "s", "active"))
		}
		q := query(is("status", "s", "active"))
		q.Ascending, q.Count = ascending, 2
		first := f.search(q)
		n := 0
		got := f.walk(q, func() {
			// Every page is followed by a change of all, a new one, and one
			// that no longer matches.
			n++
			for i := range 6 {
				f.putOne(Plan(fmt.Sprint(i), fmt.Sprint("new ", ascending, n)), code("status", "s", []string{"revoked", "active"}[i%2]))
			}
			f.putOne(Plan(fmt.Sprintf("later-%t-%d", ascending, n), ""), code("status", "s", "active"))
		})
		seen := map[string]bool{}
		for _, v := range got {
			assert.False(f, seen[v.Ref.ID], "repeated %s", v.Ref.ID)
			seen[v.Ref.ID] = true
			assert.LessOrEqual(f, v.Seq, first.UpTo)
		}
		assert.Len(f, got, first.Total, "none skipped, none new")
		q.UpTo = first.UpTo
		assert.Equal(f, first, f.search(q), "the same page again, total too")
	}
}

func searchOneCommit(f *fixture) {
	f.update(func(w store.Writer) {
		for _, id := range []string{"c", "a", "d", "b"} {
			f.put(w, Plan(id, ""))
		}
	})
	for count := 1; count <= 4; count++ {
		q := query()
		q.Count = count
		var got []string
		for _, v := range f.walk(q, func() {}) {
			got = append(got, v.Ref.ID)
		}
		assert.Equal(f, []string{"a", "b", "c", "d"}, got)
	}
}

func searchTotals(f *fixture) {
	for i := range 5 {
		f.putOne(Plan(fmt.Sprint(i), ""), code("status", "s", "active"), code("status", "t", "active"))
	}
	q := query(is("status", "", "active"))
	q.Count = 2
	p := f.search(q)
	assert.Equal(f, 5, p.Total, "a resource counts once")
	assert.True(f, p.More)
	q.After, q.UpTo = keyOf(p.Versions[1]), p.UpTo
	assert.Equal(f, 5, f.search(q).Total, "of the whole search, on each page")
	q = query()
	q.Count = 0
	p = f.search(q)
	assert.Equal(f, 5, p.Total)
	assert.Empty(f, p.Versions)
	q.Count, q.NoTotal = 5, true
	p = f.search(q)
	assert.Zero(f, p.Total)
	assert.Len(f, p.Versions, 5)
	assert.False(f, p.More)
}

func searchNotOffered(f *fixture) {
	f.putOne(Plan("a", ""))
	for _, c := range []searchparam.Condition{
		one("special", searchparam.Alternative{Code: "x"}),
		one(searchparam.Quantity, searchparam.Alternative{Number: "1", Prefix: "xx"}),
		one(searchparam.Date, searchparam.Alternative{Prefix: "xx"}),
		lastUpdated(searchparam.Alternative{Prefix: "xx"}),
		is("_lastUpdated", "", "2026"),
	} {
		f.view(func(r store.Reader) {
			_, err := r.Search(query(c))
			assert.Error(f, err, "a condition left out would widen the search: %+v", c)
		})
	}
}

// R4 search.html#quantity: every prefix at, below and above a value, with each
// form of the unit.
func searchQuantity(f *fixture) {
	numbers := []string{"-12", "-5.45", "-5.4", "0", "0.05", "5.35", "5.36", "5.4", "5.45", "54", "120"}
	key := func(s string) string {
		k, ok := searchparam.NumberKey(s)
		require.True(f, ok)
		return k
	}
	rows := map[string][]searchparam.Row{}
	f.update(func(w store.Writer) {
		for i, n := range numbers {
			id := fmt.Sprint("n", i)
			unit := [][3]string{{"http://s", "mg", "milligram"}, {"http://t", "mg", "mg"}, {"", "", "milligram"}}[i%3]
			rows[id] = []searchparam.Row{{Param: "p", Kind: searchparam.Quantity, Number: key(n), System: unit[0], Code: unit[1], Unit: unit[2]}}
			f.put(w, Plan(id, ""), rows[id]...)
		}
	})
	var asked []searchparam.Alternative
	for i, n := range numbers {
		a := searchparam.Alternative{Number: key(n), NumberLo: key(numbers[max(0, i-1)]), NumberHi: key(numbers[min(len(numbers)-1, i+1)])}
		coded, named, none := a, a, a
		coded.System, coded.Code = "http://s", "mg"
		named.AnySystem, named.Code = true, "milligram"
		none.System, none.Code = "", "mg"
		asked = append(asked, a, coded, named, none)
	}
	f.holding(searchparam.Condition{Param: "p", Kind: searchparam.Quantity}, asked, rows)
}

// related asks what stands beside the page of every plan.
func (f *fixture) related(scope store.Scope, r store.Relation) (out []string, more bool) {
	f.Helper()
	f.view(func(rd store.Reader) {
		in := rd.Within(scope)
		p, err := in.Search(store.Query{Type: "CarePlan", UpTo: r.UpTo, Count: 100})
		require.NoError(f, err)
		r.Page, r.UpTo = p.Versions, p.UpTo
		found, m, err := in.Related(r)
		require.NoError(f, err)
		for _, v := range found {
			out = append(out, v.Ref.String()+" "+v.LastUpdated.Format(time.RFC3339Nano))
		}
		more = m
	})
	return out, more
}

// R4 search.html#include: as the page stands, so does what is beside it; what is
// deleted, hidden or of another clinic is not there.
func searchRelated(f *fixture) {
	put := func(o store.Owner, content string, rows ...searchparam.Row) (at string) {
		s := f.update(func(w store.Writer) {
			_, err := w.Put(o, "case", Checked(f, content), rows)
			require.NoError(f, err)
		})
		return " " + s.LastUpdated.Format(time.RFC3339Nano)
	}
	first := put(owner, patient("a", 1), ref("link", "Patient/b"))
	put(owner, patient("b", 1), ref("link", "Patient/a"), ref("about", "CarePlan/p"))
	theirs := put(south, patient("c", 1), ref("about", "CarePlan/p"))
	put(owner, patient("gone", 1))
	put(owner, Plan("p", "one"), ref("subject", "Patient/a"), ref("subject", "Patient/c"), ref("subject", "Patient/gone"), ref("subject", "Patient/none"), ref("subject", "https://else.example/Patient/b"))
	f.update(func(w store.Writer) {
		_, err := w.Delete(owner, resource.Ref{Type: "Patient", ID: "gone"})
		require.NoError(f, err)
	})
	var head store.Stamp
	f.view(func(r store.Reader) { head = r.Head() })
	second := put(owner, patient("a", 2), ref("link", "Patient/b"))

	subjects := []searchparam.Include{{Type: "CarePlan", Param: "subject"}}
	got, more := f.related(store.Everything, store.Relation{Includes: subjects, Limit: 10})
	assert.Equal(f, []string{"Patient/a" + second, "Patient/c" + theirs}, got)
	assert.False(f, more)
	got, _ = f.related(store.Everything, store.Relation{Includes: subjects, Limit: 10, UpTo: head.Seq})
	assert.Equal(f, []string{"Patient/a" + first, "Patient/c" + theirs}, got, "under the bound of the page")
	got, _ = f.related(store.Scope{Clinics: []string{"north"}}, store.Relation{Includes: subjects, Limit: 10})
	assert.Equal(f, []string{"Patient/a" + second}, got)
	got, more = f.related(store.Everything, store.Relation{Includes: subjects, Limit: 1})
	assert.Equal(f, []string{"Patient/a" + second}, got)
	assert.True(f, more)
	got, _ = f.related(store.Everything, store.Relation{Includes: []searchparam.Include{{Type: "CarePlan", Param: "subject", Target: "Group"}}, Limit: 10})
	assert.Empty(f, got)
	// What is on the page already is not beside it, and takes no room there.
	links := []searchparam.Include{{Type: "Patient", Param: "link"}}
	f.view(func(rd store.Reader) {
		p, err := rd.Search(store.Query{Type: "Patient", Count: 2, Ascending: true})
		require.NoError(f, err)
		for limit, want := range map[int]bool{1: false, 10: false} {
			_, more, err := rd.Related(store.Relation{Page: p.Versions, Includes: links, UpTo: p.UpTo, Limit: limit})
			require.NoError(f, err)
			assert.Equal(f, want, more)
		}
	})
	about := []searchparam.Include{{Type: "Patient", Param: "about"}}
	got, _ = f.related(store.Scope{Clinics: []string{"north"}}, store.Relation{Includes: about, Reverse: true, Limit: 10})
	assert.Len(f, got, 1)
	for _, includes := range [][]searchparam.Include{about, {about[0], about[0]}, {{Type: "Patient", Param: "nothing"}, about[0]}} {
		got, more = f.related(store.Everything, store.Relation{Includes: includes, Reverse: true, Limit: 1})
		assert.Len(f, got, 1)
		assert.True(f, more)
		got, more = f.related(store.Everything, store.Relation{Includes: includes, Reverse: true, Limit: 2})
		assert.Len(f, got, 2)
		assert.False(f, more)
	}
}

// A chain goes over nothing that the scope does not show (R-SP-33).
func searchChainScope(f *fixture) {
	for _, o := range []store.Owner{owner, south} {
		f.update(func(w store.Writer) {
			_, err := w.Put(o, "case", Checked(f, patient(o.Clinic, 1)), []searchparam.Row{code("family", "", "quill")})
			require.NoError(f, err)
			_, err = w.Put(owner, "case", Checked(f, Plan("of-"+o.Clinic, "")), []searchparam.Row{ref("subject", "Patient/"+o.Clinic)})
			require.NoError(f, err)
		})
	}
	chained := searchparam.Condition{Param: "subject", Kind: searchparam.Reference, Chain: &searchparam.Chain{Type: "Patient", Of: is("family", "", "quill")}}
	assert.Equal(f, []string{"of-north", "of-south"}, f.found(chained))
	f.within(func(p store.Published) {
		page, err := p.Search(query(chained))
		require.NoError(f, err)
		assert.Equal(f, []string{"of-north"}, ids(page))
		assert.Equal(f, 1, page.Total)
		chained.Not = true
		page, err = p.Search(query(chained))
		require.NoError(f, err)
		assert.Equal(f, []string{"of-south"}, ids(page), "as if there were no such patient")
	}, "north")
}

// R4 compartmentdefinition.html: what refers to one resource by one of some
// parameters, of one type or of each.
func searchCompartment(f *fixture) {
	f.putOne(Plan("a", ""), ref("subject", "Patient/p"))
	f.putOne(Plan("b", ""), ref("performer", "Patient/p"), ref("subject", "Patient/p"))
	f.putOne(Plan("c", ""), ref("other", "Patient/p"), ref("subject", "Patient/q"))
	f.putOne(patient("d", 1), ref("link", "Patient/p"))
	of := &store.Compartment{Of: resource.Ref{Type: "Patient", ID: "p"}, Params: []string{"CarePlan.subject", "CarePlan.performer", "Patient.link"}}
	for typ, want := range map[string][]string{"CarePlan": {"a", "b"}, "Patient": {"d"}, "": {"a", "b", "d"}} {
		p := f.search(store.Query{Type: typ, Compartment: of, Ascending: true, Count: 10})
		assert.Equal(f, want, ids(p), typ)
		assert.Equal(f, len(want), p.Total)
	}
	f.update(func(w store.Writer) { // two of one id in one commit
		f.put(w, Plan("e", ""), ref("subject", "Patient/p"))
		f.put(w, patient("e", 2), ref("link", "Patient/p"))
	})
	var walked []string
	for q := (store.Query{Compartment: of, Ascending: true, Count: 1}); ; {
		p := f.search(q)
		walked = append(walked, p.Versions[0].Ref.String())
		if !p.More {
			break
		}
		q.After, q.UpTo = &p.Keys[0], p.UpTo
	}
	assert.Equal(f, []string{"CarePlan/a", "CarePlan/b", "Patient/d", "CarePlan/e", "Patient/e"}, walked)
	of.Params = of.Params[:2]
	q := store.Query{Compartment: of, Ascending: true, Count: 2}
	first := f.search(q)
	require.True(f, first.More)
	q.After, q.UpTo = &first.Keys[1], first.UpTo
	assert.Equal(f, []string{"e"}, ids(f.search(q)))
	assert.Equal(f, []string{"b"}, ids(f.search(store.Query{Compartment: of, Match: []searchparam.Condition{is("_id", "", "b")}, Count: 10})))
	f.view(func(r store.Reader) {
		_, err := r.Search(store.Query{Compartment: of, Match: []searchparam.Condition{is("status", "", "x")}, Count: 10})
		assert.Error(f, err, "a parameter of one type, asked of several")
	})
}

// R4 CompartmentDefinition/patient: the records of one who is linked to a patient,
// by the bound of the walk, are in the compartment of the target of the link.
func searchLinked(f *fixture) {
	f.putOne(patient("p", 1))
	f.putOne(patient("q", 1))
	first := f.putOne(Plan("a", ""), ref("subject", "Patient/p"))
	f.putOne(Plan("b", ""), ref("subject", "Patient/q"))
	f.putOne(Plan("c", ""), ref("subject", "Patient/r"))
	f.putOne(Plan("d", ""), ref("subject", "Patient/s"))
	of := func(id string) store.Query {
		return store.Query{Type: "CarePlan", Ascending: true, Count: 10, Compartment: &store.Compartment{
			Of: resource.Ref{Type: "Patient", ID: id}, Params: []string{"CarePlan.subject", "Patient.link"}, Link: "Patient.link",
		}}
	}
	assert.Equal(f, []string{"a"}, ids(f.search(of("p"))))
	before := f.putOne(patient("q", 2), ref("link", "Patient/p"))
	f.putOne(patient("r", 1), ref("link", "Patient/q"), ref("link", "Patient/r")) // round and round
	assert.Equal(f, []string{"a", "b", "c"}, ids(f.search(of("p"))), "over two links")
	assert.Equal(f, []string{"b", "c"}, ids(f.search(of("q"))), "not against the link")
	then := of("p")
	then.UpTo = before.Seq
	assert.Equal(f, []string{"a", "b"}, ids(f.search(then)))
	then.UpTo = first.Seq
	assert.Equal(f, []string{"a"}, ids(f.search(then)))
	whole := of("p")
	whole.Type = ""
	assert.Equal(f, []string{"a", "b", "c", "q", "r"}, ids(f.search(whole)))
	f.putOne(patient("q", 3)) // linked no more
	assert.Equal(f, []string{"a"}, ids(f.search(of("p"))))
	f.putOne(patient("s", 1), ref("link", "Patient/p"))
	f.update(func(w store.Writer) {
		_, err := w.Delete(owner, resource.Ref{Type: "Patient", ID: "s"})
		require.NoError(f, err)
	})
	assert.Equal(f, []string{"a"}, ids(f.search(of("p"))), "what is gone links nothing")
}

func searchEpoch(f *fixture) {
	f.putOne(Plan("a", ""))
	f.view(func(r store.Reader) {
		_, err := r.Search(store.Query{Type: "CarePlan", Epoch: "other", Count: 1})
		assert.ErrorIs(f, err, store.ErrEpoch)
		_, err = r.History(store.HistoryQuery{Epoch: "other", Count: 1})
		assert.ErrorIs(f, err, store.ErrEpoch)
		_, err = r.Search(store.Query{Type: "CarePlan", Epoch: r.Head().Epoch, Count: 1})
		assert.NoError(f, err)
	})
}

func searchInjection(f *fixture) {
	f.putOne(Plan("a", ""), code("status", "s", "active"))
	for _, s := range []string{`' OR 1=1 --`, `") OR 1 --`, "x\x00y", "?", "1; DROP TABLE version", "\xff"} {
		for _, c := range []searchparam.Condition{
			is("status", "", s), is("status", s, "active"), is(s, "", "active"), is("_id", "", s), to("status", s),
			{Param: "status", Kind: searchparam.String, Any: []searchparam.Alternative{{Text: s}}},
		} {
			assert.Empty(f, f.found(c), "%q", s)
		}
	}
	assert.Equal(f, []string{"a"}, f.found(is("status", "s", "active")))
}

// Rows made anew stand in place of the old ones, for the versions before the
// current one too, as a page under an old bound shows; another owner's stay,
// and what is hidden is not found again.
func reindexed(f *fixture) {
	old := f.putOne(Plan("a", "one"), code("p", "s", "before"))
	f.putOne(Plan("a", "two"), code("p", "s", "before"))
	f.putOne(Plan("gone", "one"), code("p", "s", "before"))
	f.update(func(w store.Writer) {
		_, err := w.Delete(owner, planRef("gone"))
		require.NoError(f, err)
		_, err = w.Put(second, "", Checked(f, Plan("theirs", "one")), []searchparam.Row{code("p", "s", "before")})
		require.NoError(f, err)
		require.NoError(f, w.Reindex(owner, func(r resource.Resource) ([]searchparam.Row, error) {
			return []searchparam.Row{code("p", "s", "after"), code("q", "s", r.Tree()["title"].(string))}, nil
		}))
	})
	assert.Equal(f, []string{"theirs"}, f.found(is("p", "s", "before")))
	assert.Equal(f, []string{"a"}, f.found(is("p", "s", "after")))
	assert.Equal(f, []string{"a"}, f.found(is("q", "s", "titled two")))
	assert.Empty(f, f.found(is("q", "s", "titled one")))
	then := query(is("q", "s", "titled one"))
	then.UpTo = old.Seq
	assert.Equal(f, []string{"a"}, ids(f.search(then)))
}
