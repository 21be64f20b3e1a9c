package receive_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// flag finds the flag of an answer by its code.
func flag(t testing.TB, flags []mapping.Flag, code string) mapping.Flag {
	t.Helper()
	for _, f := range flags {
		if f.Code == code {
			return f
		}
	}
	var have []string
	for _, f := range flags {
		have = append(have, f.Code)
	}
	require.Failf(t, "no such flag", "%s among %v", code, have)
	return mapping.Flag{}
}

func hasFlag(flags []mapping.Flag, code string) bool {
	for _, f := range flags {
		if f.Code == code {
			return true
		}
	}
	return false
}

func millilitres(v float64) rt.Edit { return rt.Set("/surgery/toes/0/block/agents/0/mL", v) }

var surgeon = record.Person{
	Registration: &record.Identifier{System: "https://register.example/podiatry", Value: "R-9"},
	Name:         &record.Name{Family: "Sorrel"},
}

func ack(f mapping.Flag, at time.Time) receive.Acknowledgement {
	return receive.Acknowledgement{Who: surgeon, Reason: "seen and called", At: at, InputsHash: f.InputsHash}
}

// D1.3: an acknowledgement closes exactly the flag it was shown with; its
// author is the person.
func TestD1_3_AcknowledgementClosesTheFlag(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	f := flag(t, w.Send(rt.Review(rt.RedFlag)).Flags, "pus")
	assert.Equal(t, mapping.Critical, f.Level)
	require.True(t, w.Issues("pus")[0].Open())

	_, err := w.Acknowledge(t.Context(), "R-1", "no such flag", ack(f, w.Now))
	assert.ErrorIs(t, err, receive.ErrNoFlag)
	_, err = w.Acknowledge(t.Context(), "R-2", f.ID, ack(f, w.Now))
	assert.ErrorIs(t, err, receive.ErrNoFlag, "the flag of another record")

	shown, err := w.Acknowledge(t.Context(), "R-1", f.ID, ack(f, w.Now))
	require.NoError(t, err)
	require.NotNil(t, shown.Acknowledged)
	assert.Equal(t, "Sorrel", shown.Acknowledged.Who)
	issue := w.Issues("pus")[0]
	assert.False(t, issue.Open())
	assert.Equal(t, "final", issue.Tree["status"])
	author, _ := rt.At(issue.Tree, "mitigation", 0, "author", "reference").(string)
	require.True(t, strings.HasPrefix(author, "Practitioner/"), author)
	person := w.Published()[author]
	assert.Equal(t, "Sorrel", rt.At(person.Tree, "name", 0, "family"))

	// The same answer again, and any other change, leave it closed.
	before := state(t, w)
	_, err = w.Acknowledge(t.Context(), "R-1", f.ID, ack(f, w.Now))
	require.NoError(t, err)
	assert.Equal(t, before, state(t, w), "kept once")
	a := w.Send(rt.Review(rt.RedFlag, rt.Saved("2026-03-04T10:00:00Z"), rt.Set("/review/toes/0/pain", 7)))
	assert.NotNil(t, flag(t, a.Flags, "pus").Acknowledged)
	assert.Equal(t, issue.VersionID, w.Issues("pus")[0].VersionID)
	for _, fl := range w.Live("DetectedIssue") {
		assert.False(t, rt.Coded(rt.At(fl.Tree, "evidence", 0, "code"), "pus") && fl.Open())
	}
}

// D1.3: a change of the inputs opens the flag again; an acknowledgement of
// other inputs than the current ones is kept, answered as stale, and leaves it
// open. When the acknowledged inputs are back, it counts (D1.4).
func TestD1_3_AChangeOfTheInputsOpensTheFlagAgain(t *testing.T) {
	w := rt.New(t)
	const over = "anaesthetic-over-limit"
	twelve := w.Send(rt.Surgery(millilitres(12)))
	f := flag(t, twelve.Flags, over)
	_, err := w.Acknowledge(t.Context(), "S-1", f.ID, ack(f, w.Now))
	require.NoError(t, err)
	assert.False(t, w.Issues(over)[0].Open())

	a := w.Send(rt.Surgery(millilitres(13), rt.Saved("2026-03-02T11:30:00Z")))
	g := flag(t, a.Flags, over)
	assert.Equal(t, f.ID, g.ID)
	assert.NotEqual(t, f.InputsHash, g.InputsHash)
	assert.Nil(t, g.Acknowledged)
	assert.True(t, w.Issues(over)[0].Open())
	assert.Nil(t, w.Issues(over)[0].Tree["mitigation"])

	stale := ack(f, w.Now)
	stale.Reason = "late"
	seq := w.Seq()
	shown, err := w.Acknowledge(t.Context(), "S-1", f.ID, stale)
	assert.ErrorIs(t, err, receive.ErrStale)
	assert.Equal(t, g.InputsHash, shown.InputsHash, "the flag as it is now")
	assert.True(t, w.Issues(over)[0].Open())
	assert.Equal(t, seq, w.Seq())
	w.View(func(r store.Reader) error {
		acks, err := r.Acks(store.Owner{Clinic: "north", Patient: mapping.PatientKey(record.Identifier{System: rt.PatientSystem, Value: "P-1"})})
		require.Len(t, acks, 2)
		assert.Equal(t, []bool{false, true}, []bool{acks[0].Stale, acks[1].Stale})
		return err
	})

	a = w.Send(rt.Surgery(millilitres(12), rt.Saved("2026-03-02T11:40:00Z")))
	assert.NotNil(t, flag(t, a.Flags, over).Acknowledged)
	assert.False(t, w.Issues(over)[0].Open())
}

// D1.3: what the clinic knows of its staff comes from current contents and
// acknowledgements, whichever patient they concern; two patients' folds never
// disagree over a Practitioner.
func TestD1_3_StaffFollowsCurrentContents(t *testing.T) {
	w := rt.New(t)
	name := func(given string) rt.Edit {
		return rt.Set("/author/name", map[string]any{"family": "Quill", "given": []any{given}})
	}
	first := func() string {
		for _, r := range w.Live("Practitioner") {
			if rt.At(r.Tree, "identifier", 0, "value") == "R-1" {
				return rt.At(r.Tree, "name", 0, "given", 0).(string)
			}
		}
		return ""
	}
	w.Send(rt.Surgery(rt.Revision(2), rt.Saved("2026-03-02T11:30:00Z"), name("Ada")))
	w.Send(rt.Surgery(rt.Revision(1), rt.Saved("2026-03-02T11:50:00Z"), name("Eda")))
	assert.Equal(t, "Ada", first(), "the content that counts says so, whenever the other came")

	other := []rt.Edit{rt.Record("S-2"), rt.Patient("P-2"), rt.Revision(1), rt.Saved("2026-03-02T11:40:00Z")}
	w.Send(rt.Surgery(append(other, name("Ida"))...))
	assert.Equal(t, "Ida", first(), "the latest statement of the clinic")
	seq := w.Seq()
	w.Send(rt.Surgery(rt.Revision(2), rt.Saved("2026-03-02T11:30:00Z"), name("Ada")))
	assert.Equal(t, seq, w.Seq(), "folding the other patient changes nothing of it")

	w.Send(rt.Surgery(append(other, name("Ida"), rt.Revision(2), rt.Status("withdrawn"))...))
	assert.Equal(t, "Ada", first(), "a withdrawn record says nothing any more")
}

// D1.3: another surgery of the patient in the 24 hours before, whose record
// comes later, changes the dose flags of the first; one longer before, or
// another patient's, does not.
func TestD1_3_AnotherSurgeryWithin24HoursRefoldsTheFirst(t *testing.T) {
	second := func(at string, more ...rt.Edit) []byte {
		return rt.Surgery(append([]rt.Edit{
			rt.Record("S-2"), rt.Saved("2026-03-03T12:00:00Z"), millilitres(8),
			rt.Set("/surgery/start", at), rt.Set("/surgery/end", nil), rt.Set("/surgery/toes/0/block/agents/0/at", at),
			rt.Set("/surgery/toes/0/side", "right"), rt.Set("/surgery/toes/0/tourniquet", "not-used"), rt.Set("/surgery/toes/0/tourniquets", nil),
			rt.Set("/surgery/toes/0/perfusion", nil),
		}, more...)...)
	}
	for _, c := range []struct {
		name string
		body []byte
		over bool
	}{
		{"within 24 h: 60 mg and 160 mg are more than 200 mg", second("2026-03-01T11:00Z"), true},
		{"more than 24 h before", second("2026-03-01T09:00Z"), false},
		{"of another patient", second("2026-03-01T11:00Z", rt.Patient("P-2")), false},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := rt.New(t)
			a := w.Send(rt.Surgery())
			assert.False(t, hasFlag(a.Flags, "anaesthetic-over-limit"))
			w.At("2026-03-03T12:00:00Z")
			b := w.Send(c.body)
			assert.Equal(t, c.over, hasFlag(b.Flags, "anaesthetic-over-limit"), "whoever sends the second is told of the first")
			assert.False(t, hasFlag(w.Send(c.body).Flags, "anaesthetic-over-limit"), "sent again it raised nothing")
			look, err := w.Look(t.Context(), "S-1")
			require.NoError(t, err)
			assert.Equal(t, c.over, hasFlag(look.Flags, "anaesthetic-over-limit"))
			ofFirst := 0
			for _, i := range w.Issues("anaesthetic-over-limit") {
				if strings.Contains(string(i.Body), flagID(look.Flags, "anaesthetic-over-limit")) && c.over {
					ofFirst++
				}
			}
			assert.Equal(t, c.over, ofFirst == 1, "on the hub too")
		})
	}
}

func flagID(flags []mapping.Flag, code string) string {
	for _, f := range flags {
		if f.Code == code {
			return f.ID
		}
	}
	return "none"
}

// D1.3: demographics and allergies are folded per patient from all current
// contents; an allergy that its own record drops is entered in error.
func TestD1_3_DemographicsAndAllergiesOfThePatient(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	w.Send(rt.Review(rt.Set("/patient/phone", "+44 1632 960001"), rt.Set("/review/allergies",
		map[string]any{"status": "present", "items": []any{map[string]any{"key": "x", "substance": "phenol"}}})))
	p := w.One("Patient")
	assert.Equal(t, "Marsh", rt.At(p.Tree, "name", 0, "family"), "a review takes no name away")
	assert.Equal(t, "+44 1632 960001", rt.At(p.Tree, "telecom", 0, "value"))
	assert.Len(t, w.Live("AllergyIntolerance"), 2)

	w.Send(rt.Review(rt.Saved("2026-03-04T10:00:00Z")))
	assert.Len(t, w.Live("AllergyIntolerance"), 1)
	assert.Len(t, w.All("AllergyIntolerance"), 2)
	for _, r := range w.All("AllergyIntolerance") {
		if r.InError() {
			assert.Nil(t, r.Tree["clinicalStatus"], "ait-2")
		}
	}
}

// D1.3: a flag of the patient as a whole is shown with every record of the
// patient and can be acknowledged by any.
func TestD1_3_AFlagOfThePatientIsShownWithEveryRecord(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery()) // states an allergy
	a := w.Send(rt.Review(rt.Set("/review/allergies", map[string]any{"status": "none-known"})))
	f := flag(t, a.Flags, "contradiction")
	assert.Empty(t, f.Case+f.Record, "of the patient")
	for _, id := range []string{"S-1", a.Record} {
		look, err := w.Look(t.Context(), id)
		require.NoError(t, err)
		assert.Equal(t, f, flag(t, look.Flags, "contradiction"))
	}
	shown, err := w.Acknowledge(t.Context(), "S-1", f.ID, receive.Acknowledgement{
		Who: record.Person{StaffKey: "pod-1"}, Reason: "asked again", At: w.Now, InputsHash: f.InputsHash,
	})
	require.NoError(t, err)
	assert.NotNil(t, shown.Acknowledged)
	again := w.Send(rt.Surgery())
	assert.NotNil(t, flag(t, again.Flags, "contradiction").Acknowledged)
}

// D1.5: an amendment to another patient enters the old set in error, masked;
// its earlier versions answer 410; the new set appears; all in one commit. The
// review that still names the old patient waits with a critical flag.
func TestD1_5_ThePatientChangedByAnAmendment(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	w.Send(rt.Review())
	old := w.Published()
	patient := w.One("Patient").Ref
	w.Send(rt.Surgery(rt.Saved("2026-03-05T11:20:00Z"), rt.Patient("P-2"), rt.Set("/patient/name/family", "Fenn")))

	seq := w.Seq()
	for ref, was := range old {
		switch was.Ref.Type {
		case "Patient", "Practitioner", "PractitionerRole", "Organization", "Device":
			continue
		case "Consent":
			if rt.Coded(rt.At(was.Tree, "scope"), "patient-privacy") {
				continue // the patient's own statement on sharing, made in a record that named the patient (D3.1)
			}
		}
		now, err := w.Read(was.Ref)
		require.NoError(t, err, ref)
		assert.Equal(t, seq, now.Seq, ref)
		for _, mark := range []string{"LX-2207", "PH-310", "latex", "lateral", "T10:", "T09:", "Quill", "Vale", "weight", "S-1"} {
			if was.Ref.Type == "Observation" && mark == "weight" {
				continue // an Observation keeps its code
			}
			assert.NotContains(t, string(now.Body), mark, ref)
		}
		_, err = w.VRead(was.Ref, was.VersionID)
		assert.ErrorIs(t, err, store.ErrGone, ref)
		assert.Len(t, w.History(was.Ref), 1, "%s: the masked version alone", ref)
	}
	moved := w.Live("Procedure")
	require.NotEmpty(t, moved)
	for _, p := range moved {
		assert.Equal(t, seq, p.Seq)
		assert.NotEqual(t, patient.String(), rt.At(p.Tree, "subject", "reference"))
	}
	assert.Empty(t, w.Live("AllergyIntolerance")[1:], "the new patient's alone")

	assert.Equal(t, []string{"R-1"}, records(t, w, "waiting"))
	look, err := w.Look(t.Context(), "R-1")
	require.NoError(t, err)
	f := flag(t, look.Flags, "review-of-other-patient")
	assert.Equal(t, mapping.Critical, f.Level)
	list, err := w.FollowUp(t.Context(), receive.FollowUpQuery{State: "flagged"})
	require.NoError(t, err)
	found := false
	for _, e := range list.Entries {
		found = found || e.Flag.ID == f.ID
	}
	assert.True(t, found, "in the clinic's list")

	// Back again: same ids, higher versions; what was masked stays gone.
	w.Send(rt.Surgery(rt.Saved("2026-03-06T11:20:00Z")))
	for ref, was := range old {
		now, ok := w.Published()[ref]
		require.True(t, ok, ref)
		if mapping.FoldedPerClinic(was.Ref.Type) || was.Ref.Type == "Patient" || rt.Coded(rt.At(was.Tree, "scope"), "patient-privacy") {
			continue
		}
		assert.Greater(t, now.Number, was.Number, ref)
		_, err := w.VRead(was.Ref, was.VersionID)
		assert.ErrorIs(t, err, store.ErrGone, ref)
	}
	assert.Empty(t, records(t, w, "waiting"))
}

// D1.5, waiting: a review that came first and names another patient than its
// surgery, when that comes, is flagged critical for its own patient.
func TestD1_5_AReviewOfAnotherPatientThanItsSurgery(t *testing.T) {
	w := rt.New(t)
	a := w.Send(rt.Review(rt.Patient("P-2")))
	assert.Equal(t, receive.Waiting, a.Answer)
	assert.Equal(t, mapping.Note, flag(t, a.Flags, "surgery-unknown").Level)
	w.Send(rt.Surgery())
	look, err := w.Look(t.Context(), "R-1")
	require.NoError(t, err)
	assert.Equal(t, mapping.Critical, flag(t, look.Flags, "review-of-other-patient").Level)
	assert.Equal(t, "not-started", rt.At(w.One("CarePlan").Tree, "activity", 0, "detail", "status"), "it answers nothing of the other's plan")
	w.Send(rt.Review(rt.Saved("2026-03-04T10:00:00Z")))
	assert.Equal(t, "completed", rt.At(w.One("CarePlan").Tree, "activity", 0, "detail", "status"))
	assert.Empty(t, records(t, w, "waiting"))
}

// D1.5, D2: the answer to the amendment that gives a surgery to another patient
// names the critical flags that it raises for the one before, whose reviews wait
// now. They can be acknowledged by either record.
func TestD1_5_TheAmendmentIsToldOfTheReviewsItLeaves(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	w.Send(rt.Review())
	moved := rt.Surgery(rt.Patient("P-2"), rt.Saved("2026-03-05T11:00:00Z"))
	dry, err := w.Receive(t.Context(), moved, true)
	require.NoError(t, err)
	f := flag(t, dry.Flags, "review-of-other-patient")
	a := w.Send(moved)
	assert.Equal(t, receive.Stored, a.Answer)
	assert.Equal(t, f, flag(t, a.Flags, "review-of-other-patient"))
	assert.Equal(t, mapping.Critical, f.Level)
	assert.Equal(t, "R-1", f.Record)
	assert.NotEmpty(t, a.Caution)
	n := 0
	for _, x := range a.Flags {
		if x.Code == f.Code {
			n++
		}
	}
	assert.Equal(t, 1, n)
	assert.False(t, hasFlag(w.Send(moved).Flags, f.Code), "sent again it raised nothing")
	shown, err := w.Acknowledge(t.Context(), "S-1", f.ID, ack(f, w.Now))
	require.NoError(t, err)
	assert.True(t, shown.Stands)
}

// D1.3: of two acknowledgements of one flag given at the same time the first to
// come stands, in the flag and on the hub; the second is kept, and told so. One
// that was given earlier and comes later takes its place (D1.4), and says whose.
func TestD1_3_AnAcknowledgementIsNotReplacedSilently(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	f := flag(t, w.Send(rt.Review(rt.RedFlag)).Flags, "pus")
	by := func(family, key, reason string, at time.Time) (receive.Acknowledged, error) {
		return w.Acknowledge(t.Context(), "R-1", f.ID, receive.Acknowledgement{
			Who: record.Person{StaffKey: key, Name: &record.Name{Family: family}}, Reason: reason, At: at, InputsHash: f.InputsHash,
		})
	}
	at := w.Now
	first, err := by("Zand", "z", "seen", at)
	require.NoError(t, err)
	assert.True(t, first.Stands)
	assert.Empty(t, first.Note)
	seq := w.Seq()

	second, err := by("Adder", "a", "a reason that sorts first", at.In(time.FixedZone("", 3600)))
	require.NoError(t, err)
	assert.False(t, second.Stands)
	assert.Contains(t, second.Note, "this one is kept")
	assert.Equal(t, "Zand", second.Acknowledged.Who)
	assert.Equal(t, seq, w.Seq(), "nothing changes for a hub")
	again, err := by("Zand", "z", "seen", at)
	require.NoError(t, err)
	assert.True(t, again.Stands, "sent again")
	assert.Nil(t, again.Replaces)

	earlier, err := by("Early", "e", "by telephone", at.Add(-time.Minute))
	require.NoError(t, err)
	assert.True(t, earlier.Stands)
	require.NotNil(t, earlier.Replaces)
	assert.Equal(t, "Zand", earlier.Replaces.Who)
	assert.Equal(t, "Early", earlier.Acknowledged.Who)

	look, err := w.Look(t.Context(), "R-1")
	require.NoError(t, err)
	var kept []string
	for _, a := range look.Acknowledgements {
		assert.Equal(t, f.ID, a.Flag)
		kept = append(kept, fmt.Sprintf("%s %t", a.Who.StaffKey, a.Stands))
	}
	assert.Equal(t, []string{"z false", "a false", "e true"}, kept, "all are kept")
}

// D1.3: an acknowledgement can not be of a time before anything of the patient
// was saved, nor of one that is yet to come, with the room for clocks of D1.1;
// it would stand for good. Where a record does not say when it was saved any
// earlier time may be: the record may have been sent again.
func TestD1_3_AnAcknowledgementIsOfAPossibleTime(t *testing.T) {
	saved := time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		savedAt string // of the surgery; the review comes later
		at      time.Duration
		want    error
	}{
		"as it was saved":          {"2026-03-02T10:00:00Z", 0, nil},
		"by a clock that is slow":  {"2026-03-02T10:00:00Z", -10 * time.Minute, nil},
		"before it was saved":      {"2026-03-02T10:00:00Z", -11 * time.Minute, receive.ErrBeforeFlag},
		"years before":             {"2026-03-02T10:00:00Z", -50000 * time.Hour, receive.ErrBeforeFlag},
		"years before, not said":   {"", -50000 * time.Hour, nil},
		"by a clock that is fast":  {"2026-03-02T10:00:00Z", 24*time.Hour + 10*time.Minute, nil},
		"in a quarter of an hour":  {"2026-03-02T10:00:00Z", 24*time.Hour + 15*time.Minute, receive.ErrAhead},
		"in a quarter, not said":   {"", 24*time.Hour + 15*time.Minute, receive.ErrAhead},
		"at the flag's other date": {"2026-03-02T10:00:00Z", 23 * time.Hour, nil},
	} {
		w := rt.New(t)
		w.Now = saved
		savedAt := rt.Saved(c.savedAt)
		if c.savedAt == "" {
			savedAt = rt.Set("/savedAt", nil)
		}
		w.Send(rt.Surgery(rt.Revision(1), savedAt))
		w.Now = saved.Add(24 * time.Hour)
		f := flag(t, w.Send(rt.Review(rt.RedFlag, rt.Revision(1), rt.Saved("2026-03-03T10:00:00Z"))).Flags, "pus")
		_, err := w.Acknowledge(t.Context(), "R-1", f.ID, ack(f, saved.Add(c.at)))
		if c.want == nil {
			assert.NoError(t, err, name)
			continue
		}
		assert.ErrorIs(t, err, c.want, name)
		look, err := w.Look(t.Context(), "R-1")
		require.NoError(t, err)
		assert.Empty(t, look.Acknowledgements, "%s: it is not kept", name)
	}
}

// tick ticks at an instant and gives how many facts it stored.
func tick(t testing.TB, w *rt.World, at string) int {
	t.Helper()
	w.At(at)
	n, err := w.Tick(t.Context(), w.Now)
	require.NoError(t, err)
	return n
}

// D1.6, D4.2: the window of day-2 ends with 6 March; then, and not before, a
// tick says overdue; further ticks write nothing.
func TestD1_6_OverdueAppearsOnce(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	before := state(t, w)
	assert.Zero(t, tick(t, w, "2026-03-06T23:59:59Z"))
	assert.Equal(t, before, state(t, w))
	assert.Equal(t, 1, tick(t, w, "2026-03-07T00:00:00Z"))
	issues := w.Issues("review-overdue")
	require.Len(t, issues, 1)
	assert.True(t, issues[0].Open())
	plan := w.One("CarePlan")
	assert.Equal(t, plan.Ref.String(), rt.At(issues[0].Tree, "implicated", 0, "reference"))
	assert.Equal(t, "day-2", rt.At(issues[0].Tree, "implicated", 0, "extension", 0, "valueString"))

	after := state(t, w)
	for _, at := range []string{"2026-03-07T00:00:20Z", "2026-03-07T23:00:00Z"} {
		assert.Zero(t, tick(t, w, at))
		assert.Equal(t, after, state(t, w))
	}
	list, err := w.FollowUp(t.Context(), receive.FollowUpQuery{State: "overdue"})
	require.NoError(t, err)
	require.Len(t, list.Entries, 1)
	assert.Equal(t, "2026-03-06", list.Entries[0].End)
}

// D1.6: windows that ended while nothing ticked are all found by the next tick.
func TestD1_6_WindowsThatEndedMeanwhile(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	assert.Equal(t, 3, tick(t, w, "2026-03-25T00:00:00Z"), "day-2, week-1 and week-2")
	assert.Len(t, w.Issues("review-overdue"), 3)
}

// D4.3: decided by the date of attendance, not of arrival. Attended in the
// window but recorded late, the published overdue issue becomes entered in
// error; attended later, it stays final with mitigation, whichever arrived
// first.
func TestD4_3_LateRecordsAndLateAttendance(t *testing.T) {
	attended := func(at string) []byte {
		return rt.Review(rt.Saved("2026-03-08T12:00:00Z"), rt.Set("/review/at", at))
	}
	t.Run("recorded late", func(t *testing.T) {
		w := rt.New(t)
		w.Send(rt.Surgery())
		tick(t, w, "2026-03-07T00:00:00Z")
		was := w.Issues("review-overdue")[0].Ref
		w.At("2026-03-08T12:00:00Z")
		w.Send(attended("2026-03-06T16:00Z"))
		assert.Empty(t, w.Issues("review-overdue"))
		for _, r := range w.All("DetectedIssue") {
			if r.Ref == was {
				assert.Equal(t, "entered-in-error", r.Tree["status"])
				assert.False(t, r.Open())
			}
		}
		assert.Zero(t, tick(t, w, "2026-03-08T13:00:00Z"))
	})
	for _, first := range []string{"tick first", "record first"} {
		t.Run("attended late, "+first, func(t *testing.T) {
			w := rt.New(t)
			w.Send(rt.Surgery())
			if first == "tick first" {
				tick(t, w, "2026-03-07T00:00:00Z")
			}
			w.At("2026-03-08T12:00:00Z")
			w.Send(attended("2026-03-08T09:00Z"))
			tick(t, w, "2026-03-08T13:00:00Z")
			issues := w.Issues("review-overdue")
			require.Len(t, issues, 1)
			assert.Equal(t, "final", issues[0].Tree["status"])
			assert.NotEmpty(t, issues[0].Tree["mitigation"])
			assert.False(t, issues[0].Open())
			assert.Equal(t, "completed", rt.At(w.One("CarePlan").Tree, "activity", 0, "detail", "status"))
		})
	}
}

// D1.6: a fold of ours that fails keeps no other patient from theirs, and is
// tried again at the next tick.
func TestD1_6_ATickThatFailsIsTriedAgain(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	w.Send(rt.Surgery(rt.Record("S-2"), rt.Patient("P-2")))
	w.Fold = func(s mapping.Settings, in mapping.PatientFold) (mapping.Result, error) {
		if in.Patient.Value == "P-1" {
			panic("fails")
		}
		return mapping.FoldPatient(s, in)
	}
	w.At("2026-03-07T00:00:00Z")
	n, err := w.Tick(t.Context(), w.Now)
	assert.ErrorIs(t, err, store.ErrUnavailable)
	assert.Equal(t, 1, n)
	assert.Len(t, w.Issues("review-overdue"), 1)
	w.Fold = nil
	assert.Equal(t, 1, tick(t, w, "2026-03-07T00:00:20Z"))
	assert.Len(t, w.Issues("review-overdue"), 2)
}
