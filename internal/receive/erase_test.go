package receive_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/erasures"
	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

func ownerOf(value string) store.Owner {
	return store.Owner{Clinic: "north", Patient: mapping.PatientKey(record.Identifier{System: rt.PatientSystem, Value: value})}
}

// eraseAt erases a patient of the world at an instant.
func eraseAt(w *rt.World, value string, at time.Time) (done receive.Erased) {
	w.Helper()
	o := ownerOf(value)
	x := store.Erasure{Subject: erasures.Subject(w.Settings.Namespace, o), Reason: "order", Who: "Quill", At: at}
	require.NoError(w, w.DB.Update(w.Context(), func(tx store.Writer) (err error) {
		done, err = receive.Erase(tx, o, x, w.Now)
		return err
	}))
	require.NoError(w, w.DB.Scrub(w.Context()))
	return done
}

// Of an erased patient no file of the store holds a text; each resource is gone,
// every version too, and hubs are told once.
func TestEraseLeavesNothingReadable(t *testing.T) {
	const marker = "Zzyzxmarker"
	w := rt.New(t)
	theirs := []rt.Edit{rt.Record("S-" + marker), rt.Patient("P-" + marker), rt.Set("/patient/name/family", marker)}
	w.Send(rt.Surgery())
	w.Send(rt.Surgery(theirs...))
	w.Send(rt.Surgery(append(theirs, rt.Saved("2026-03-02T12:30:00Z"), rt.Set("/weight/kg", 71.0))...))
	w.Send(rt.Review(rt.Record("R-"+marker), rt.Set("/review/surgery", "S-"+marker), rt.Patient("P-"+marker), rt.RedFlag))
	w.Send(rt.Review(rt.Record("W-"+marker), rt.Set("/review/surgery", "unknown"), rt.Patient("P-"+marker)))
	w.Send([]byte(strings.Replace(string(rt.Surgery(theirs...)), "{", `{"clinic": 1, `, 1)))
	was := published(w)
	dir := filepath.Dir(w.Path)
	require.NotEmpty(t, filesHolding(t, dir, marker))
	events := len(outbox(w))

	done := eraseAt(w, "P-"+marker, w.Now)
	assert.Len(t, done.Deliveries, 5)
	require.NotEmpty(t, done.Made)
	assert.Empty(t, filesHolding(t, dir, marker))
	told := outbox(w)[events:]
	require.Len(t, told, 1)
	for _, v := range done.Made {
		w.View(func(r store.Reader) error {
			_, err := r.Read(v.Ref)
			assert.ErrorIs(t, err, store.ErrGone, v.Ref)
			h, err := r.History(store.HistoryQuery{Type: v.Ref.Type, ID: v.Ref.ID, Count: 10})
			require.Len(t, h.Versions, 1, v.Ref)
			assert.True(t, h.Versions[0].Deleted)
			return err
		})
		assert.Contains(t, string(told[0].JSON), v.Ref.String()+"/_history/"+v.VersionID)
	}
	gone := map[resource.Ref]bool{}
	for _, ref := range done.Resources {
		gone[ref] = true
	}
	for ref, body := range was {
		if !gone[ref] {
			assert.Equal(t, body, published(w)[ref], "of others")
		}
	}
	assert.NotEmpty(t, published(w))
	w.View(func(r store.Reader) error {
		for _, list := range []string{"refused", "held", "waiting", "superseded"} {
			ds, err := r.DeliveriesList("north", list)
			require.NoError(t, err)
			assert.Empty(t, ds, list)
		}
		owners, err := r.Owners("north")
		assert.Equal(t, []store.Owner{ownerOf("P-1")}, owners)
		return err
	})
	n, err := w.Tick(t.Context(), w.Now.AddDate(1, 0, 0))
	require.NoError(t, err)
	assert.Positive(t, n, "the other's reviews alone are overdue")
}

func outbox(w *rt.World) (es []store.Event) {
	w.View(func(r store.Reader) (err error) { es, err = r.Outbox("north", 0, 1000); return err })
	return es
}

func published(w *rt.World) map[resource.Ref]string {
	out := map[resource.Ref]string{}
	for _, typ := range []string{"Patient", "Procedure", "CarePlan", "Observation", "DetectedIssue", "Encounter"} {
		for _, r := range w.All(typ) {
			out[r.Ref] = string(r.Body)
		}
	}
	return out
}

func filesHolding(t *testing.T, dir, text string) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		require.NoError(t, err)
		if strings.Contains(string(b), text) {
			names = append(names, e.Name())
		}
	}
	return names
}

// D2, refused: what was saved before the erasure, or does not say when, is kept
// out and kept nowhere, whenever it comes; what was saved after it begins anew,
// under the same ids and higher versions (D8.3).
func TestD2_WhatWasSavedBeforeAnErasureIsKeptOut(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	patient := w.One("Patient")
	at := w.Now
	eraseAt(w, "P-1", at)
	seq := w.Seq()
	w.At("2026-04-01T10:00:00Z")
	a := w.Send(rt.Review(rt.RedFlag, rt.Saved("2026-03-02T11:30:00Z")))
	assert.Equal(t, receive.Refused, a.Answer)
	assert.NotEmpty(t, a.Flags, "a red flag is answered all the same")
	assert.Equal(t, 1, w.Meter.RefRed, "and alarmed")
	for name, body := range map[string][]byte{
		"the same":        rt.Surgery(),
		"another record":  rt.Surgery(rt.Record("S-9")),
		"at that instant": rt.Surgery(rt.Saved(at.Format(time.RFC3339Nano))),
		"no time at all":  rt.Surgery(rt.Set("/savedAt", nil), rt.Revision(3)),
		"a refused one":   rt.Surgery(rt.Status("no-such")),
	} {
		a := w.Send(body)
		assert.Equal(t, receive.Refused, a.Answer, name)
		require.NotEmpty(t, a.Reasons, name)
		assert.Equal(t, "erased", a.Reasons[0].Code, name)
		assert.Empty(t, a.Resources, name)
	}
	assert.Equal(t, seq, w.Seq())
	w.View(func(r store.Reader) error {
		n, _, err := r.Arrived("north")
		assert.Zero(t, n)
		return err
	})
	assert.Equal(t, receive.Stored, w.Send(rt.Surgery(rt.Patient("P-2"), rt.Record("S-2"))).Answer, "another patient")

	assert.Equal(t, receive.Stored, w.Send(rt.Surgery(rt.Saved(at.Add(time.Second).Format(time.RFC3339Nano)))).Answer)
	var again store.Version
	w.View(func(r store.Reader) (err error) { again, err = r.Read(patient.Ref); return err })
	assert.EqualValues(t, patient.Number+2, again.Number)
	w.View(func(r store.Reader) error {
		_, err := r.VRead(patient.Ref, patient.VersionID)
		assert.ErrorIs(t, err, store.ErrGone)
		return nil
	})
}

// A backup of before holds the patient: the list erases them again, whatever the
// way in which the data came back, and leaves others alone.
func TestD8_3_TheListOutlivesARestore(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	w.Send(rt.Surgery(rt.Record("S-2"), rt.Patient("P-2")))
	backup := filepath.Join(t.TempDir(), "backup")
	require.NoError(t, w.DB.Backup(t.Context(), backup, sqlite.Taken{}))
	eraseAt(w, "P-1", w.Now)
	list := []store.Erasure{{Subject: erasures.Subject(w.Settings.Namespace, ownerOf("P-1")), Reason: "order", Who: "Quill", At: w.Now}}

	dir, found := t.TempDir(), 0
	apply := func(db *sqlite.DB) (err error) {
		found, err = erasures.Apply(t.Context(), db, w.Settings.Namespace, list, func(tx store.Writer, o store.Owner, x store.Erasure) error {
			_, err := receive.Erase(tx, o, x, w.Now)
			return err
		})
		return err
	}
	_, err := sqlite.Restore(context.Background(), backup, sqlite.Options{Dir: dir}, "", w.Now, apply)
	require.NoError(t, err)
	assert.Equal(t, 1, found)
	assert.Empty(t, filesHolding(t, dir, `"P-1"`))
	assert.NotEmpty(t, filesHolding(t, dir, `"P-2"`))
	back := rt.In(t, dir)
	back.Now = w.Now
	assert.Equal(t, receive.Refused, back.Send(rt.Surgery()).Answer)
	assert.Len(t, back.All("Patient"), 1)
	require.NoError(t, apply(back.DB))
	assert.Zero(t, found, "done once")
}

// The files are freed of a clinic's only patient too, of whom there was but a
// draft: nothing else is stored of the clinic then.
func TestTheFilesAreFreedOfAClinicsOnlyPatient(t *testing.T) {
	const marker = "Zzyzxmarker"
	w := rt.New(t)
	w.Send(rt.Surgery(rt.Record("S-"+marker), rt.Patient("P-"+marker), rt.Set("/status", "draft")))
	dir := filepath.Dir(w.Path)
	require.NotEmpty(t, filesHolding(t, dir, marker))
	o := ownerOf("P-" + marker)
	list := []store.Erasure{{Subject: erasures.Subject(w.Settings.Namespace, o), Reason: "mistake", Who: "Quill", At: w.Now}}
	found, err := erasures.Apply(t.Context(), w.DB, w.Settings.Namespace, list, func(tx store.Writer, o store.Owner, x store.Erasure) error {
		_, err := receive.Erase(tx, o, x, w.Now)
		return err
	})
	require.NoError(t, err)
	assert.Equal(t, 1, found)
	assert.Empty(t, filesHolding(t, dir, marker))
}

// A record id that named the erased patient first and another later stays the
// other's.
func TestD1_5_EraseLeavesTheOtherPatientOfARecord(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	w.Send(rt.Surgery(rt.Patient("P-2"), rt.Saved("2026-03-02T12:30:00Z")))
	eraseAt(w, "P-1", w.Now)
	w.View(func(r store.Reader) error {
		ds, err := r.Deliveries("north", "S-1")
		require.Len(t, ds, 1)
		assert.Equal(t, ownerOf("P-2").Patient, ds[0].Patient)
		return err
	})
	stale, err := w.Stale(t.Context())
	require.NoError(t, err)
	assert.True(t, stale, "the other is folded again at the next start")
	done, err := w.Renew(t.Context())
	require.NoError(t, err)
	assert.Equal(t, receive.Renewed{Patients: 1}, done)
	require.NotEmpty(t, w.Live("Procedure"))
	assert.Len(t, w.Live("Procedure"), len(w.All("Procedure")))
}

// An identifier is found however a sender escapes it, in what breaks off too,
// and not where only a part of it stands.
func TestMentions(t *testing.T) {
	p := record.Identifier{System: "https://north.example/a&b", Value: "12"}
	for body, want := range map[string]bool{
		`{"system": "https://north.example/a&b", "value": "12"}`:              true,
		`{"system": "https:\/\/north.example\/a\u0026b", "value": "\u00312"}`: true,
		`[{"x": {"system": "https://north.example/a&b"}}, 12]`:                true,
		`{"value": "12", "system": "https://north.example/a&b", `:             true,
		`<"https://north.example/a&b" "12">`:                                  true,
		`{"system": "https://north.example/a&b", "value": "123"}`:             false,
		`{"system": "https://north.example/a", "value": "12"}`:                false,
		`{"value": "12"}`: false,
		``:                false,
	} {
		assert.Equal(t, want, receive.Mentions([]byte(body), p), body)
	}
}
