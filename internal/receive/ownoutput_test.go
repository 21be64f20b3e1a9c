package receive_test

import (
	"database/sql"
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

func isProvenance(r resource.Resource) bool { return r.Type() == "Provenance" }

func isInError(r resource.Resource) bool {
	return strings.Contains(string(r.JSON()), "entered-in-error")
}

// D2, held: what a commit adds of its own is our output too. A delivery whose
// Provenance does not pass is kept and held, never refused for ever as
// unavailable, and what was published before stands.
func TestD2_HeldForItsProvenance(t *testing.T) {
	w := rt.New(t)
	failFor(w, isProvenance)
	a := w.Send(rt.Surgery(wide(3)))
	require.Equal(t, receive.Held, a.Answer)
	assert.Equal(t, []string{"S-1"}, records(t, w, "held"))
	assert.Empty(t, w.Care(), "the fold without it is empty")
	w.Check = nil
	done, err := w.RetryHeld(t.Context())
	require.NoError(t, err)
	assert.Equal(t, receive.Retried{Tried: 1, Accepted: 1}, done)

	seq := w.Seq()
	failFor(w, isProvenance)
	a = w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(4)))
	require.Equal(t, receive.Held, a.Answer)
	assert.Equal(t, "3", width(t, w), "the content before stands")
	assert.Equal(t, seq, w.Seq())
	assert.Equal(t, 2, w.Meter.Held)
	done, err = w.RetryHeld(t.Context())
	require.NoError(t, err, "a fault of ours is no fault of the store")
	assert.Equal(t, receive.Retried{Tried: 1, Kept: 1}, done)
	w.Check = nil
	_, err = w.RetryHeld(t.Context())
	require.NoError(t, err)
	assert.Equal(t, "4", width(t, w))
}

// D2, held: a withdrawal takes the case off at once, also where it cannot be
// shown as entered in error: then it is removed.
func TestD2_HeldForWhatIsEnteredInError(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	failFor(w, isInError)
	a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), rt.Status("withdrawn")))
	require.Equal(t, receive.Held, a.Answer)
	assert.Empty(t, w.All("CarePlan"))
	assert.Empty(t, w.All("Procedure"))

	w.Check = nil
	_, err := w.RetryHeld(t.Context())
	require.NoError(t, err)
	assert.Empty(t, w.Live("CarePlan"))
	again := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:40:00Z")))
	assert.Equal(t, receive.Stored, again.Answer)
	assert.Len(t, w.Live("CarePlan"), 1, "a final after a withdrawal publishes again (D1.1)")
}

// D1.5, D2: so does an amendment that names another patient.
func TestD2_HeldForWhatIsMasked(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	plan := w.One("CarePlan")
	failFor(w, isInError)
	a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), rt.Patient("P-2")))
	require.Equal(t, receive.Held, a.Answer)
	assert.Empty(t, w.All("CarePlan"))
	_, err := w.VRead(plan.Ref, plan.VersionID)
	assert.ErrorIs(t, err, store.ErrGone, "what it said of the wrong patient")

	w.Check = nil
	_, err = w.RetryHeld(t.Context())
	require.NoError(t, err)
	require.Len(t, w.Live("CarePlan"), 1)
	assert.NotEqual(t, plan.Ref, w.One("CarePlan").Ref, "the patient is part of the id")
}

// D1.3: a person's word is kept whatever becomes of the fold, and the next
// start folds with it.
func TestD1_3_AnAcknowledgementIsKeptWhenTheFoldFails(t *testing.T) {
	for name, breaks := range map[string]func(*rt.World){
		"fold": func(w *rt.World) {
			w.Fold = func(mapping.Settings, mapping.PatientFold) (mapping.Result, error) {
				return mapping.Result{}, errors.New("fails")
			}
		},
		"provenance": func(w *rt.World) { failFor(w, isProvenance) },
	} {
		t.Run(name, func(t *testing.T) {
			w := rt.New(t)
			require.False(t, outdated(t, w))
			w.Send(rt.Surgery())
			f := flag(t, w.Send(rt.Review(rt.RedFlag)).Flags, "pus")
			breaks(w)
			shown, err := w.Acknowledge(t.Context(), "R-1", f.ID, ack(f, w.Now))
			require.NoError(t, err)
			assert.False(t, shown.Stands)
			assert.Contains(t, shown.Note, "is kept")
			assert.Nil(t, shown.Acknowledged)
			assert.Equal(t, 1, w.Meter.FailedFolds)
			assert.True(t, w.Issues("pus")[0].Open())

			w.Check, w.Fold = nil, nil // mended, and started again
			require.True(t, outdated(t, w))
			renew(t, w)
			assert.False(t, w.Issues("pus")[0].Open())
		})
	}
}

// A panic of ours in the check holds the delivery.
func TestD2_HeldForAPanic(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery(wide(3)))
	w.Check = func([]resource.Resource, func(resource.Ref) bool, *terms.Terms, terms.Setting) ([]validate.Checked, []validate.Issue) {
		panic("Marsh")
	}
	a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(4)))
	require.Equal(t, receive.Held, a.Answer)
	assert.NotContains(t, w.Log.String(), "Marsh")
	assert.Equal(t, []string{"S-1"}, records(t, w, "held"))
	w.Check = nil
	assert.Equal(t, "3", width(t, w))
}

// A record on which our own reading fails is refused and kept, for a version that
// can read it.
func TestD2_RefusedForAFaultOfOurs(t *testing.T) {
	w := rt.New(t)
	zone := w.Settings.Clinic.Zone
	w.Settings.Clinic.Zone = nil // no time can be read
	a, err := w.Receive(t.Context(), rt.Surgery(), false)
	require.NoError(t, err)
	require.Equal(t, receive.Refused, a.Answer)
	assert.Equal(t, "internal", a.Reasons[0].Code)
	w.Settings.Clinic.Zone = zone
	assert.Len(t, records(t, w, "refused"), 1)
	w.At("2026-03-02T12:10:00Z")
	done, err := w.RetryRefused(t.Context())
	require.NoError(t, err)
	assert.Equal(t, receive.Retried{Tried: 1, Accepted: 1}, done)
	assert.Len(t, w.Live("CarePlan"), 1)
}

// What is stored of one patient and cannot be read keeps no other from being
// folded again, and sharing still ends where it must.
func TestOneUnreadablePatientIsNoOthersFault(t *testing.T) {
	w := rt.New(t, basis)
	require.False(t, outdated(t, w))
	w.Send(silent())
	w.Send(silent(rt.Record("S-2"), rt.Patient("P-2")))
	f := flag(t, w.Send(rt.Review(rt.RedFlag)).Flags, "pus")
	_, err := w.Acknowledge(t.Context(), "R-1", f.ID, ack(f, w.Now))
	require.NoError(t, err)
	db, err := sql.Open("sqlite", w.Path)
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	_, err = db.ExecContext(t.Context(), `UPDATE ack SET json = x'6e6f'`)
	require.NoError(t, err)

	a := w.Send(silent(rt.Saved("2026-03-02T11:30:00Z")))
	assert.Equal(t, receive.Held, a.Answer, "kept all the same")
	set(w, noBasis)
	require.Equal(t, receive.Renewed{Patients: 2, Failed: 1}, renew(t, w))
	assert.Empty(t, w.Live("CarePlan"), "neither is shared any more")
}

// D2, held: a patient of the same staff whose fold fails already holds nobody
// else's record, and is folded again at the next start.
func TestD2_AnotherPatientsFaultHoldsNothing(t *testing.T) {
	w := rt.New(t)
	require.False(t, outdated(t, w))
	w.Send(rt.Surgery())
	other := []rt.Edit{rt.Record("S-2"), rt.Patient("P-2"), rt.Set("/author/name", map[string]any{"family": "Quill", "given": []any{"Ida"}})}
	w.Send(rt.Surgery(other...))
	require.Len(t, w.Live("CarePlan"), 2)
	w.Fold = func(s mapping.Settings, in mapping.PatientFold) (mapping.Result, error) {
		if in.Patient.Value == "P-1" {
			return mapping.Result{}, errors.New("fails")
		}
		return mapping.FoldPatient(s, in)
	}
	a := w.Send(rt.Surgery(append(other, rt.Saved("2026-03-02T11:30:00Z"), rt.Status("withdrawn"))...))
	assert.Equal(t, receive.Stored, a.Answer)
	assert.Len(t, w.Live("CarePlan"), 1, "of the first patient, as it was")
	w.Fold = nil
	assert.True(t, outdated(t, w))
}

// One held delivery that fails again keeps no other from its turn.
func TestD2_ARetryGoesOnAfterAFailure(t *testing.T) {
	w := rt.New(t)
	failOn(w, bad)
	w.Send(rt.Surgery(badBatch))
	w.Send(rt.Surgery(badBatch, rt.Record("S-2"), rt.Patient("P-2")))
	require.Equal(t, []string{"S-1", "S-2"}, records(t, w, "held"))
	failed := false // the first Provenance alone: that of the first retry
	failFor(w, func(r resource.Resource) bool {
		first := isProvenance(r) && !failed
		failed = failed || first
		return first
	})
	done, err := w.RetryHeld(t.Context())
	require.NoError(t, err)
	assert.Equal(t, receive.Retried{Tried: 2, Accepted: 1, Kept: 1}, done)
	assert.Equal(t, []string{"S-1"}, records(t, w, "held"))
	assert.Equal(t, 1, w.Meter.FailedFolds)
}

// A patient who cannot be folded afresh stands on the follow-up list as stored,
// and takes no other from it.
func TestFollowUpAfreshWithoutOnePatient(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	w.Send(rt.Surgery(rt.Record("S-2"), rt.Patient("P-2")))
	w.At("2026-03-16T09:00:00Z")
	want, err := w.FollowUp(t.Context(), receive.FollowUpQuery{})
	require.NoError(t, err)
	require.NotEmpty(t, want.Entries)
	w.Fold = func(s mapping.Settings, in mapping.PatientFold) (mapping.Result, error) {
		if in.Patient.Value == "P-2" {
			return mapping.Result{}, errors.New("fails")
		}
		return mapping.FoldPatient(s, in)
	}
	list, err := w.FollowUp(t.Context(), receive.FollowUpQuery{Afresh: true})
	require.NoError(t, err)
	cases := map[string]int{}
	for _, e := range list.Entries {
		cases[e.Surgery]++
	}
	assert.NotZero(t, cases["S-1"])
	assert.NotZero(t, cases["S-2"])
}
