package receive_test

import (
	"encoding/json"
	"errors"
	"maps"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
)

// content is what a hub sees of everything live, without versions.
func content(t testing.TB, w *rt.World) map[string]string {
	t.Helper()
	out := map[string]string{}
	for ref, r := range w.Published() {
		tree := maps.Clone(r.Tree)
		meta := maps.Clone(tree["meta"].(map[string]any))
		delete(meta, "versionId")
		delete(meta, "lastUpdated")
		tree["meta"] = meta
		b, err := json.Marshal(tree)
		require.NoError(t, err)
		out[ref] = string(b)
	}
	return out
}

// D1.4 through the store, R-ING-12: whatever order the records of a patient come in,
// with repeats, ticks between and an acknowledgement as soon as its flag stands, what a
// hub finds in the end is the same. Every seventh order is tried; the fold itself is
// held to the property over generated cases in package mapping.
func TestD1_4_OrderThroughTheStore(t *testing.T) {
	for name, records := range map[string][][]byte{
		"a case": {
			rt.Surgery(wide(3)),
			rt.Surgery(wide(2), rt.Saved("2026-03-05T11:00:00Z")),
			rt.Review(rt.RedFlag),
			rt.Review(rt.Record("R-2"), rt.Saved("2026-03-09T11:00:00Z"), rt.Set("/review/at", "2026-03-09T10:00Z"), rt.Set("/review/activity", "week-1"),
				rt.Set("/patient/phone", "+44 1632 960002")),
		},
		"moved, declined and agreed": {
			rt.Surgery(),
			rt.Surgery(rt.Patient("P-2"), rt.Saved("2026-03-05T11:00:00Z")),
			rt.Review(rt.RedFlag, rt.Set("/sharing", "declined")),
			rt.Review(rt.Record("R-2"), rt.Saved("2026-03-06T11:00:00Z"), rt.Set("/sharing", "agreed"), rt.RedFlag),
		},
		"withdrawn and back": {
			rt.Surgery(),
			rt.Surgery(rt.Status("withdrawn"), rt.Saved("2026-03-05T11:00:00Z")),
			rt.Surgery(wide(4), rt.Saved("2026-03-06T11:00:00Z")),
			rt.Surgery(rt.Record("S-2"), rt.Set("/surgery/start", "2026-03-01T11:00Z"), rt.Set("/surgery/toes/0/block/agents/0/at", nil), millilitres(8)),
		},
	} {
		t.Run(name, func(t *testing.T) {
			var want map[string]string
			n := 0
			permute(len(records), func(order []int) {
				if n++; n%7 != 1 {
					return
				}
				w := rt.New(t)
				w.At("2026-03-10T09:00:00Z") // all saved before
				for i, k := range order {
					w.Send(records[k])
					if i%2 == 0 {
						w.Send(records[order[0]]) // a repeat
						_, err := w.Tick(t.Context(), w.Now)
						require.NoError(t, err)
					}
					acknowledge(t, w)
				}
				_, err := w.Tick(t.Context(), w.Now)
				require.NoError(t, err)
				got := content(t, w)
				if want == nil {
					require.NotEmpty(t, got)
					want = got
				}
				require.Equal(t, len(want), len(got), order)
				for ref, c := range want {
					require.Equal(t, c, got[ref], "%v: %s", order, ref)
				}
			})
		})
	}
}

// acknowledge answers the red flag of R-1 once it stands, at a fixed time.
func acknowledge(t testing.TB, w *rt.World) {
	t.Helper()
	look, err := w.Look(t.Context(), "R-1")
	if err != nil {
		return // not come yet
	}
	for _, f := range look.Flags {
		if f.Code == "pus" && f.Acknowledged == nil {
			_, err := w.Acknowledge(t.Context(), "R-1", f.ID, ack(f, time.Date(2026, 3, 10, 8, 0, 0, 0, time.UTC)))
			if !errors.Is(err, receive.ErrStale) {
				assert.NoError(t, err)
			}
		}
	}
}

// permute calls fn with every order of n things.
func permute(n int, fn func([]int)) {
	var rec func(rest, order []int)
	rec = func(rest, order []int) {
		if len(rest) == 0 {
			fn(order)
		}
		for i := range rest {
			next := append(append([]int{}, rest[:i]...), rest[i+1:]...)
			rec(next, append(append([]int{}, order...), rest[i]))
		}
	}
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	rec(all, nil)
}
