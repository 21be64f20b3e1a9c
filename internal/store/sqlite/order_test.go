package sqlite_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
	"nailbridge/internal/store/order"
	"nailbridge/internal/store/sqlite"
)

// The SQL of searches and histories shows under each bound, and from each
// instant on, the versions that the rules of package order show, for every
// version that there can be over four commits (R-PAGE-07, R-HIST-07).
func TestR_PAGE_07_SQLKeepsTheOrder(t *testing.T) {
	const commits = 4
	d := open(t, sqlite.Options{})
	exec := func(query string, args ...any) {
		_, err := d.Writer().ExecContext(t.Context(), query, args...)
		require.NoError(t, err)
	}
	at := func(seq int64) time.Time { return t0.Add(time.Duration(seq) * time.Second) }
	for seq := int64(1); seq <= commits; seq++ {
		exec(`INSERT INTO stamp (seq, updated) VALUES (?, ?)`, seq, at(seq).UnixMilli())
	}
	all := map[string]order.Version{}
	for _, v := range everyVersion(commits) {
		id := fmt.Sprintf("v%03d", len(all))
		all[id] = v
		exec(`INSERT INTO resource (type, id, clinic, patient, kase, current) VALUES ('CarePlan', ?, 'north', 'p', '', ?)`, id, len(all))
		exec(`INSERT INTO version (vid, rid, type, id, number, epoch, seq, until, updated, deleted, hidden)
			SELECT current, rid, type, id, 1, 'e', ?, ?, ?, ?, ? FROM resource WHERE id = ?`,
			v.Seq, v.Until, at(v.Seq).UnixMilli(), v.Deleted, v.Hidden, id)
	}
	require.Len(t, all, 4*(1+2+3+4))
	shown := func(keep func(order.Version) bool) (ids []string) {
		for id, v := range all {
			if keep(v) {
				ids = append(ids, id)
			}
		}
		slices.Sort(ids)
		return ids
	}
	view(t, d, func(r store.Reader) error {
		for bound := int64(1); bound <= commits+1; bound++ {
			b := order.Bound(commits, bound)
			p, err := r.Search(store.Query{Type: "CarePlan", UpTo: bound, Count: 1000})
			require.NoError(t, err)
			assert.Equal(t, b, p.UpTo)
			assert.Equal(t, shown(func(v order.Version) bool { return v.Stands(b) }), idsOf(p))
			for from := int64(1); from <= commits+1; from++ {
				for _, typ := range []string{"", "CarePlan"} {
					p, err = r.History(store.HistoryQuery{Type: typ, Since: at(from), UpTo: bound, Count: 1000})
					require.NoError(t, err)
					assert.Equal(t, shown(func(v order.Version) bool { return v.Told(from, b) }), idsOf(p), "%d to %d", from, bound)
				}
			}
		}
		return nil
	})
}

// everyVersion is every version of so many commits: shown, hidden, deleted, both.
func everyVersion(commits int64) (out []order.Version) {
	for seq := int64(1); seq <= commits; seq++ {
		for until := seq + 1; until <= commits+1; until++ {
			u := until
			if until > commits {
				u = order.Current
			}
			for _, deleted := range []bool{false, true} {
				for _, hidden := range []bool{false, true} {
					out = append(out, order.Version{Seq: seq, Until: u, Deleted: deleted, Hidden: hidden})
				}
			}
		}
	}
	return out
}

// idsOf are the ids of a page, sorted; nil without any.
func idsOf(p store.Page) (ids []string) {
	for _, v := range p.Versions {
		ids = append(ids, v.Ref.ID)
	}
	slices.Sort(ids)
	return ids
}
