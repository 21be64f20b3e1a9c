package receive_test

import (
	"context"
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// without takes the rows of a parameter of CarePlan off, and its name out of what
// the rows rest on, as a release that did not know it left them.
func without(w *rt.World, param string) {
	require.NoError(w, w.Store.Update(w.Context(), func(tx store.Writer) error {
		owners, err := tx.Owners(w.Settings.Clinic.ID)
		require.NoError(w, err)
		for _, o := range owners {
			require.NoError(w, tx.Reindex(o, func(r resource.Resource) ([]searchparam.Row, error) {
				rows, err := w.Index.Rows(r)
				return slices.DeleteFunc(rows, func(x searchparam.Row) bool { return x.Param == param }), err
			}))
		}
		made := w.Index.Made()
		delete(made.Each, "CarePlan."+param)
		mark, err := json.Marshal(made)
		require.NoError(w, err)
		return tx.SetMark(w.Settings.Clinic.ID, "indexed", string(mark))
	}))
}

// An indexing that is cut off goes on where it was, also when the program begins
// anew; until the last patient is done the parameter is told to be missing, and
// what a search finds by others is as it was throughout.
func TestAnIndexingCutOffGoesOn(t *testing.T) {
	w := rt.New(t, basis)
	require.False(t, outdated(t, w))
	for _, p := range []string{"P-1", "P-2", "P-3", "P-4"} {
		w.Send(silent(rt.Record("S-"+p), rt.Patient(p)))
	}
	want := index(t, w)
	without(w, "review-due")
	require.NotEqual(t, want, index(t, w))
	require.False(t, outdated(t, w), "no hub has to wait")

	errStop := errors.New("the machine is switched off")
	pace := &receive.Pace{Patients: 2, Pause: func(context.Context) error { return errStop }}
	require.ErrorIs(t, w.IndexBehind(t.Context(), pace), store.ErrUnavailable)
	missing, err := w.Unindexed(t.Context())
	require.NoError(t, err)
	assert.Equal(t, []string{"CarePlan.review-due"}, missing)
	w.Send(silent(rt.Record("S-5"), rt.Patient("P-5"))) // taken meanwhile

	done := 0
	w.Fault = func(op string) error {
		if op == "reindex" {
			done++
		}
		return nil
	}
	require.NoError(t, w.IndexBehind(t.Context(), nil))
	w.Fault = nil
	assert.Equal(t, 4, done, "two of four were done; the fifth, and what is the clinic's own")
	missing, err = w.Unindexed(t.Context())
	require.NoError(t, err)
	assert.Empty(t, missing)

	fresh := rt.New(t, basis)
	for _, p := range []string{"P-1", "P-2", "P-3", "P-4"} {
		fresh.Send(silent(rt.Record("S-"+p), rt.Patient(p)))
	}
	fresh.Send(silent(rt.Record("S-5"), rt.Patient("P-5")))
	assert.Equal(t, index(t, fresh), index(t, w))
}

// What another release wrote down of rows that this one makes otherwise, or not at
// all, is struck out before a record is taken: that release, come again, finds the
// rows of these records missing, and begins anew where it was cut off.
func TestRowsOfAnotherReleaseAreNotTakenForOurs(t *testing.T) {
	w := rt.New(t, basis)
	require.False(t, outdated(t, w))
	w.Send(silent(rt.Record("S-1"), rt.Patient("P-1")))
	made := w.Index.Made()
	theirs := searchparam.Made{All: made.All, Each: maps.Clone(made.Each)}
	theirs.Each["CarePlan.of-later"], theirs.Each["CarePlan.review-due"] = "made", "made otherwise"
	set := func(name string, value any) {
		text, err := json.Marshal(value)
		require.NoError(t, err)
		require.NoError(t, w.Store.Update(t.Context(), func(tx store.Writer) error { return tx.SetMark(w.Settings.Clinic.ID, name, string(text)) }))
	}
	get := func(name string) (text string) {
		require.NoError(t, w.Store.View(t.Context(), func(r store.Reader) (err error) {
			text, err = r.Mark(w.Settings.Clinic.ID, name)
			return err
		}))
		return text
	}
	set("indexed", theirs)
	set("indexing", map[string]string{"under": theirs.Digest(), "after": "P-1"})
	require.False(t, outdated(t, w), "hubs need not wait")
	var kept searchparam.Made
	require.NoError(t, json.Unmarshal([]byte(get("indexed")), &kept))
	assert.Equal(t, []string{"CarePlan.of-later", "CarePlan.review-due"}, kept.Behind(theirs))
	assert.Empty(t, get("indexing"))
	missing, err := w.Unindexed(t.Context())
	require.NoError(t, err)
	assert.Equal(t, []string{"CarePlan.review-due"}, missing)

	require.NoError(t, w.IndexBehind(t.Context(), nil))
	was := get("indexed")
	set("indexing", map[string]string{"under": made.Digest(), "after": "P-1"})
	require.False(t, outdated(t, w))
	assert.Equal(t, was, get("indexed"), "its own are left")
	assert.NotEmpty(t, get("indexing"), "and gone on with")
}
