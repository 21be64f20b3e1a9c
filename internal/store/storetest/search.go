package storetest

import (
	"fmt"

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

// prefixes are all that R4 search.html#prefix has.
var prefixes = searchparam.Prefixes

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
