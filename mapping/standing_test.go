package mapping

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
)

// given is one delivery of a worked case: hash, saved-at, revision.
type given struct {
	hash       string
	saved      string
	revision   int64 // 0: none
	status     record.Code
	historical bool
	held       bool
	received   string
}

func (g given) delivery(t *testing.T) Delivery {
	t.Helper()
	r := &record.Record{Record: "S1", Status: "final", Historical: g.historical}
	if g.status != "" {
		r.Status = g.status
	}
	if g.saved != "" {
		w, err := record.ParseWhen(g.saved)
		require.NoError(t, err)
		r.SavedAt = &w
	}
	if g.revision != 0 {
		r.Revision = &g.revision
	}
	d := Delivery{Record: r, Hash: g.hash, Held: g.held, Received: time.Date(2024, 3, 2, 9, 0, 0, 0, time.UTC)}
	if g.received != "" {
		var err error
		d.Received, err = time.Parse(time.RFC3339, g.received)
		require.NoError(t, err)
	}
	return d
}

func TestD1_1_WhichContentCounts(t *testing.T) {
	for _, c := range []struct {
		name     string
		given    []given
		current  string
		top      string
		conflict Conflict
	}{
		{name: "only drafts", given: []given{{hash: "a", saved: "2024-03-01T10:00Z", status: "draft"}}},
		{name: "greatest revision, though saved earlier",
			given: []given{{hash: "a", saved: "2024-03-01T12:00Z", revision: 1}, {hash: "b", saved: "2024-03-01T10:00Z", revision: 2}}, current: "b"},
		{name: "without revisions the latest saved",
			given: []given{{hash: "b", saved: "2024-03-01T10:00Z"}, {hash: "a", saved: "2024-03-01T12:00Z"}}, current: "a"},
		{name: "equal saved-at: the greater hash",
			given: []given{{hash: "b", saved: "2024-03-01T10:00Z"}, {hash: "a", saved: "2024-03-01T10:00Z"}}, current: "b"},
		{name: "absent saved-at ranks lowest",
			given: []given{{hash: "z", revision: 1}, {hash: "a", saved: "2024-03-01T10:00Z", revision: 1}}, current: "a", conflict: SameRevision},
		{name: "the same bytes saved again later count again",
			given: []given{{hash: "a", saved: "2024-03-01T10:00Z"}, {hash: "b", saved: "2024-03-01T11:00Z"}, {hash: "a", saved: "2024-03-01T12:00Z"}}, current: "a"},
		{name: "saved more than ten minutes after reception counts as received",
			given: []given{
				{hash: "a", saved: "2024-03-09T10:00Z", received: "2024-03-01T10:00:00Z"},
				{hash: "b", saved: "2024-03-01T11:00Z", received: "2024-03-01T11:00:00Z"}}, current: "b"},
		{name: "saved exactly ten minutes after reception counts as sent",
			given: []given{
				{hash: "a", saved: "2024-03-01T10:10Z", received: "2024-03-01T10:00:00Z"},
				{hash: "b", saved: "2024-03-01T10:09Z", received: "2024-03-01T10:09:00Z"}}, current: "a"},
		{name: "historical ranks below live",
			given: []given{{hash: "h", saved: "2024-04-01T10:00Z", historical: true}, {hash: "a", saved: "2024-03-01T10:00Z"}}, current: "a"},
		{name: "historical without revision does not conflict with live",
			given: []given{{hash: "h", saved: "2024-04-01T10:00Z", historical: true}, {hash: "a", revision: 3}}, current: "a"},
		{name: "historical stands where no live one exists",
			given: []given{{hash: "h", saved: "2024-04-01T10:00Z", historical: true}}, current: "h"},
		{name: "with and without a revision: conflict, saved-at decides",
			given: []given{{hash: "a", saved: "2024-03-01T10:00Z", revision: 9}, {hash: "b", saved: "2024-03-01T11:00Z"}}, current: "b", conflict: RevisionsPartial},
		{name: "a draft never un-publishes a final",
			given: []given{{hash: "a", saved: "2024-03-01T10:00Z"}, {hash: "b", saved: "2024-03-01T11:00Z", status: "draft"}}, current: "a"},
		{name: "a final after a withdrawal counts",
			given: []given{{hash: "w", saved: "2024-03-01T10:00Z", status: "withdrawn"}, {hash: "a", saved: "2024-03-01T11:00Z"}}, current: "a"},
		{name: "held is left out, the next stands in (D1.3)",
			given: []given{{hash: "a", saved: "2024-03-01T10:00Z"}, {hash: "b", saved: "2024-03-01T11:00Z", held: true}}, current: "a", top: "b"},
		{name: "held live over historical",
			given: []given{{hash: "h", historical: true}, {hash: "b", saved: "2024-03-01T11:00Z", held: true}}, current: "h", top: "b"},
		{name: "D1.2 two contents under one revision, the greatest counts",
			given: []given{{hash: "a", saved: "2024-03-01T10:00Z", revision: 2}, {hash: "b", saved: "2024-03-01T11:00Z", revision: 2}}, current: "b", conflict: SameRevision},
		{name: "D1.2 until a higher revision comes",
			given: []given{{hash: "a", revision: 2}, {hash: "b", revision: 2}, {hash: "c", revision: 3}}, current: "c"},
		{name: "D1.2 one content twice under one revision is no conflict",
			given: []given{{hash: "a", saved: "2024-03-01T10:00Z", revision: 2}, {hash: "a", saved: "2024-03-01T11:00Z", revision: 2}}, current: "a"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var ds []Delivery
			for _, g := range c.given {
				ds = append(ds, g.delivery(t))
			}
			if c.top == "" {
				c.top = c.current
			}
			permute(ds, func(p []Delivery) {
				st := Stand(p, time.UTC)
				assert.Equal(t, c.current, hashOf(st.Current), "current of %s", hashes(p))
				assert.Equal(t, c.top, hashOf(st.Top), "top of %s", hashes(p))
				assert.Equal(t, c.conflict, st.Conflict, "conflict of %s", hashes(p))
			})
		})
	}
}

func TestD1_1_SlowClockIsMarked(t *testing.T) {
	first := given{hash: "a", saved: "2024-03-01T12:00Z"}.delivery(t)
	late := given{hash: "b", saved: "2024-03-01T11:00Z"}.delivery(t)
	a := Arrive(Stand([]Delivery{first}, time.UTC), Stand([]Delivery{first, late}, time.UTC), &late)
	assert.Equal(t, Arrival{ByTimeAlone: true}, a)

	first = given{hash: "a", saved: "2024-03-01T12:00Z", revision: 2}.delivery(t)
	late = given{hash: "b", saved: "2024-03-01T11:00Z", revision: 1}.delivery(t)
	a = Arrive(Stand([]Delivery{first}, time.UTC), Stand([]Delivery{first, late}, time.UTC), &late)
	assert.Equal(t, Arrival{}, a, "a lower revision is plainly older")
}

func hashOf(d *Delivery) string {
	if d == nil {
		return ""
	}
	return d.Hash
}

func hashes(ds []Delivery) string {
	var s []string
	for i := range ds {
		s = append(s, ds[i].Hash)
	}
	return fmt.Sprint(s)
}

// permute calls fn with every order of ds, and once with every member twice.
func permute(ds []Delivery, fn func([]Delivery)) {
	fn(append(append([]Delivery{}, ds...), ds...))
	var rec func(n int)
	p := append([]Delivery{}, ds...)
	rec = func(n int) {
		if n == len(p) {
			fn(append([]Delivery{}, p...))
			return
		}
		for i := n; i < len(p); i++ {
			p[n], p[i] = p[i], p[n]
			rec(n + 1)
			p[n], p[i] = p[i], p[n]
		}
	}
	rec(0)
}
