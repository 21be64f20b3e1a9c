package storetest

import (
	"fmt"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
)

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
