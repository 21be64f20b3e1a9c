package receive_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/mapping/record"
)

// D1.1: the row that old data comes from is no part of its content. The same content of
// another row changes nothing, and the Provenance of every commit names the row that
// came first.
func TestD1_1_TheRowOfOldDataIsNoContent(t *testing.T) {
	w := rt.New(t)
	row := func(n int) rt.Edit {
		return rt.Set("/converted", map[string]any{"file": "old.csv", "row": n})
	}
	require.Equal(t, receive.Stored, w.Send(rt.Surgery(rt.Set("/historical", true), row(2))).Answer)
	before := w.Seq()
	assert.Equal(t, receive.Unchanged, w.Send(rt.Surgery(rt.Set("/historical", true), row(9))).Answer)
	assert.Equal(t, before, w.Seq())
	require.Equal(t, receive.Stored, w.Send(rt.Review(rt.Set("/historical", true), row(30))).Answer)
	text := ""
	for _, p := range w.All("Provenance") {
		text += string(p.Body)
	}
	assert.Contains(t, text, "file old.csv, row 2")
	assert.Contains(t, text, "file old.csv, row 30")
	assert.NotContains(t, text, "row 9")
}

// D4.4: an old record that is kept and comes again, the same but for whether it is followed,
// came of another day: its answer says so, each time. The one that was there first is in
// order, and so is another row of the same content, an amended one and one that no export
// made.
func TestD4_4_TheSameOldRecordByAnotherDayIsTold(t *testing.T) {
	w := rt.New(t)
	told := func(edits ...rt.Edit) bool {
		edits = append(edits, rt.Set("/historical", true))
		a := w.Send(rt.Surgery(edits...))
		return slices.ContainsFunc(a.Reasons, func(f record.Finding) bool { return f.Code == receive.CodeFollowedOtherwise })
	}
	row := func(n int) rt.Edit { return rt.Set("/converted", map[string]any{"file": "old.csv", "row": n}) }
	followed := rt.Set("/followed", true)
	assert.False(t, told(row(2)))
	assert.False(t, told(row(9)))
	assert.True(t, told(row(2), followed))
	assert.True(t, told(row(2), followed), "again")
	assert.False(t, told(row(2)), "the first again")
	assert.False(t, told(row(2), followed, rt.Set("/surgery/outcome", "abandoned")))
	assert.False(t, told(followed))
}
