package receive_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
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
