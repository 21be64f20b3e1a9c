package receive_test

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/fault"
	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// bad is a batch number on which the failing check of these tests stops.
const bad = "LX-BAD"

func badBatch(tree map[string]any) { rt.Set("/surgery/toes/0/block/agents/0/batch", bad)(tree) }

// failOn makes the check fail for every set that holds the text.
func failOn(w *rt.World, text string) {
	failFor(w, func(r resource.Resource) bool { return bytes.Contains(r.JSON(), []byte(text)) })
}

// failFor makes the check fail for the resources that are picked.
func failFor(w *rt.World, picked func(resource.Resource) bool) {
	w.Check = func(set []resource.Resource, exists func(resource.Ref) bool, t *terms.Terms, s terms.Setting) ([]validate.Checked, []validate.Issue) {
		for _, r := range set {
			if picked(r) {
				return nil, []validate.Issue{{Ref: r.Ref(), Key: "test-1", Path: r.Type() + ".batch", Text: "as the test wants"}}
			}
		}
		return validate.Check(set, exists, t, s)
	}
}

func records(t testing.TB, w *rt.World, mark string) []string {
	t.Helper()
	list, err := w.List(t.Context(), mark)
	require.NoError(t, err)
	out := []string{}
	for _, a := range list {
		out = append(out, a.Record)
	}
	return out
}

// D2: the first save is stored and published whole; the answer names every
// resource with its version, and every activity with its key.
func TestD2_StoredNamesEverythingMade(t *testing.T) {
	w := rt.New(t)
	a := w.Send(rt.Surgery())
	require.Equal(t, receive.Stored, a.Answer, a.Reasons)
	assert.True(t, a.Shared)
	published := w.Published()
	named := map[string]string{}
	for _, r := range a.Resources {
		assert.Equal(t, receive.Created, r.Change, r.Reference)
		named[r.Reference] = r.VersionID
	}
	for ref, r := range published {
		assert.Equal(t, r.VersionID, named[ref], ref)
	}
	for _, typ := range []string{
		"AllergyIntolerance", "BodyStructure", "CarePlan", "Condition", "Consent", "Device", "Encounter", "Goal", "Medication",
		"MedicationAdministration", "Observation", "Organization", "Patient", "Practitioner", "PractitionerRole", "Procedure", "Provenance",
	} {
		assert.NotEmpty(t, w.Live(typ), typ)
	}
	require.NotEmpty(t, a.Activities)
	assert.Equal(t, "day-2", a.Activities[0].Activity)
	assert.NotEmpty(t, a.Figures)
	assert.NotEmpty(t, a.Caution)

	// Sent again: nothing changes, and the answer still names it all.
	again := w.Send(rt.Surgery())
	assert.Equal(t, receive.Unchanged, again.Answer)
	assert.Len(t, again.Resources, len(published))
	for _, r := range again.Resources {
		assert.Equal(t, receive.Same, r.Change)
	}
}

// D2, R-ING-03: a change makes new versions of what changed and of nothing else.
func TestD2_OnlyWhatChangedGetsAVersion(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	before := w.Published()
	a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(2)))
	require.Equal(t, receive.Stored, a.Answer)
	after := w.Published()
	changed := 0
	for ref, r := range after {
		same := before[ref].VersionID == r.VersionID
		if !same {
			changed++
			assert.Equal(t, before[ref].Number+1, r.Number, ref)
		}
		assert.Equal(t, same, before[ref].Ref == r.Ref && bytes.Equal(before[ref].Body, r.Body), ref)
	}
	assert.Positive(t, changed)
	assert.Less(t, changed, 6, "one width")
}

// D2, waiting: a review before its surgery is kept and listed, shown to no hub,
// and tied when the surgery comes.
func TestD2_WaitingIsTiedWhenTheSurgeryComes(t *testing.T) {
	w := rt.New(t)
	a := w.Send(rt.Review(rt.Set("/sharing", "agreed")))
	assert.Equal(t, receive.Waiting, a.Answer)
	assert.Empty(t, w.Care())
	assert.Equal(t, []string{"R-1"}, records(t, w, "waiting"))

	a = w.Send(rt.Surgery())
	assert.Equal(t, receive.Stored, a.Answer)
	assert.Empty(t, records(t, w, "waiting"))
	plan := w.One("CarePlan")
	assert.Equal(t, "completed", rt.At(plan.Tree, "activity", 0, "detail", "status"))

	// The surgery goes again: the review waits again, and its Encounter is
	// entered in error with the rest.
	w.Send(rt.Surgery(rt.Saved("2026-03-04T12:00:00Z"), rt.Status("withdrawn")))
	assert.Equal(t, []string{"R-1"}, records(t, w, "waiting"))
	assert.Empty(t, w.Live("Encounter"))
}

// D2, waiting: with a red flag and sharing agreed, what a hub must know is
// there at once, with the ids that it keeps.
func TestD2_WaitingWithARedFlagIsPublishedAtOnce(t *testing.T) {
	w := rt.New(t)
	a := w.Send(rt.Review(rt.RedFlag, rt.Set("/sharing", "agreed")))
	require.Equal(t, receive.Waiting, a.Answer)
	for _, typ := range []string{"Patient", "Encounter", "Observation", "Provenance"} {
		assert.NotEmpty(t, w.Live(typ), typ)
	}
	require.Len(t, w.Issues("pus"), 1)
	assert.True(t, w.Issues("pus")[0].Open())
	for _, typ := range []string{"CarePlan", "Procedure", "Goal"} {
		assert.Empty(t, w.All(typ), typ)
	}
	encounter, issue := w.One("Encounter").Ref, w.Issues("pus")[0].Ref
	w.Send(rt.Surgery())
	assert.Len(t, w.Live("Encounter"), 2)
	assert.Contains(t, w.Published(), encounter.String())
	assert.Equal(t, issue, w.Issues("pus")[0].Ref)
}

// D2, waiting: a red flag alone opens no door; sharing must be agreed.
func TestD2_WaitingWithARedFlagNeedsAgreement(t *testing.T) {
	for name, edits := range map[string][]rt.Edit{
		"not stated": {rt.RedFlag},
		"declined":   {rt.RedFlag, rt.Set("/sharing", "declined")},
	} {
		t.Run(name, func(t *testing.T) {
			w := rt.New(t, func(s *mapping.Settings) { s.Clinic.ShareUnstated = "an agreement" })
			a := w.Send(rt.Review(edits...))
			assert.Equal(t, receive.Waiting, a.Answer)
			assert.Empty(t, w.Care())
			require.NotEmpty(t, a.Flags)
			assert.Equal(t, mapping.Critical, a.Flags[0].Level, "the clinic is told all the same")
		})
	}
}

// R-ING-02: the same save sent many times at once is stored once.
func TestTheSameSaveAtOnceIsStoredOnce(t *testing.T) {
	w := rt.New(t)
	const n = 10
	answers := make(chan receive.Kind, n)
	for range n {
		go func() {
			a, err := w.Receive(t.Context(), rt.Surgery(), false)
			assert.NoError(t, err)
			answers <- a.Answer
		}()
	}
	count := map[receive.Kind]int{}
	for range n {
		count[<-answers]++
	}
	assert.Equal(t, map[receive.Kind]int{receive.Stored: 1, receive.Unchanged: n - 1}, count)
	assert.EqualValues(t, 1, w.Seq())
}

// D2, held: our own output fails the check. The delivery is kept, the fold is
// made without it, its plan says so, and the alarm counts it.
func TestD2_HeldFoldsWithoutIt(t *testing.T) {
	w := rt.New(t)
	failOn(w, bad)
	w.Send(rt.Surgery(wide(3)))
	a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(4), badBatch))
	require.Equal(t, receive.Held, a.Answer)
	assert.Equal(t, "3", width(t, w), "the content before stands in")
	plan := w.One("CarePlan")
	assert.True(t, rt.Coded(rt.At(plan.Tree, "meta", "tag"), "newer-record-held"))
	require.Len(t, w.Issues("newer-record-held"), 1)
	assert.Equal(t, []string{"S-1"}, records(t, w, "held"))
	assert.Equal(t, 1, w.Meter.Held)
	assert.Zero(t, w.Meter.HeldRed)
	var reasons []string
	for _, r := range a.Reasons {
		reasons = append(reasons, r.Code+" "+r.Rule)
	}
	assert.Contains(t, reasons, "output-invalid test-1")
	assert.NotContains(t, w.Log.String(), "Marsh")
	assert.NotContains(t, w.Log.String(), "P-1")

	// Retried, it stays held while the fault stands: nothing new for the hub.
	seq := w.Seq()
	done, err := w.RetryHeld(t.Context())
	require.NoError(t, err)
	assert.Equal(t, receive.Retried{Tried: 1, Kept: 1}, done)
	assert.Equal(t, seq, w.Seq())
	assert.Equal(t, receive.Held, w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(4), badBatch)).Answer, "sent again")

	// The fault is mended: a retry publishes it.
	w.Check = nil
	done, err = w.RetryHeld(t.Context())
	require.NoError(t, err)
	assert.Equal(t, receive.Retried{Tried: 1, Accepted: 1}, done)
	assert.Equal(t, "4", width(t, w))
	assert.Empty(t, records(t, w, "held"))
	assert.False(t, rt.Coded(rt.At(w.One("CarePlan").Tree, "meta", "tag"), "newer-record-held"))
}

// D2, held: sent again after the fault was mended it is tried again too.
func TestD2_HeldIsTriedAgainWhenSentAgain(t *testing.T) {
	w := rt.New(t)
	failOn(w, bad)
	require.Equal(t, receive.Held, w.Send(rt.Surgery(badBatch)).Answer)
	assert.Empty(t, w.Care(), "nothing stands in for a first content")
	w.Check = nil
	assert.Equal(t, receive.Stored, w.Send(rt.Surgery(badBatch)).Answer)
	assert.NotEmpty(t, w.Care())
	assert.Empty(t, records(t, w, "held"))
}

// D2, held: a fault of the fold itself, even a panic, loses nothing.
func TestD2_HeldWhenTheFoldFails(t *testing.T) {
	for name, fail := range map[string]func() (mapping.Result, error){
		"error": func() (mapping.Result, error) { return mapping.Result{}, errors.New("Marsh") },
		"panic": func() (mapping.Result, error) { panic("Marsh") },
	} {
		t.Run(name, func(t *testing.T) {
			w := rt.New(t)
			w.Send(rt.Surgery(wide(3)))
			w.Fold = func(s mapping.Settings, in mapping.PatientFold) (mapping.Result, error) {
				for _, d := range in.Deliveries {
					if !d.Held && d.Record.Kind == "review" {
						return fail()
					}
				}
				return mapping.FoldPatient(s, in)
			}
			a := w.Send(rt.Review(rt.RedFlag))
			require.Equal(t, receive.Held, a.Answer)
			require.NotEmpty(t, a.Flags)
			assert.Equal(t, 1, w.Meter.HeldRed, "the second alarm")
			assert.NotContains(t, w.Log.String(), "Marsh", "the log holds no patient data")
			found := false
			for _, f := range a.Flags {
				found = found || f.Code == "pus" && f.Level == mapping.Critical
			}
			assert.True(t, found, "the clinic sees its red flag")
		})
	}
}

// D2, held: a held content that withdraws its record, or changes patient, toe,
// side, border or procedure, takes what stood in off at once.
func TestD2_HeldThatEndangersTakesTheOldSetOff(t *testing.T) {
	toe := func(name string, v any) rt.Edit { return rt.Set("/surgery/toes/0/"+name, v) }
	for name, edit := range map[string]rt.Edit{
		"withdraws": rt.Status("withdrawn"),
		"patient":   rt.Patient("P-2"),
		"side":      toe("side", "right"),
		"toe":       toe("digit", "2"),
		"border":    toe("borders/0/border", "medial"),
		"procedure": toe("borders/0/procedure", "nail-fold-wedge"),
	} {
		t.Run(name, func(t *testing.T) {
			w := rt.New(t)
			w.Send(rt.Surgery())
			w.Fold = func(s mapping.Settings, in mapping.PatientFold) (mapping.Result, error) {
				for _, d := range in.Deliveries {
					if !d.Held && strings.Contains(d.Record.Surgery.DressingText, bad) {
						return mapping.Result{}, errors.New("fails")
					}
				}
				return mapping.FoldPatient(s, in)
			}
			a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), rt.Set("/surgery/dressingText", bad), edit))
			require.Equal(t, receive.Held, a.Answer)
			for _, typ := range []string{"Procedure", "Observation", "CarePlan", "Encounter", "Condition", "MedicationAdministration"} {
				assert.Empty(t, w.Live(typ), typ)
				assert.NotEmpty(t, w.All(typ), typ+" is entered in error")
			}
		})
	}
}

// D2, held: when the fold fails with and without the arrival, what cannot wait
// is done all the same: its sharing value acts, and a withdrawal takes the case
// off.
func TestD2_HeldWhileEverythingFails(t *testing.T) {
	broken := func(w *rt.World) {
		w.Fold = func(mapping.Settings, mapping.PatientFold) (mapping.Result, error) {
			return mapping.Result{}, errors.New("fails")
		}
	}
	t.Run("declines", func(t *testing.T) {
		w := rt.New(t)
		w.Send(rt.Surgery())
		broken(w)
		a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), rt.Set("/sharing", "declined")))
		assert.Equal(t, receive.Held, a.Answer)
		assert.Empty(t, w.Care())
	})
	t.Run("withdraws", func(t *testing.T) {
		w := rt.New(t)
		w.Send(rt.Surgery())
		w.Send(rt.Surgery(rt.Record("S-2"), rt.Set("/surgery/start", "2026-02-02T10:00Z"), rt.Set("/surgery/end", nil)))
		require.Len(t, w.Live("CarePlan"), 2)
		broken(w)
		a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), rt.Status("withdrawn")))
		assert.Equal(t, receive.Held, a.Answer)
		assert.Len(t, w.Live("CarePlan"), 1, "of the other case")
	})
	t.Run("changes nothing of these", func(t *testing.T) {
		w := rt.New(t)
		w.Send(rt.Surgery(wide(3)))
		seq := w.Seq()
		broken(w)
		a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(4)))
		assert.Equal(t, receive.Held, a.Answer)
		assert.Equal(t, seq, w.Seq())
	})
}

// D2, held: the sharing value of a held content acts at once.
func TestD2_HeldThatDeclinesActsAtOnce(t *testing.T) {
	w := rt.New(t)
	failOn(w, bad)
	w.Send(rt.Surgery())
	a := w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), badBatch, rt.Set("/sharing", "declined")))
	require.Equal(t, receive.Held, a.Answer)
	assert.False(t, a.Shared)
	assert.Empty(t, w.Live("Patient"))
}

// D2, refused: kept with all reasons, listed with its age, an alarm of its own
// when a red flag can be read, and tried again on demand.
func TestD2_RefusedIsKeptAndListed(t *testing.T) {
	w := rt.New(t)
	a := w.Send(rt.Review(rt.RedFlag, rt.Set("/review/toes/0/side", "middle"), rt.Set("/review/toes/0/digit", "9")))
	require.Equal(t, receive.Refused, a.Answer)
	var pointers []string
	for _, r := range a.Reasons {
		pointers = append(pointers, r.Pointer)
	}
	assert.Contains(t, pointers, "/review/toes/0/side")
	assert.Contains(t, pointers, "/review/toes/0/digit")
	require.Len(t, a.Flags, 1)
	assert.Equal(t, "pus", a.Flags[0].Code)
	assert.Regexp(t, `^At the review of .*: [a-z].*\.$`, a.Flags[0].Text, "a sentence")
	shown := asJSON(t, a.Flags[0])
	assert.NotContains(t, shown, `"flag":`, "nothing that could be acknowledged")
	assert.NotContains(t, shown, `"inputsHash":`)
	assert.Equal(t, 1, w.Meter.Refused)
	assert.Equal(t, 1, w.Meter.RefRed)
	assert.Empty(t, w.Care())

	w.Now = w.Now.Add(time.Hour)
	list, err := w.List(t.Context(), "refused")
	require.NoError(t, err)
	require.Len(t, list, 1)
	assert.EqualValues(t, 3600, list[0].AgeSeconds)
	assert.JSONEq(t, asJSON(t, a.Reasons), asJSON(t, list[0].Reasons))
	assert.JSONEq(t, string(rt.Review(rt.RedFlag, rt.Set("/review/toes/0/side", "middle"), rt.Set("/review/toes/0/digit", "9"))), string(list[0].Content))

	done, err := w.RetryRefused(t.Context())
	require.NoError(t, err)
	assert.Equal(t, receive.Retried{Tried: 1, Kept: 1}, done)
	assert.Equal(t, []string{"R-1"}, records(t, w, "refused"))

	a = w.Send([]byte("{\"note\":\"\xff\""))
	assert.Equal(t, receive.Refused, a.Answer)
	assert.True(t, a.NotJSON)
	list, err = w.List(t.Context(), "refused")
	require.NoError(t, err)
	assert.Equal(t, []byte("{\"note\":\"\xff\""), list[1].Bytes, "kept byte for byte")
}

// D2, refused: a delivery that an older version of the bridge refused is
// accepted by a retry, and takes its place among the deliveries of its id.
func TestD2_RefusedIsAcceptedByANewerVersion(t *testing.T) {
	w := rt.New(t)
	keep := func(body []byte, hash string) {
		require.NoError(t, w.DB.Update(t.Context(), func(x store.Writer) error {
			_, err := x.PutDelivery(store.Delivery{
				Clinic: "north", Hash: hash, Received: w.Now, Body: body, Answer: "refused", Refused: true,
			})
			return err
		}))
	}
	keep(rt.Surgery(), "as an older version made it")
	done, err := w.RetryRefused(t.Context())
	require.NoError(t, err)
	assert.Equal(t, receive.Retried{Tried: 1, Accepted: 1}, done)
	assert.Empty(t, records(t, w, "refused"))
	assert.NotEmpty(t, w.Live("Procedure"))
	assert.Equal(t, receive.Unchanged, w.Send(rt.Surgery()).Answer, "the delivery is known under its own key")

	// Sent again and accepted before the retry: it leaves the list, and is not
	// folded twice.
	keep(rt.Surgery(), "another")
	done, err = w.RetryRefused(t.Context())
	require.NoError(t, err)
	assert.Equal(t, receive.Retried{Tried: 1, Accepted: 1}, done)
	assert.Empty(t, records(t, w, "refused"))
	assert.Empty(t, w.Issues("conflict-of-revisions"))
}

// D2.1: a record of another clinic is kept under none.
func TestD2_1_AnotherClinicsRecordIsKeptNowhere(t *testing.T) {
	w := rt.New(t)
	a, err := w.Receive(t.Context(), rt.Surgery(rt.Set("/clinic", "south")), false)
	assert.ErrorIs(t, err, receive.ErrClinic)
	assert.Equal(t, receive.Refused, a.Answer)
	assert.Equal(t, "south", a.Clinic)
	require.NotEmpty(t, a.Reasons)
	assert.Equal(t, "other-clinic", a.Reasons[0].Code)
	w.View(func(r store.Reader) error {
		for _, clinic := range []string{"north", "south"} {
			rows, err := r.Deliveries(clinic, "S-1")
			require.NoError(t, err)
			assert.Empty(t, rows)
		}
		return nil
	})
}

// D2.1: a record of another clinic shows its red flags and raises the alarm,
// in a dry run the first alone.
func TestD2_1_AnotherClinicsRecordShowsItsRedFlags(t *testing.T) {
	w := rt.New(t)
	south := rt.Review(rt.RedFlag, rt.Set("/clinic", "south"))
	for _, dry := range []bool{true, false} {
		a, err := w.Receive(t.Context(), south, dry)
		assert.ErrorIs(t, err, receive.ErrClinic)
		assert.Equal(t, dry, a.DryRun)
		require.Len(t, a.Flags, 1)
		assert.Equal(t, "pus", a.Flags[0].Code)
		want := 1
		if dry {
			want = 0
		}
		assert.Equal(t, want, w.Meter.RefRed)
	}
}

// D2.1: the red flags of a content that is folded are shown once, as the fold
// gives them; those of one that is not, as read.
func TestD2_1_RedFlagsAreShownOnce(t *testing.T) {
	w := rt.New(t)
	red := func(a receive.Answer) (out []mapping.Flag) {
		for _, f := range a.Flags {
			if f.Code == "pus" {
				out = append(out, f)
			}
		}
		return out
	}
	waiting := w.Send(rt.Review(rt.RedFlag, rt.Revision(2)))
	require.Equal(t, receive.Waiting, waiting.Answer)
	require.Len(t, red(waiting), 1)
	assert.NotEmpty(t, red(waiting)[0].ID)
	w.Send(rt.Surgery())
	again := w.Send(rt.Review(rt.RedFlag, rt.Revision(2)))
	require.Equal(t, receive.Unchanged, again.Answer)
	require.Len(t, red(again), 1)
	assert.NotEmpty(t, red(again)[0].ID)
	conflict := w.Send(rt.Review(rt.RedFlag, rt.Revision(2), rt.Set("/review/pain", 3)))
	require.Equal(t, receive.Conflict, conflict.Answer)
	if *conflict.Counts {
		assert.Len(t, red(conflict), 1)
	} else {
		assert.Len(t, red(conflict), 2, "of the content that counts, and of this one")
	}
	superseded := w.Send(rt.Review(rt.RedFlag, rt.Revision(1), rt.Set("/review/pain", 4)))
	require.Equal(t, receive.Superseded, superseded.Answer)
	assert.Len(t, red(superseded), 2, "of the content that counts, and of this one")
}

// A dry run gives the whole answer that would be given, each resource as it
// would be served, and writes nothing.
func TestDryRunGivesTheWholeAnswerAndWritesNothing(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery(wide(3)))
	shown := map[receive.Change]int{}
	for _, c := range []struct {
		kind receive.Kind
		body []byte
	}{
		{receive.Unchanged, rt.Surgery(wide(3))},
		{receive.Stored, rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(4))},
		{receive.Superseded, rt.Surgery(rt.Saved("2026-03-02T11:00:00Z"), wide(5))},
		{receive.Waiting, rt.Review(rt.Set("/review/surgery", "S-9"))},
		{receive.Refused, []byte("{")},
		{receive.Stored, rt.Surgery(rt.Saved("2026-03-02T11:40:00Z"), rt.Status("withdrawn"))},
		{receive.Stored, rt.Surgery(rt.Saved("2026-03-02T11:45:00Z"), rt.Set("/sharing", "declined"))},
	} {
		t.Run(string(c.kind), func(t *testing.T) {
			before := state(t, w)
			dry, err := w.Receive(t.Context(), c.body, true)
			require.NoError(t, err)
			assert.Equal(t, c.kind, dry.Answer)
			assert.True(t, dry.DryRun)
			assert.Equal(t, before, state(t, w))
			real, err := w.Receive(t.Context(), c.body, false)
			require.NoError(t, err)
			for i, x := range dry.Resources {
				ref, _ := resource.ParseRef(x.Reference)
				served, err := w.Read(ref)
				if x.Change == receive.Removed {
					assert.ErrorIs(t, err, store.ErrGone)
				} else {
					assert.NoError(t, err)
				}
				assert.Equal(t, string(served.Body), string(x.Resource), "%s %s", x.Change, ref)
				dry.Resources[i].Resource = nil
				shown[x.Change]++
			}
			dry.DryRun = false
			assert.Equal(t, real, dry)
		})
	}
	for _, c := range []receive.Change{receive.Created, receive.Updated, receive.Same, receive.EnteredInError, receive.Removed} {
		assert.Positive(t, shown[c], c)
	}
}

// state is everything that an intake could write, as text.
func state(t testing.TB, w *rt.World) string {
	t.Helper()
	return stateAt(t, "file:"+w.Path+"?mode=ro")
}

func stateAt(t testing.TB, dsn string) string {
	t.Helper()
	db, err := sql.Open("sqlite", dsn)
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	var out strings.Builder
	for _, table := range []string{"stamp", "resource", "version", "index_code", "index_text", "index_date", "delivery", "flag", "activity", "fact", "ack", "staff", "outbox", "mark"} {
		out.WriteString(table + "\n")
		dump(t, db, table, &out)
	}
	return out.String()
}

func dump(t testing.TB, db *sql.DB, table string, out *strings.Builder) {
	t.Helper()
	rows, err := db.QueryContext(context.WithoutCancel(t.Context()), "SELECT * FROM "+table+" ORDER BY 1, 2, 3")
	if err != nil && strings.Contains(err.Error(), "ORDER BY term out of range") {
		rows, err = db.QueryContext(context.WithoutCancel(t.Context()), "SELECT * FROM "+table+" ORDER BY 1, 2")
	}
	require.NoError(t, err)
	defer func() { require.NoError(t, rows.Close()) }()
	cols, err := rows.Columns()
	require.NoError(t, err)
	for rows.Next() {
		vals, ptrs := make([]sql.RawBytes, len(cols)), make([]any, len(cols))
		for i := range vals {
			ptrs[i] = &vals[i]
		}
		require.NoError(t, rows.Scan(ptrs...))
		for i, v := range vals {
			out.WriteString(cols[i] + "=" + string(v) + " ")
		}
		out.WriteString("\n")
	}
	require.NoError(t, rows.Err())
}

// D2, unavailable: a full disk, a locked database, a cancelled request.
func TestD2_UnavailableStoresNothing(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	before := state(t, w)
	t.Run("disk full", func(t *testing.T) {
		free := fault.FillDisk(t, 1<<20)
		_, err := w.Receive(t.Context(), rt.Review(rt.Set("/review/note", strings.Repeat("x", 1_000_000))), false)
		free()
		assert.ErrorIs(t, err, store.ErrUnavailable)
		assert.Equal(t, before, state(t, w))
	})
	t.Run("locked", func(t *testing.T) {
		other, err := sql.Open("sqlite", w.Path)
		require.NoError(t, err)
		defer func() { require.NoError(t, other.Close()) }()
		conn, err := other.Conn(t.Context())
		require.NoError(t, err)
		_, err = conn.ExecContext(t.Context(), "BEGIN EXCLUSIVE")
		require.NoError(t, err)
		_, err = w.Receive(t.Context(), rt.Review(), false)
		assert.ErrorIs(t, err, store.ErrUnavailable)
		_, err = conn.ExecContext(t.Context(), "ROLLBACK")
		require.NoError(t, err)
		require.NoError(t, conn.Close())
		assert.Equal(t, before, state(t, w))
	})
	t.Run("cancelled", func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		n := 0
		w.Fault = func(string) error {
			if n++; n == 20 {
				cancel()
			}
			return nil
		}
		_, err := w.Receive(ctx, rt.Review(), false)
		w.Fault = nil
		assert.ErrorIs(t, err, store.ErrUnavailable)
		assert.ErrorIs(t, err, context.Canceled)
		assert.Equal(t, before, state(t, w))
	})
	assert.Equal(t, receive.Stored, w.Send(rt.Review()).Answer, "and work goes on")
}

// asJSON is what a client sees of v.
func asJSON(t testing.TB, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	require.NoError(t, err)
	return string(b)
}

// D2: an answer names the resources of its record, and no other patient's: a
// withdrawal folds again whoever else the same staff treated.
func TestD2_AnAnswerNamesNobodyElse(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery(rt.Record("S-1"), rt.Patient("P-1")))
	second := w.Send(rt.Surgery(rt.Record("S-2"), rt.Patient("P-2"), rt.Saved("2026-03-02T11:21:00Z")))
	of := func(a receive.Answer) (out []string) {
		for _, r := range a.Resources {
			if strings.HasPrefix(r.Reference, "Patient/") || strings.HasPrefix(r.Reference, "AllergyIntolerance/") {
				out = append(out, r.Reference)
			}
		}
		return out
	}
	named := of(second)
	require.NotEmpty(t, named)
	withdrawn := w.Send(rt.Surgery(rt.Record("S-2"), rt.Patient("P-2"), rt.Saved("2026-03-02T11:22:00Z"), rt.Status("withdrawn")))
	for _, ref := range of(withdrawn) {
		assert.Contains(t, named, ref)
	}
	assert.Contains(t, strings.Join(func() (all []string) {
		for _, r := range withdrawn.Resources {
			all = append(all, r.Reference)
		}
		return all
	}(), " "), "Practitioner/", "staff are the clinic's, and named")
}
