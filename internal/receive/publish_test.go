package receive_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

func unstated(s *mapping.Settings) { s.Clinic.ShareUnstated = "the region's agreement on direct care" }

// D3.1: never stated, the setting decides, and the answer says so.
func TestD3_1_NeverStated(t *testing.T) {
	unsaid := rt.Set("/sharing", nil)
	w := rt.New(t)
	a := w.Send(rt.Surgery(unsaid))
	assert.Equal(t, receive.Stored, a.Answer)
	assert.False(t, a.Shared)
	assert.Contains(t, a.Sharing, "never stated")
	assert.NotEmpty(t, a.Figures, "the clinic's own answer has it all")
	assert.Empty(t, a.Resources)
	assert.Zero(t, w.Seq(), "nothing for a hub, not even that something came")

	w = rt.New(t, unstated)
	a = w.Send(rt.Surgery(unsaid))
	assert.True(t, a.Shared)
	assert.Contains(t, a.Sharing, "the region's agreement on direct care")
	assert.NotEmpty(t, w.Live("Patient"))
}

// D3.1: a word on sharing that cannot be read is no "never stated": the patient
// is not shared until a readable one comes, and a critical flag says so.
func TestD3_1_AnUnreadableWordFailsClosed(t *testing.T) {
	w := rt.New(t, unstated)
	a := w.Send(rt.Surgery(rt.Set("/sharing", "Declined")))
	assert.Equal(t, receive.Stored, a.Answer, "D2.1: kept, the rest used")
	assert.False(t, a.Shared)
	assert.Contains(t, a.Sharing, "cannot be read")
	assert.Equal(t, mapping.Critical, flag(t, a.Flags, "sharing-unreadable").Level)
	assert.Empty(t, every(t, w))

	a = w.Send(rt.Review(rt.Set("/sharing", "agreed")))
	assert.True(t, a.Shared, "a readable word came")
	assert.False(t, hasFlag(a.Flags, "sharing-unreadable"))
	assert.NotEmpty(t, w.Care())

	a = w.Send(rt.Review(rt.Set("/sharing", []any{"agreed"}), rt.Saved("2026-03-05T10:00:00Z")))
	assert.False(t, a.Shared, "shared, and then something else")
	assert.Empty(t, w.Care())
	assert.False(t, w.Send(rt.Review(rt.Set("/sharing", nil), rt.Saved("2026-03-06T10:00:00Z"))).Shared, "absent overrides nothing")
}

// D3.1: a refused record whose clinic and patient can be read says no to sharing
// at once, and never yes.
func TestD3_1_ARefusedRecordEndsSharing(t *testing.T) {
	broken := rt.Set("/review/toes/0/side", "lift")
	for _, c := range []struct {
		name   string
		edits  []rt.Edit
		shared bool
	}{
		{"declined", []rt.Edit{broken, rt.Set("/sharing", "declined")}, false},
		{"unreadable", []rt.Edit{broken, rt.Set("/sharing", "no")}, false},
		{"without a time", []rt.Edit{broken, rt.Set("/sharing", "declined"), rt.Set("/savedAt", nil)}, false},
		{"agreed", []rt.Edit{broken, rt.Set("/sharing", "agreed")}, true},
		{"saved before the surgery's word", []rt.Edit{broken, rt.Set("/sharing", "declined"), rt.Saved("2026-03-01T10:00:00Z")}, true},
		{"a draft", []rt.Edit{broken, rt.Set("/sharing", "declined"), rt.Status("draft")}, true},
		{"of a patient that cannot be read", []rt.Edit{rt.Set("/sharing", "declined"), rt.Set("/patient/identifier/system", "no system")}, true},
		{"of another patient", []rt.Edit{broken, rt.Set("/sharing", "declined"), rt.Patient("P-2")}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := rt.New(t)
			w.Send(rt.Surgery())
			require.NotEmpty(t, w.Care())
			a := w.Send(rt.Review(c.edits...))
			require.Equal(t, receive.Refused, a.Answer)
			assert.Equal(t, c.shared, len(w.Care()) > 0)
			if !c.shared {
				assert.NotEmpty(t, a.Sharing, "the answer says so")
				b := w.Send(rt.Review(rt.Set("/sharing", "agreed"), rt.Saved("2026-03-20T10:00:00Z")))
				assert.True(t, b.Shared, "until a later record agrees")
			}
		})
	}
}

// D3.1: what stands only in a record that is not itself published reaches no
// Practitioner and no PractitionerRole, though a shared record names the same
// person; once the record is shared it does, and when sharing is declined it is
// taken back.
func TestD3_1_StaffIsFoldedFromWhatIsPublishedAlone(t *testing.T) {
	w := rt.New(t)
	person := map[string]any{"registration": map[string]any{"system": "https://register.example/podiatry", "value": "R-1"}}
	named := map[string]any{"registration": person["registration"], "staffKey": "pod-1", "name": map[string]any{"family": "Hidden"}, "role": "podiatrist"}
	other := func(sharing, saved string) []byte {
		return rt.Surgery(rt.Record("S-2"), rt.Patient("P-2"), rt.Set("/author", named), rt.Set("/sharing", sharing), rt.Saved(saved))
	}
	bare := rt.Surgery(rt.Set("/author", person), rt.Set("/surgery/operator", person))
	says := func() (out []string) {
		for _, r := range append(w.Live("Practitioner"), w.Live("PractitionerRole")...) {
			for _, word := range []string{"Hidden", "pod-1", "podiatrist"} {
				if strings.Contains(string(r.Body), word) {
					out = append(out, r.Ref.Type+" "+word)
				}
			}
		}
		return out
	}
	w.Send(other("declined", "2026-03-02T11:30:00Z"))
	w.Send(bare)
	require.NotEmpty(t, w.Live("Practitioner"), "the shared record names the person")
	assert.Empty(t, says(), "the other record is not shared")

	w.Send(other("agreed", "2026-03-02T11:40:00Z"))
	assert.Equal(t, []string{"Practitioner Hidden", "Practitioner pod-1", "PractitionerRole Hidden", "PractitionerRole podiatrist"}, says(), "twin: shared")

	w.Send(other("declined", "2026-03-02T11:50:00Z"))
	assert.Empty(t, says(), "declined again")

	// A visit that waits, without a red flag, is not published either.
	w.Send(rt.Review(rt.Record("R-9"), rt.Set("/review/surgery", "S-9"), rt.Set("/author", named)))
	w.Send(bare)
	assert.Empty(t, says(), "waiting")
	w.Send(rt.Review(rt.Record("R-9"), rt.Set("/review/surgery", "S-9"), rt.Set("/author", named), rt.RedFlag, rt.Saved("2026-03-05T09:00:00Z")))
	assert.NotEmpty(t, says(), "twin: waiting and published for its red flag")
}

// D3.1: an acknowledgement of a flag that is not published names nobody either.
func TestD3_1_WhoAcknowledgedWhatIsNotPublishedIsNotNamed(t *testing.T) {
	for _, sharing := range []string{"declined", "agreed"} {
		w := rt.New(t)
		person := map[string]any{"registration": map[string]any{"system": surgeon.Registration.System, "value": surgeon.Registration.Value}}
		w.Send(rt.Surgery(rt.Set("/author", person)))
		a := w.Send(rt.Surgery(rt.Record("S-2"), rt.Patient("P-2"), millilitres(15), rt.Set("/sharing", sharing)))
		f := flag(t, a.Flags, "anaesthetic-over-limit")
		_, err := w.Acknowledge(t.Context(), "S-2", f.ID, ack(f, w.Now))
		require.NoError(t, err)
		w.Send(rt.Surgery(rt.Set("/author", person), rt.Saved("2026-03-02T12:30:00Z")))
		found := false
		for _, r := range w.Live("Practitioner") {
			found = found || strings.Contains(string(r.Body), "Sorrel")
		}
		assert.Equal(t, sharing == "agreed", found, sharing)
	}
}

// every gives every resource of patients that was ever put, by reference.
func every(t testing.TB, w *rt.World) map[string]rt.Resource {
	t.Helper()
	out := map[string]rt.Resource{}
	for _, typ := range searchparam.CareTypes() {
		if mapping.FoldedPerClinic(typ) {
			continue
		}
		for _, r := range w.All(typ) {
			out[r.Ref.String()] = r
		}
	}
	return out
}

// D3.1: declined from the start, nothing of the patient exists for a hub.
func TestD3_1_DeclinedFromTheStart(t *testing.T) {
	w := rt.New(t, unstated)
	w.Send(rt.Surgery(rt.Set("/sharing", "declined")))
	assert.Empty(t, every(t, w))
	agreed := rt.New(t)
	agreed.Send(rt.Surgery())
	for _, r := range every(t, agreed) {
		if r.Ref.Type == "Provenance" {
			continue
		}
		_, err := w.Read(r.Ref)
		assert.ErrorIs(t, err, store.ErrNotFound, r.Ref.String())
		_, err = w.VRead(r.Ref, r.VersionID)
		assert.ErrorIs(t, err, store.ErrNotFound, r.Ref.String())
	}
	w.View(func(r store.Reader) error {
		p, err := r.History(store.HistoryQuery{Count: 100})
		assert.Empty(t, p.Versions)
		return err
	})
}

// D3.1: declined later, read and every vread answer 410, nothing of it is found
// or counted, and the feed holds one DELETE per resource. Agreed again: same
// ids, higher versions. An absent value overrides nothing.
func TestD3_1_DeclinedLaterAndAgreedAgain(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	w.Send(rt.Surgery(rt.Saved("2026-03-02T11:30:00Z"), wide(2)))
	w.Send(rt.Review())
	was := every(t, w)
	require.NotEmpty(t, was)
	a := w.Send(rt.Review(rt.Record("R-2"), rt.Saved("2026-03-05T10:00:00Z"), rt.Set("/sharing", "declined"), rt.Set("/review/surgery", "S-9")))
	assert.False(t, a.Shared)
	assert.Len(t, a.Resources, len(was), "one for each")

	assert.Empty(t, every(t, w))
	for ref, r := range was {
		_, err := w.Read(r.Ref)
		assert.ErrorIs(t, err, store.ErrGone, ref)
		for n := int64(1); n <= r.Number; n++ {
			_, err = w.VRead(r.Ref, versionID(n))
			assert.ErrorIs(t, err, store.ErrGone, ref)
		}
		history := w.History(r.Ref)
		require.Len(t, history, 1, ref)
		assert.True(t, history[0].Deleted, ref)
	}
	w.View(func(r store.Reader) error {
		p, err := r.History(store.HistoryQuery{Count: 1000})
		deletes := 0
		for _, v := range p.Versions {
			if v.Deleted {
				deletes++
			} else {
				assert.True(t, mapping.FoldedPerClinic(v.Ref.Type), v.Ref.String())
			}
		}
		assert.Equal(t, len(was), deletes)
		return err
	})
	seq := w.Seq()
	w.Send(rt.Surgery(rt.Saved("2026-03-06T10:00:00Z"), rt.Set("/sharing", nil), wide(5)))
	assert.Equal(t, seq, w.Seq(), "absent never overrides")

	w.Send(rt.Surgery(rt.Saved("2026-03-07T10:00:00Z"), wide(2)))
	now := every(t, w)
	for ref, r := range was {
		if r.Ref.Type == "Provenance" {
			continue
		}
		require.Contains(t, now, ref)
		assert.Greater(t, now[ref].Number, r.Number+1, ref)
		assert.Equal(t, r.Tree["status"], now[ref].Tree["status"], ref)
	}
}

func versionID(n int64) string { return "e1-" + string(rune('0'+n)) }

// D3.1: the latest value over all contents ever received counts, superseded and
// withdrawn ones included.
func TestD3_1_AnySupersededContentCounts(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery(rt.Revision(2), rt.Saved("2026-03-02T11:00:00Z")))
	require.NotEmpty(t, w.Care())
	a := w.Send(rt.Surgery(rt.Revision(1), rt.Saved("2026-03-02T11:30:00Z"), rt.Set("/sharing", "declined")))
	assert.Equal(t, receive.Superseded, a.Answer)
	assert.False(t, a.Shared)
	assert.Empty(t, w.Care())
}

// D6, R-CONT-07: what each type becomes when its source is withdrawn.
func TestD6_WhatVanishes(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	w.Send(rt.Review(rt.RedFlag))
	before := every(t, w)
	w.Send(rt.Review(rt.RedFlag, rt.Saved("2026-03-05T10:00:00Z"), rt.Status("withdrawn")))
	w.Send(rt.Surgery(rt.Saved("2026-03-05T10:00:00Z"), rt.Status("withdrawn")))
	types := map[string]bool{}
	for ref, was := range before {
		now, err := w.Read(was.Ref)
		require.NoError(t, err, ref)
		r, err := resource.FromJSON(now.Body)
		require.NoError(t, err)
		tree := r.Tree()
		types[was.Ref.Type] = true
		switch was.Ref.Type {
		case "Patient", "RelatedPerson", "Provenance":
			assert.Equal(t, was.VersionID, now.VersionID, "%s is untouched", ref)
		case "Goal":
			assert.Equal(t, "entered-in-error", tree["lifecycleStatus"], ref)
		case "Condition", "AllergyIntolerance":
			assert.True(t, rt.Coded(tree["verificationStatus"], "entered-in-error"), ref)
			assert.NotContains(t, tree, "clinicalStatus", ref)
		case "BodyStructure":
			assert.Equal(t, false, tree["active"], ref)
		default:
			assert.Equal(t, "entered-in-error", tree["status"], ref)
		}
		if was.Ref.Type != "Provenance" {
			_, err = w.VRead(was.Ref, was.VersionID)
			assert.NoError(t, err, "%s: withdrawn is not masked", ref)
		}
	}
	for _, typ := range []string{
		"Procedure", "Observation", "MedicationAdministration", "Medication", "Encounter", "CarePlan", "DetectedIssue", "Consent",
		"Goal", "Condition", "AllergyIntolerance", "BodyStructure", "Patient", "Provenance",
	} {
		assert.True(t, types[typ], typ+" was tried")
	}
	for _, a := range w.All("CarePlan")[0].Tree["activity"].([]any) {
		assert.Equal(t, "entered-in-error", rt.At(a, "detail", "status"))
	}
}

// D5.9, R-SEC-01, R-SEC-02: each commit that changed something has its Provenance:
// CREATE, UPDATE or NULLIFY over versions that exist, and the hash of each source as a
// ni URI.
func TestD5_9_ProvenancePerCommit(t *testing.T) {
	w := rt.New(t)
	codes := map[string]string{"create": "CREATE", "update": "UPDATE", "nullify": "NULLIFY"}
	known := map[string]bool{}
	fresh := func() []rt.Resource {
		var out []rt.Resource
		for _, p := range w.All("Provenance") {
			if !known[p.Ref.ID] {
				out = append(out, p)
			}
			known[p.Ref.ID] = true
		}
		return out
	}
	covered := func(ps []rt.Resource) map[string]string {
		out := map[string]string{}
		for _, p := range ps {
			activity := rt.At(p.Tree, "activity", "coding", 0, "code").(string)
			for _, target := range p.Tree["target"].([]any) {
				s := rt.At(target, "reference").(string)
				ref, version, ok := strings.Cut(s, "/_history/")
				require.True(t, ok, s)
				r, _ := resource.ParseRef(ref)
				v, err := w.VRead(r, version)
				require.NoError(t, err, s)
				assert.Equal(t, p.Seq, v.Seq, "of the same commit")
				assert.NotContains(t, out, s, "named once")
				out[s] = activity
			}
			assert.Equal(t, p.Tree["recorded"], p.LastUpdated.UTC().Format(resource.LastUpdatedLayout))
		}
		return out
	}
	body := rt.Surgery()
	w.Send(body)
	ps := fresh()
	targets := covered(ps)
	for ref, r := range w.Published() {
		assert.Equal(t, codes["create"], targets[ref+"/_history/"+r.VersionID], ref)
	}
	hash, err := record.ContentHash(body)
	require.NoError(t, err)
	assert.Equal(t, niURI(t, hash), rt.At(ps[0].Tree, "entity", 0, "what", "identifier", "value"))
	assert.Equal(t, "urn:ietf:rfc:3986", rt.At(ps[0].Tree, "entity", 0, "what", "identifier", "system"))

	w.Send(body)
	assert.Empty(t, fresh(), "no target changed")
	w.Send(rt.Surgery(rt.Saved("2026-03-02T11:59:00Z")))
	assert.Empty(t, fresh(), "saved again, the same content")

	w.Send(rt.Surgery(rt.Saved("2026-03-02T12:00:00Z"), wide(2)))
	for target, activity := range covered(fresh()) {
		assert.Equal(t, codes["update"], activity, target)
	}
	w.Send(rt.Surgery(rt.Saved("2026-03-02T12:01:00Z"), rt.Status("withdrawn")))
	targets = covered(fresh())
	for _, typ := range []string{"Procedure", "CarePlan"} {
		for _, r := range w.All(typ) {
			assert.Equal(t, codes["nullify"], targets[r.Ref.String()+"/_history/"+r.VersionID], typ)
		}
	}
}
