package receive_test

import (
	"encoding/base64"
	"encoding/hex"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
	"nailbridge/mapping/record"
)

// width is the recorded width of the only border, as the hub sees it: which
// content counts.
func width(t testing.TB, w *rt.World) string {
	t.Helper()
	for _, r := range w.Live("Observation") {
		if rt.Coded(r.Tree["code"], "nail-width") {
			return rt.At(r.Tree, "valueQuantity", "value").(interface{ String() string }).String()
		}
	}
	return ""
}

func wide(mm float64) rt.Edit { return rt.Set("/surgery/toes/0/borders/0/widthMm", mm) }

// D1.1: the greatest by (saved-at, hash) counts when a revision is missing
// everywhere, whatever the order of arrival; what ranks lower by saved-at alone
// is marked urgent and listed.
func TestD1_1_TheLatestSavedCounts(t *testing.T) {
	w := rt.New(t)
	a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(3)))
	assert.Equal(t, receive.Stored, a.Answer)
	assert.True(t, a.First)
	a = w.Send(rt.Surgery(rt.Saved("2026-03-02T11:25:00Z"), wide(4)))
	assert.Equal(t, receive.Superseded, a.Answer)
	assert.True(t, a.Urgent, "a slow clock must not lose a correction")
	assert.Equal(t, "3", width(t, w))
	list, err := w.List(t.Context(), "superseded")
	require.NoError(t, err)
	require.Len(t, list, 1)
	assert.True(t, list[0].Urgent)

	a = w.Send(rt.Surgery(rt.Saved("2026-03-02T11:25:00Z"), wide(4)))
	assert.Equal(t, receive.Superseded, a.Answer)
	assert.False(t, a.Urgent, "received before")
	a = w.Send(rt.Surgery(rt.Saved("2026-03-02T11:40:00Z"), wide(5)))
	assert.Equal(t, receive.Stored, a.Answer)
	assert.False(t, a.First)
	assert.Equal(t, "5", width(t, w))
	for _, f := range w.All("DetectedIssue") {
		assert.NotContains(t, string(f.Body), "urgent", "the mark is never published")
	}

	// The same bytes saved again later count again.
	a = w.Send(rt.Surgery(rt.Saved("2026-03-02T11:50:00Z"), wide(3)))
	assert.Equal(t, receive.Stored, a.Answer)
	assert.Equal(t, "3", width(t, w))
	look, err := w.Look(t.Context(), "S-1")
	require.NoError(t, err)
	var counts []bool
	for _, d := range look.Deliveries {
		counts = append(counts, d.Counts)
	}
	assert.Equal(t, []bool{false, false, false, true}, counts, "the later of two deliveries of one content")
}

// D1.1, R-ING-04: with revisions everywhere the revision decides; what ranks lower by
// its revision is plainly older, and not urgent.
func TestD1_1_TheHighestRevisionCounts(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery(rt.Revision(2), rt.Saved("2026-03-02T11:00:00Z"), wide(3)))
	a := w.Send(rt.Surgery(rt.Revision(1), rt.Saved("2026-03-02T11:30:00Z"), wide(4)))
	assert.Equal(t, receive.Superseded, a.Answer)
	assert.False(t, a.Urgent)
	assert.Equal(t, "3", width(t, w))
}

// D1.1: deliveries with and without a revision conflict for good; a draft never
// takes part.
func TestD1_1_RevisionsHereAndThereConflict(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery(rt.Saved("2026-03-02T11:00:00Z"), rt.Status("draft")))
	a := w.Send(rt.Surgery(rt.Revision(1), rt.Saved("2026-03-02T11:10:00Z"), wide(3)))
	assert.Equal(t, receive.Stored, a.Answer)
	a = w.Send(rt.Surgery(rt.Saved("2026-03-02T11:20:00Z"), wide(4)))
	assert.Equal(t, receive.Conflict, a.Answer)
	assert.True(t, *a.Counts, "the latest saved counts")
	assert.Equal(t, "4", width(t, w))
	require.Len(t, w.Issues("revisions-partial"), 1)
}

// D1.2, R-ING-03: two contents under one revision are both kept; the greatest counts
// and a critical flag stands until a higher revision comes.
func TestD1_2_TwoContentsUnderOneRevision(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery(rt.Revision(1), rt.Saved("2026-03-02T11:10:00Z"), wide(3)))
	a := w.Send(rt.Surgery(rt.Revision(1), rt.Saved("2026-03-02T11:05:00Z"), wide(4)))
	assert.Equal(t, receive.Conflict, a.Answer)
	assert.False(t, *a.Counts)
	a = w.Send(rt.Surgery(rt.Revision(1), rt.Saved("2026-03-02T11:15:00Z"), wide(5)))
	assert.Equal(t, receive.Conflict, a.Answer)
	assert.True(t, *a.Counts)
	assert.Equal(t, "5", width(t, w))
	issues := w.Issues("conflict-of-revisions")
	require.Len(t, issues, 1)
	assert.Equal(t, "high", issues[0].Tree["severity"])
	assert.True(t, issues[0].Open())

	a = w.Send(rt.Surgery(rt.Revision(2), rt.Saved("2026-03-02T11:20:00Z"), wide(6)))
	assert.Equal(t, receive.Stored, a.Answer)
	assert.Empty(t, w.Issues("conflict-of-revisions"))
	assert.Equal(t, "6", width(t, w))
	a = w.Send(rt.Surgery(rt.Revision(1), rt.Saved("2026-03-02T11:15:00Z"), wide(5)))
	assert.Equal(t, receive.Superseded, a.Answer, "what a higher revision settled is no conflict")
}

// D1.1: a draft never un-publishes a final, a final after a withdrawal
// publishes again, a historical content ranks below every live one.
func TestD1_1_DraftsWithdrawalsAndHistory(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery(rt.Saved("2026-03-02T11:00:00Z"), wide(3)))
	seq := w.Seq()
	a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:10:00Z"), rt.Status("draft"), wide(4)))
	assert.Equal(t, receive.Stored, a.Answer)
	a = w.Send(rt.Surgery(rt.Saved("2026-03-02T11:10:00Z"), rt.Status("draft"), wide(4)))
	assert.Equal(t, receive.Unchanged, a.Answer)
	assert.Equal(t, seq, w.Seq(), "nothing for the hub")
	assert.Equal(t, "3", width(t, w))

	a = w.Send(rt.Surgery(rt.Saved("2026-03-02T11:50:00Z"), rt.Set("/historical", true), wide(5)))
	assert.Equal(t, receive.Superseded, a.Answer)
	assert.False(t, a.Urgent)
	assert.True(t, saysBelowLive(a), "the answer says why")
	assert.Equal(t, "3", width(t, w))

	a = w.Send(rt.Surgery(rt.Saved("2026-03-02T11:20:00Z"), rt.Status("withdrawn")))
	assert.False(t, saysBelowLive(a))
	assert.Equal(t, receive.Stored, a.Answer)
	assert.Empty(t, w.Live("Procedure"))
	a = w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(6)))
	assert.Equal(t, receive.Stored, a.Answer)
	assert.Equal(t, "6", width(t, w))
}

// saysBelowLive reports whether an answer says that a historical content ranks below a
// live one.
func saysBelowLive(a receive.Answer) bool {
	return slices.ContainsFunc(a.Reasons, func(f record.Finding) bool {
		return f.Code == "historical-below-live" && f.Severity == record.Info && f.Pointer == "/historical"
	})
}

// D1.1: a saved-at more than ten minutes after reception counts as the time of
// reception, flagged.
func TestD1_1_ASavedAtAheadOfReception(t *testing.T) {
	w := rt.New(t)
	w.At("2026-03-02T12:00:00Z")
	_, err := w.Receive(t.Context(), rt.Surgery(rt.Saved("2026-03-02T23:00:00Z"), wide(3)), false)
	require.NoError(t, err)
	require.Len(t, w.Issues("saved-at-ahead"), 1)
	w.At("2026-03-02T12:20:00Z")
	a := w.Send(rt.Surgery(rt.Saved("2026-03-02T12:19:00Z"), wide(4)))
	assert.Equal(t, receive.Stored, a.Answer, "later than the reception of the other")
	assert.Equal(t, "4", width(t, w))
	assert.Empty(t, w.Issues("saved-at-ahead"))
}

// D1.1: a delivery is (content hash, saved-at); its reception is that of its
// first arrival.
func TestD1_1_OneDeliveryIsKeptOnce(t *testing.T) {
	w := rt.New(t)
	a := w.Send(rt.Surgery())
	require.Equal(t, receive.Stored, a.Answer)
	seq, first := w.Seq(), w.Now
	for range 2 {
		a = w.Send(rt.Surgery())
		assert.Equal(t, receive.Unchanged, a.Answer)
	}
	assert.Equal(t, seq, w.Seq(), "a repeat of the same save changes nothing")
	w.View(func(r store.Reader) error {
		rows, err := r.Deliveries("north", "S-1")
		require.Len(t, rows, 1)
		assert.Equal(t, first, rows[0].Received)
		return err
	})
}

func niURI(t testing.TB, hash string) string {
	t.Helper()
	b, err := hex.DecodeString(hash)
	require.NoError(t, err)
	return "ni:///sha-256;" + base64.RawURLEncoding.EncodeToString(b)
}
