package receive_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
)

// A refused delivery leaves the open list, and is kept among the settled, when
// a content of its record id comes that can be understood and is no older; by a
// draft, an older revision, a held content or another record it does not.
func TestD2_RefusedIsSettledByALaterGoodSave(t *testing.T) {
	wrong := rt.Set("/surgery/toes/0/side", "middle")
	for name, c := range map[string]struct {
		refused, then []byte
		settled       bool
	}{
		"the same revision":          {rt.Surgery(rt.Revision(2), wrong), rt.Surgery(rt.Revision(2)), true},
		"a higher revision":          {rt.Surgery(rt.Revision(2), wrong), rt.Surgery(rt.Revision(3)), true},
		"a lower revision":           {rt.Surgery(rt.Revision(2), wrong), rt.Surgery(rt.Revision(1)), false},
		"withdrawn":                  {rt.Surgery(rt.Revision(2), wrong), rt.Surgery(rt.Revision(3), rt.Status("withdrawn")), true},
		"a draft":                    {rt.Surgery(rt.Revision(2), wrong), rt.Surgery(rt.Revision(2), rt.Status("draft")), false},
		"a draft, of a draft":        {rt.Surgery(rt.Revision(2), rt.Status("draft"), wrong), rt.Surgery(rt.Revision(2), rt.Status("draft")), true},
		"saved at the same time":     {rt.Surgery(wrong), rt.Surgery(), true},
		"saved before":               {rt.Surgery(wrong), rt.Surgery(rt.Saved("2026-03-02T11:00:00Z")), false},
		"another record":             {rt.Surgery(rt.Revision(2), wrong), rt.Surgery(rt.Record("S-2"), rt.Revision(2)), false},
		"held":                       {rt.Surgery(rt.Revision(2), wrong), rt.Surgery(rt.Revision(2), badBatch), false},
		"the same, refused again":    {rt.Surgery(rt.Revision(2), wrong), rt.Surgery(rt.Revision(2), rt.Set("/surgery/toes/0/side", "none")), false},
		"no record id could be read": {rt.Surgery(rt.Set("/record", nil)), rt.Surgery(), false},
	} {
		t.Run(name, func(t *testing.T) {
			w := rt.New(t)
			failOn(w, bad)
			require.Equal(t, receive.Refused, w.Send(c.refused).Answer)
			require.NotEmpty(t, records(t, w, "refused"))
			require.Empty(t, records(t, w, "settled"))
			w.Send(c.then)
			want := 0
			if c.settled {
				want = 1
			}
			settled, err := w.List(t.Context(), "settled")
			require.NoError(t, err)
			require.Len(t, settled, want)
			open, err := w.List(t.Context(), "refused")
			require.NoError(t, err)
			assert.Equal(t, !c.settled, len(open) > 0)
			for _, a := range append(settled, open...) {
				assert.Equal(t, "refused", a.Answer)
				assert.NotEmpty(t, a.Reasons)
			}
			if id := settled; c.settled {
				assert.True(t, id[0].Settled)
				look, err := w.Look(t.Context(), "S-1")
				require.NoError(t, err)
				assert.True(t, look.Deliveries[0].Settled)
				assert.False(t, look.Deliveries[1].Settled)
			}
		})
	}
}

// What came before a refusal settles nothing of it.
func TestD2_RefusedIsNotSettledByAnEarlierSave(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery(rt.Revision(2)))
	w.Send(rt.Surgery(rt.Revision(2), rt.Set("/surgery/toes/0/side", "middle")))
	assert.Equal(t, []string{"S-1"}, records(t, w, "refused"))
	assert.Empty(t, records(t, w, "settled"))
	w.Send(rt.Surgery(rt.Revision(3)))
	assert.Empty(t, records(t, w, "refused"))
}

// The list of waiting records holds those that wait, as waiting, with their
// age: also one that was stored before its surgery was withdrawn. One that found
// its surgery is stored.
func TestD2_TheWaitingListHoldsWhatWaits(t *testing.T) {
	w := rt.New(t)
	answers := func() (out []string) {
		list, err := w.List(t.Context(), "waiting")
		require.NoError(t, err)
		for _, a := range list {
			out = append(out, a.Record+" "+a.Answer)
			assert.Positive(t, a.AgeSeconds)
		}
		return out
	}
	require.Equal(t, receive.Waiting, w.Send(rt.Review()).Answer)
	w.Now = w.Now.Add(time.Minute)
	assert.Equal(t, []string{"R-1 waiting"}, answers())
	w.Send(rt.Surgery())
	assert.Empty(t, answers())
	look, err := w.Look(t.Context(), "R-1")
	require.NoError(t, err)
	assert.Equal(t, "stored", look.Deliveries[0].Answer, "it waits no more")

	require.Equal(t, receive.Stored, w.Send(rt.Review(rt.Record("R-2"), rt.Set("/review/activity", "week-1"))).Answer)
	w.Send(rt.Surgery(rt.Status("withdrawn"), rt.Saved("2026-03-05T12:00:00Z")))
	w.Now = w.Now.Add(time.Minute)
	assert.Equal(t, []string{"R-1 waiting", "R-2 waiting"}, answers())

	w.Send(rt.Review(rt.Record("R-2"), rt.Status("withdrawn"), rt.Saved("2026-03-06T12:00:00Z")))
	w.Now = w.Now.Add(time.Minute)
	assert.Equal(t, []string{"R-1 waiting"}, answers(), "what is withdrawn waits for nothing")
}
