package receive_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	"nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
)

// eventsAfter are the outbox entries of a kind after a number, and the number
// of the last entry.
func eventsAfter[E any](w *receivetest.World, kind string, after int64) (out []E, last int64) {
	w.Helper()
	last = after
	w.View(func(r store.Reader) error {
		es, err := r.Outbox("north", after, 1000)
		for _, e := range es {
			last = e.Seq
			if e.Kind == kind {
				var x E
				require.NoError(w, json.Unmarshal(e.JSON, &x))
				out = append(out, x)
			}
		}
		return err
	})
	return out, last
}

// flagsOpened are the codes announced after a number.
func flagsOpened(w *receivetest.World, after int64) (codes []string, last int64) {
	w.Helper()
	es, last := eventsAfter[receive.FlagEvent](w, receive.EventFlag, after)
	for _, e := range es {
		codes = append(codes, e.Code)
	}
	return codes, last
}

// A flag is announced when it opens, not while it stays open or is
// acknowledged, and again when its inputs change (D1.3).
func TestD1_3_AFlagIsAnnouncedWheneverItOpens(t *testing.T) {
	w := receivetest.New(t)
	const code = "tourniquet-release-unrecorded"
	left := receivetest.Set("/surgery/toes/0/tourniquets/0/off", nil)
	a := w.Send(receivetest.Surgery(left))
	es, at := eventsAfter[receive.FlagEvent](w, receive.EventFlag, 0)
	var opened receive.FlagEvent
	for _, e := range es {
		if e.Code == code {
			opened = e
		}
	}
	require.Equal(t, code, opened.Code, "announced: %v", es)
	assert.Equal(t, []string{"north", "S-1", "S-1"}, []string{opened.Clinic, opened.Case, opened.Record})
	issues := w.Issues(code)
	require.Len(t, issues, 1)
	assert.Equal(t, issues[0].Ref.String(), opened.Resource)

	w.Send(receivetest.Surgery(left))
	codes, at := flagsOpened(w, at)
	assert.Empty(t, codes, "a repeat")
	w.Send(receivetest.Surgery(left, receivetest.Saved("2026-03-02T11:30:00Z"), receivetest.Set("/surgery/dressing", "other")))
	codes, at = flagsOpened(w, at)
	assert.NotContains(t, codes, code, "open as before")

	for _, fl := range a.Flags {
		if fl.ID == opened.Flag {
			_, err := w.Acknowledge(t.Context(), "S-1", fl.ID, ack(fl, w.Now))
			require.NoError(t, err)
		}
	}
	codes, at = flagsOpened(w, at)
	assert.Empty(t, codes, "acknowledged")
	w.Send(receivetest.Surgery(left, receivetest.Saved("2026-03-02T11:40:00Z"), receivetest.Set("/surgery/toes/0/tourniquets/0/on", "2026-03-02T10:13:00+00:00")))
	codes, _ = flagsOpened(w, at)
	assert.Contains(t, codes, code, "its inputs changed")
}

// D3.1: while sharing is not agreed nothing is announced; when it is, the flags
// that are open are announced as they are published.
func TestD3_1_FlagsAreAnnouncedWithTheirPublication(t *testing.T) {
	w := receivetest.New(t)
	left := receivetest.Set("/surgery/toes/0/tourniquets/0/off", nil)
	w.Send(receivetest.Surgery(left, receivetest.Set("/sharing", nil)))
	_, err := w.Tick(t.Context(), w.Now.AddDate(0, 0, 5))
	require.NoError(t, err)
	_, at := eventsAfter[receive.ChangeEvent](w, receive.EventChange, 0)
	assert.Zero(t, at, "the outbox is empty")
	w.Send(receivetest.Surgery(left, receivetest.Saved("2026-03-02T11:30:00Z")))
	codes, _ := flagsOpened(w, 0)
	assert.Contains(t, codes, "tourniquet-release-unrecorded")
}

// D1.6: one overdue event per fact; a tick that changes nothing announces
// nothing.
func TestD1_6_AnOverdueFactIsAnnouncedOnce(t *testing.T) {
	w := receivetest.New(t)
	w.Send(receivetest.Surgery())
	w.At("2026-03-07T12:00:00Z")
	n, err := w.Tick(t.Context(), w.Now)
	require.NoError(t, err)
	es, at := eventsAfter[receive.OverdueEvent](w, receive.EventOverdue, 0)
	require.Len(t, es, n)
	require.NotEmpty(t, es)
	assert.Equal(t, "day-2", es[0].Activity)
	assert.Equal(t, w.One("CarePlan").Ref.String(), es[0].Resource)
	assert.True(t, es[0].End.Before(w.Now) && es[0].End.After(w.Now.Add(-10*24*time.Hour)))
	_, err = w.Tick(t.Context(), w.Now)
	require.NoError(t, err)
	_, again := eventsAfter[receive.OverdueEvent](w, receive.EventOverdue, at)
	assert.Equal(t, at, again)
}
