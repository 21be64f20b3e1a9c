package receive_test

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/mapping"
	"nailbridge/mapping/resource"
)

// wrongs are mappers that write one thing which R4 does not allow.
type wrongMapper struct{ typ, was, now string }

var wrongs = map[string]wrongMapper{
	// R4 careplan.html: the status is one of request-status.
	"a wrong status": {"CarePlan", `"status":"active"`, `"status":"running"`},
	// R4 condition.html, con-4 and con-5.
	"an entered-in-error condition with an abatement": {"Condition", "{", `{"abatementString":"gone","verificationStatus":{"coding":[` +
		`{"system":"http://terminology.hl7.org/CodeSystem/condition-ver-status","code":"entered-in-error","display":"Entered in Error"}]},`},
}

// D2, held; D1.5: nor does what a wrong mapper makes of a merge, of either of its
// Patients: no half of it is published, and the mended mapper's retry takes it.
func TestD2_HeldForAWrongMapperOfMerges(t *testing.T) {
	for name, wrong := range map[string]struct{ was, now string }{
		// R4 valueset-link-type.html: the types of links are these four.
		"a link of no type of the one replaced":     {`"type":"replaced-by"`, `"type":"superseded"`},
		"a link of no type of the one who replaces": {`"type":"replaces"`, `"type":"absorbs"`},
		// R4 references.html: a link names a Patient that is there.
		"a link to nobody": {`"link":[{"other":{"reference":"Patient/`, `"link":[{"other":{"reference":"Patient/0`},
	} {
		t.Run(name, func(t *testing.T) {
			w := rt.New(t)
			w.At("2026-03-06T09:00:00Z")
			w.Send(of("P-1"))
			w.Send(of("P-2"))
			before := len(w.All("Provenance"))
			wrongMapper{"Patient", wrong.was, wrong.now}.spoil(t, w)
			require.Equal(t, receive.Held, w.Send(rt.Merge([]string{"P-2"})).Answer)
			assert.Equal(t, []string{"M-1"}, records(t, w, "held"))
			assert.Equal(t, 1, w.Meter.Held)
			assert.Empty(t, joined(w))
			assert.Len(t, w.All("Provenance"), before)
			done, err := w.RetryHeld(t.Context())
			require.NoError(t, err)
			assert.Equal(t, receive.Retried{Tried: 1, Kept: 1}, done, "a retry by the same mapper")
			w.Fold = nil
			done, err = w.RetryHeld(t.Context())
			require.NoError(t, err)
			assert.Equal(t, receive.Retried{Tried: 1, Accepted: 1}, done)
			assert.Equal(t, bothJoined, joined(w))
		})
	}
}

// spoil makes the mapper of a world a wrong one. The real check stands.
func spoil(t *testing.T, w *rt.World, name string) { wrongs[name].spoil(t, w) }

func (wrong wrongMapper) spoil(t *testing.T, w *rt.World) {
	w.Fold = func(s mapping.Settings, in mapping.PatientFold) (mapping.Result, error) {
		res, err := mapping.FoldPatient(s, in)
		for i, r := range res.Resources {
			if r.Type() != wrong.typ || !bytes.Contains(r.JSON(), []byte(wrong.was)) {
				continue
			}
			text := bytes.Replace(r.JSON(), []byte(wrong.was), []byte(wrong.now), 1)
			spoiled, err := resource.FromJSON(text)
			require.NoError(t, err)
			res.Resources[i] = spoiled
		}
		return res, err
	}
}

// D2, held: what a wrong mapper makes comes into the store on no way. The record
// is held, what was published stands and no half of a set is, it counts for the
// alarm, and the mended mapper's retry takes it.
func TestD2_HeldForAWrongMapper(t *testing.T) {
	for name := range wrongs {
		t.Run(name, func(t *testing.T) {
			w := rt.New(t)
			spoil(t, w, name)
			a := w.Send(rt.Surgery(wide(3)))
			require.Equal(t, receive.Held, a.Answer)
			assert.Equal(t, []string{"S-1"}, records(t, w, "held"))
			assert.Empty(t, w.Care(), "no half of a set")
			assert.Equal(t, 1, w.Meter.Held)
			done, err := w.RetryHeld(t.Context())
			require.NoError(t, err)
			assert.Equal(t, receive.Retried{Tried: 1, Kept: 1}, done, "a retry by the same mapper")

			w.Fold = nil
			done, err = w.RetryHeld(t.Context())
			require.NoError(t, err)
			assert.Equal(t, receive.Retried{Tried: 1, Accepted: 1}, done)
			assert.Len(t, w.Live("CarePlan"), 1)

			spoil(t, w, name)
			before := w.Published()
			a = w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(4)))
			require.Equal(t, receive.Held, a.Answer)
			assert.Equal(t, before["CarePlan/"+w.One("CarePlan").Ref.ID], w.Published()["CarePlan/"+w.One("CarePlan").Ref.ID])
			assert.Equal(t, "3", width(t, w), "the content before stands")
		})
	}
}

// So it is with what the clock, an acknowledgement and a new version of the
// mapping fold: nothing changes, and it is counted.
func TestD2_AWrongMapperChangesNothingLater(t *testing.T) {
	const name = "a wrong status"
	for way, do := range map[string]func(*testing.T, *rt.World){
		"tick": func(t *testing.T, w *rt.World) {
			_, _ = w.Tick(t.Context(), w.Now.AddDate(0, 0, 5))
		},
		"acknowledge": func(t *testing.T, w *rt.World) {
			f := flag(t, w.Send(rt.Review(rt.RedFlag)).Flags, "pus")
			spoil(t, w, name)
			shown, err := w.Acknowledge(t.Context(), "R-1", f.ID, ack(f, w.Now))
			require.NoError(t, err)
			assert.False(t, shown.Stands)
		},
		"re-map": func(t *testing.T, w *rt.World) {
			require.True(t, outdated(t, w))
			_, _ = w.Renew(t.Context())
		},
		"re-map at a pace": func(t *testing.T, w *rt.World) {
			dry, err := w.DryRemap(t.Context())
			require.NoError(t, err)
			assert.Equal(t, 1, dry.Failed)
			assert.Zero(t, w.Meter.FailedFolds, "a dry run alarms nobody")
			done, err := w.Remap(t.Context(), nil)
			require.NoError(t, err)
			assert.Equal(t, 1, done.Failed)
			mended := *w.Receiver
			mended.Fold = nil
			again, err := mended.Remap(t.Context(), nil)
			require.NoError(t, err)
			assert.Equal(t, 1, again.Patients, "the mended build tries again")
			assert.Zero(t, again.Failed)
		},
	} {
		t.Run(way, func(t *testing.T) {
			w := rt.New(t)
			w.Send(rt.Surgery())
			plan := w.One("CarePlan").VersionID
			if way != "acknowledge" {
				spoil(t, w, name)
				do(t, w)
				assert.Equal(t, plan, w.One("CarePlan").VersionID, "nothing was published")
			} else {
				do(t, w)
				assert.True(t, w.Issues("pus")[0].Open(), "nothing was published")
			}
			assert.Positive(t, w.Meter.FailedFolds, "and the alarm counts it")
		})
	}
}
