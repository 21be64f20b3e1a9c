package receive_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/mapping"
)

// begin does what a start does with a store: what was held or refused is tried
// again, under other settings than those of before all is folded again, and
// windows that ended meanwhile are committed.
func begin(ctx context.Context, w *rt.World) error {
	if err := receive.Named(ctx, w.Store, []string{w.Settings.Clinic.ID}); err != nil {
		return err
	}
	stale, err := w.Outdated(ctx)
	if err != nil {
		return err
	}
	_, held := w.RetryHeld(ctx)
	_, refused := w.RetryRefused(ctx)
	var renewed error
	if stale {
		_, renewed = w.Renew(ctx)
	}
	_, ticked := w.Tick(ctx, w.Now)
	return errors.Join(held, refused, renewed, ticked)
}

// short leaves out of a surgery what takes long to fold.
var short = []rt.Edit{
	rt.Set("/surgery/toes/0/block", nil), rt.Set("/surgery/toes/0/perfusion", nil), rt.Set("/surgery/toes/0/tourniquets", nil),
	rt.Set("/surgery/toes/0/tourniquet", "not-used"), rt.Set("/surgery/allergies", nil), rt.Set("/surgery/weight", nil),
}

// stopped keeps a store in a file, as it was when the program stopped: a patient
// who is shared by a basis alone, a held surgery, and a refused record.
func stopped(t *testing.T) (path string) {
	w := rt.New(t, basis)
	require.NoError(t, begin(t.Context(), w))
	failOn(w, bad)
	w.Send(silent(short...))
	held := rt.Surgery(slices.Concat(short, []rt.Edit{rt.Record("S-2"), rt.Patient("P-2"), rt.Set("/patient/name/family", bad)})...)
	require.Equal(t, receive.Held, w.Send(held).Answer)
	require.Equal(t, receive.Refused, w.Send([]byte(`{"clinic": "north", "record": "S-3"}`)).Answer)
	path = filepath.Join(t.TempDir(), "stopped")
	require.NoError(t, w.DB.Backup(t.Context(), path, sqlite.Taken{}))
	return path
}

// startOf opens a copy of a stopped store, a month later, when the basis is gone
// and what held the surgery is mended.
func startOf(t *testing.T, path string) *rt.World {
	dir := t.TempDir()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "nailbridge.db"), b, 0o600))
	w := rt.In(t, dir, noBasis)
	w.At("2026-04-02T12:00:00Z")
	return w
}

// begun is what a start made: what a hub sees and in which versions, and what
// the clinic does.
func begun(t *testing.T, w *rt.World) map[string]any {
	versions := map[string]int64{}
	for ref, r := range w.Published() {
		if !mapping.FoldedPerClinic(r.Ref.Type) {
			versions[ref] = r.Number
		}
	}
	return map[string]any{
		"content": content(t, w), "versions": versions,
		"held": records(t, w, "held"), "refused": records(t, w, "refused"), "outdated": outdated(t, w),
	}
}

// The nth operation of the store fails, for every n of a start. It is told, and
// the next start makes what one makes to which nothing happened.
func TestD2_AStartThatFailsAtAnyOperation(t *testing.T) {
	path := stopped(t)
	unbroken := startOf(t, path)
	ops := 0
	unbroken.Fault = func(string) error { ops++; return nil }
	require.NoError(t, begin(t.Context(), unbroken))
	unbroken.Fault = nil
	want := begun(t, unbroken)
	require.Empty(t, want["held"])
	require.NotEmpty(t, unbroken.Issues("review-overdue"))
	require.Len(t, unbroken.Live("Patient"), 1)

	for n := range ops {
		w := startOf(t, path)
		i := 0
		w.Fault = func(string) error {
			if i++; i-1 == n {
				return errors.New("disk")
			}
			return nil
		}
		err := begin(t.Context(), w)
		w.Fault = nil
		if err == nil { // Renew only logs it
			assert.Contains(t, w.Log.String(), "tick failed", "operation %d", n+1)
		} else {
			assert.ErrorIs(t, err, store.ErrUnavailable, "operation %d", n+1)
		}
		require.NoError(t, begin(t.Context(), w), "after operation %d", n+1)
		require.Equal(t, want, begun(t, w), "after operation %d", n+1)
		require.NoError(t, w.DB.Close())
	}
	t.Logf("%d operations", ops)
}
