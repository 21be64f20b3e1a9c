package receive_test

import (
	"encoding/json"
	"slices"
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

// of is a surgery of a patient under an id of its own.
func of(patient string, edits ...rt.Edit) []byte {
	return rt.Surgery(append([]rt.Edit{rt.Record("S-" + patient), rt.Patient(patient)}, edits...)...)
}

// joined writes what the live Patients say of one another: "P-2 replaced-by P-1",
// and "P-2 out of use".
func joined(w *rt.World) []string {
	name, out := map[string]string{}, []string{}
	for _, p := range w.All("Patient") {
		name[p.Ref.String()] = rt.At(p.Tree, "identifier", 0, "value").(string)
	}
	for _, p := range w.All("Patient") {
		links, _ := p.Tree["link"].([]any)
		for _, l := range links {
			out = append(out, name[p.Ref.String()]+" "+rt.At(l, "type").(string)+" "+name[rt.At(l, "other", "reference").(string)])
		}
		if p.Tree["active"] == false {
			out = append(out, name[p.Ref.String()]+" out of use")
		}
	}
	slices.Sort(out)
	return out
}

func patient(t *testing.T, w *rt.World, value string) rt.Resource {
	t.Helper()
	for _, p := range w.All("Patient") {
		if rt.At(p.Tree, "identifier", 0, "value") == value {
			return p
		}
	}
	require.Fail(t, "no Patient "+value)
	return rt.Resource{}
}

func aBasis(s *mapping.Settings) { s.Clinic.ShareUnstated = "an agreement" }

var bothJoined = []string{"P-1 replaces P-2", "P-2 out of use", "P-2 replaced-by P-1"}

// D1.5: one commit sets both links, and the answer lists both Patients; cases stay
// as they are. A withdrawal takes it all back.
func TestD1_5_AMergeIsOneCommit(t *testing.T) {
	w := rt.New(t)
	w.At("2026-03-06T09:00:00Z")
	w.Send(of("P-1"))
	w.Send(of("P-2"))
	plans, seq := len(w.Live("CarePlan")), w.Seq()
	a := w.Send(rt.Merge([]string{"P-2"}))
	require.Equal(t, receive.Stored, a.Answer)
	assert.Equal(t, bothJoined, joined(w))
	one, two := patient(t, w, "P-1"), patient(t, w, "P-2")
	assert.Equal(t, savedIn(w, one), savedIn(w, two), "one commit")
	assert.Equal(t, seq+1, w.Seq())
	changed := map[string]receive.Change{}
	for _, r := range a.Resources {
		if r.Change != receive.Same {
			changed[strings.Split(r.Reference, "/")[0]] = r.Change
		}
		if r.Reference == one.Ref.String() || r.Reference == two.Ref.String() {
			assert.Equal(t, receive.Updated, r.Change)
		}
	}
	assert.Equal(t, map[string]receive.Change{"Patient": receive.Updated, "Practitioner": receive.Created, "PractitionerRole": receive.Created, "Provenance": receive.Created}, changed)
	assert.Len(t, w.Live("CarePlan"), plans)
	told := false
	for _, p := range w.All("Provenance") {
		told = told || strings.Contains(mustJSON(t, p.Tree), "M-1, merge of patient numbers") &&
			strings.Contains(mustJSON(t, p.Tree), two.Ref.String()+"/_history/"+two.VersionID)
	}
	assert.True(t, told, "Provenance of the one replaced names the merge")
	assert.Equal(t, receive.Unchanged, w.Send(rt.Merge([]string{"P-2"})).Answer)
	assert.Equal(t, seq+1, w.Seq(), "a repeat changes nothing")

	a = w.Send(rt.Merge([]string{"P-2"}, rt.Status("withdrawn"), rt.Saved("2026-03-05T10:00:00Z")))
	require.Equal(t, receive.Stored, a.Answer)
	assert.Empty(t, joined(w))
	assert.NotContains(t, patient(t, w, "P-2").Tree, "active")
	_, err := w.VRead(two.Ref, two.VersionID)
	assert.ErrorIs(t, err, store.ErrGone, "what joined the wrong two is not read any more")
	assert.Len(t, w.Live("CarePlan"), plans)
}

// nothingNames holds that no version of any resource that can be read names one.
func nothingNames(t *testing.T, w *rt.World, ref resource.Ref) {
	t.Helper()
	read := 0
	w.View(func(r store.Reader) error {
		page, err := r.History(store.HistoryQuery{Count: 10000})
		require.NoError(t, err)
		for _, v := range page.Versions {
			assert.NotContains(t, string(v.Body), ref.ID, v.Ref)
			read += len(v.Body)
		}
		return nil
	})
	assert.Positive(t, read)
}

func mustJSON(t testing.TB, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	require.NoError(t, err)
	return string(b)
}

// savedIn is the commit that made the current version.
func savedIn(w *rt.World, r rt.Resource) int64 {
	v, err := w.Read(r.Ref)
	require.NoError(w.TB, err)
	return v.Seq
}

// D1.5, D1.4: whoever comes later finds the merge, from either end, and through
// others; in every order the hub finds the same in the end.
func TestD1_5_MergesAndTheirPatientsInEveryOrder(t *testing.T) {
	chain := rt.Merge([]string{"P-1"}, rt.Record("M-2"), rt.Patient("P-3"), rt.Saved("2026-03-05T11:00:00Z"))
	cycle := rt.Merge([]string{"P-3"}, rt.Record("M-3"), rt.Patient("P-2"), rt.Saved("2026-03-05T12:00:00Z"))
	for name, c := range map[string]struct {
		records [][]byte
		want    []string
	}{
		"two": {[][]byte{of("P-1"), of("P-2"), rt.Merge([]string{"P-2"})}, bothJoined},
		"a chain": {[][]byte{of("P-2"), rt.Merge([]string{"P-2"}), chain}, []string{
			"P-1 out of use", "P-1 replaced-by P-3", "P-1 replaces P-2", "P-2 out of use", "P-2 replaced-by P-1", "P-3 replaces P-1",
		}},
		"a cycle": {[][]byte{of("P-1"), rt.Merge([]string{"P-2"}), chain, cycle}, []string{
			"P-1 out of use", "P-1 replaced-by P-3", "P-2 replaces P-3", "P-3 out of use", "P-3 replaced-by P-2", "P-3 replaces P-1",
		}},
		"withdrawn, and declined": {[][]byte{
			of("P-1"), of("P-2"), rt.Merge([]string{"P-2"}), of("P-2", rt.Set("/sharing", "declined"), rt.Saved("2026-03-05T13:00:00Z")),
		}, []string{}},
	} {
		t.Run(name, func(t *testing.T) {
			var want map[string]string
			permute(len(c.records), func(order []int) {
				w := rt.New(t, aBasis)
				w.At("2026-03-06T09:00:00Z")
				for _, k := range order {
					require.Contains(t, []receive.Kind{receive.Stored, receive.Superseded}, w.Send(c.records[k]).Answer)
				}
				require.Equal(t, c.want, joined(w), order)
				got := content(t, w)
				for ref := range got { // D1.4: what nothing made refers to is not compared
					if strings.HasPrefix(ref, "Practitioner") || strings.HasPrefix(ref, "Patient/") && len(c.want) == 0 {
						delete(got, ref)
					}
				}
				if want == nil {
					want = got
				}
				require.Equal(t, want, got, order)
			})
		})
	}
}

// D3.1: after a decline of either nothing names the one who declined, by no
// version that can be read; agreed again, all is as before.
func TestD3_1_ADeclineTakesTheLinksBack(t *testing.T) {
	for _, who := range []string{"P-1", "P-2"} {
		t.Run(who, func(t *testing.T) {
			w := rt.New(t)
			w.At("2026-03-06T09:00:00Z")
			for _, r := range [][]byte{of("P-1"), of("P-2"), rt.Merge([]string{"P-2"})} {
				w.Send(r)
			}
			gone, stays := patient(t, w, who), patient(t, w, map[string]string{"P-1": "P-2", "P-2": "P-1"}[who])
			w.Send(of(who, rt.Set("/sharing", "declined"), rt.Saved("2026-03-05T13:00:00Z")))
			assert.Empty(t, joined(w))
			nothingNames(t, w, gone.Ref)
			_, err := w.VRead(stays.Ref, stays.VersionID)
			assert.ErrorIs(t, err, store.ErrGone)
			assert.NotContains(t, patient(t, w, rt.At(stays.Tree, "identifier", 0, "value").(string)).Tree, "active")
			w.Send(of(who, rt.Saved("2026-03-05T14:00:00Z"), wide(4)))
			assert.Equal(t, bothJoined, joined(w))
		})
	}
}

// D3.1: a refused content that says no acts on the links too.
func TestD3_1_ARefusedDeclineTakesTheLinksBack(t *testing.T) {
	w := rt.New(t)
	w.At("2026-03-06T09:00:00Z")
	for _, r := range [][]byte{of("P-1"), of("P-2"), rt.Merge([]string{"P-2"})} {
		w.Send(r)
	}
	require.Equal(t, receive.Refused, w.Send(of("P-2", rt.Set("/kind", "x"), rt.Set("/sharing", "declined"), rt.Saved("2026-03-05T13:00:00Z"))).Answer)
	assert.Empty(t, joined(w))
}

// D3.1, D2, held: where the other's fold fails as well, its link goes all the same.
func TestD3_1_ADeclineTakesTheLinkFromAFoldThatFails(t *testing.T) {
	w := rt.New(t)
	w.At("2026-03-06T09:00:00Z")
	for _, r := range [][]byte{of("P-1"), of("P-2"), rt.Merge([]string{"P-2"})} {
		w.Send(r)
	}
	gone := patient(t, w, "P-2")
	w.Fold = func(s mapping.Settings, in mapping.PatientFold) (mapping.Result, error) {
		if in.Patient.Value == "P-1" {
			return mapping.Result{}, assert.AnError
		}
		return mapping.FoldPatient(s, in)
	}
	a := w.Send(of("P-2", rt.Set("/sharing", "declined"), rt.Saved("2026-03-05T13:00:00Z")))
	assert.Equal(t, receive.Stored, a.Answer, "one who is only joined keeps nobody's record from counting")
	assert.Empty(t, joined(w))
	nothingNames(t, w, gone.Ref)
}

// D1.5: a number known by the merge alone has a Patient while the merge stands,
// and one in use without links once it is withdrawn (D6: the Patient is untouched).
func TestD1_5_AnotherNumberAlone(t *testing.T) {
	w := rt.New(t, aBasis)
	w.At("2026-03-06T09:00:00Z")
	w.Send(rt.Merge([]string{"P-2"}))
	assert.Equal(t, bothJoined, joined(w))
	old := patient(t, w, "P-2")
	w.Send(rt.Merge([]string{"P-2"}, rt.Status("withdrawn"), rt.Saved("2026-03-05T10:00:00Z")))
	assert.Empty(t, joined(w))
	now := patient(t, w, "P-2")
	assert.NotContains(t, now.Tree, "active")
	assert.NotContains(t, rt.At(now.Tree, "text", "div"), "no longer in use")
	_, err := w.VRead(old.Ref, old.VersionID)
	assert.ErrorIs(t, err, store.ErrGone)

	none := rt.New(t)
	none.At("2026-03-06T09:00:00Z")
	none.Send(rt.Merge([]string{"P-2"}))
	assert.Empty(t, none.Published(), "no word on sharing, and no basis")
	none.Settings.Clinic.ShareUnstated = "an agreement"
	require.True(t, outdated(t, none))
	_, err = none.Renew(t.Context())
	require.NoError(t, err)
	assert.Equal(t, bothJoined, joined(none), "D3.1: a basis found later folds those who are known as replaced alone too")
}

// D1.5: an amendment to another patient moves the merge; the one who lost it
// keeps no link.
func TestD1_5_AMergeMoves(t *testing.T) {
	w := rt.New(t, aBasis)
	w.At("2026-03-06T09:00:00Z")
	w.Send(of("P-1"))
	w.Send(rt.Merge([]string{"P-2"}))
	w.Send(rt.Merge([]string{"P-2"}, rt.Patient("P-3"), rt.Saved("2026-03-05T10:00:00Z")))
	assert.Equal(t, []string{"P-2 out of use", "P-2 replaced-by P-3", "P-3 replaces P-2"}, joined(w))
}

// Clinics are walls: a merge joins only those of the clinic of its header.
func TestD1_5_AMergeStaysInItsClinic(t *testing.T) {
	w := rt.New(t)
	w.At("2026-03-06T09:00:00Z")
	w.Send(of("P-1"))
	w.Send(of("P-2"))
	_, err := w.Receive(t.Context(), rt.Merge([]string{"P-2"}, rt.Set("/clinic", "south")), false)
	assert.ErrorIs(t, err, receive.ErrClinic)
	assert.Empty(t, joined(w))
}

// D1.5: who is erased is named by no merge any more, nor does one that was saved
// before come again; the one who replaced him is folded again at the next start.
func TestD1_5_AMergeOfTheErased(t *testing.T) {
	for _, who := range []string{"P-1", "P-2"} {
		t.Run(who, func(t *testing.T) {
			w := rt.New(t)
			w.At("2026-03-06T09:00:00Z")
			for _, r := range [][]byte{of("P-1"), of("P-2"), rt.Merge([]string{"P-2"})} {
				w.Send(r)
			}
			require.True(t, outdated(t, w), "never folded at a start")
			renew(t, w)
			require.False(t, outdated(t, w))
			id := record.Identifier{System: rt.PatientSystem, Value: who}
			gone := patient(t, w, who)
			assert.True(t, receive.Names(rt.Merge([]string{"P-2"}), id))
			eraseAt(w, who, w.Now)
			require.True(t, outdated(t, w))
			_, err := w.Renew(t.Context())
			require.NoError(t, err)
			assert.Empty(t, joined(w))
			nothingNames(t, w, gone.Ref)
			w.View(func(r store.Reader) error {
				ds, err := r.Deliveries("north", "M-1")
				require.NoError(t, err)
				assert.Empty(t, ds)
				return nil
			})
			a := w.Send(rt.Merge([]string{"P-2"}))
			assert.Equal(t, receive.Refused, a.Answer)
			assert.Equal(t, "erased", a.Reasons[0].Code)
		})
	}
}

// found are the resources that a search finds.
func found(t *testing.T, w *rt.World, typ, name, value string) (out []resource.Ref) {
	t.Helper()
	q, problems := w.Index.Parse(typ, []searchparam.Pair{{Name: name, Value: value}})
	require.Empty(t, problems)
	w.View(func(r store.Reader) error {
		page, err := r.Search(store.Query{Type: typ, Match: q.Match, Count: 10})
		require.NoError(t, err)
		for _, v := range page.Versions {
			out = append(out, v.Ref)
		}
		return nil
	})
	return out
}

// D2.4: a flag on a merge is published with it, about its Patient, and can be
// acknowledged; what does not count of it does not keep the rest from counting.
func TestD2_4_AFlagOnAMerge(t *testing.T) {
	w := rt.New(t)
	w.At("2026-03-06T09:00:00Z")
	for _, r := range [][]byte{of("P-1"), of("P-2"), of("P-3")} {
		w.Send(r)
	}
	w.Send(rt.Merge([]string{"P-2", "P-3"}))
	a := w.Send(rt.Merge([]string{"P-1"}, rt.Record("M-2"), rt.Patient("P-3"), rt.Saved("2026-03-05T10:00:00Z")))
	require.Equal(t, receive.Stored, a.Answer)
	assert.Equal(t, []string{"P-1 out of use", "P-1 replaced-by P-3", "P-1 replaces P-2", "P-2 out of use", "P-2 replaced-by P-1", "P-3 replaces P-1"}, joined(w))
	a = w.Send(rt.Merge([]string{"P-2", "P-3"}))
	require.Equal(t, receive.Unchanged, a.Answer)
	f := flag(t, a.Flags, "merge-contradicted")
	issues := w.Issues("merge-contradicted")
	require.Len(t, issues, 1)
	assert.True(t, issues[0].Open())
	assert.Equal(t, patient(t, w, "P-1").Ref.String(), rt.At(issues[0].Tree, "implicated", 0, "reference"))
	_, err := w.Acknowledge(t.Context(), "M-1", f.ID, ack(f, w.Now))
	require.NoError(t, err)
	assert.False(t, w.Issues("merge-contradicted")[0].Open())
	assert.Equal(t, receive.Stored, w.Send(rt.Merge([]string{"P-2"}, rt.Set("/noSuchMember", 1), rt.Saved("2026-03-05T12:00:00Z"))).Answer)
	assert.Len(t, w.Issues("unknown-member"), 1, "as of any record")
}

// D1.5, D8.2: a hub finds those joined to a Patient by the parameter link of R4.
func TestD1_5_LinkCanBeSearched(t *testing.T) {
	w := rt.New(t)
	w.At("2026-03-06T09:00:00Z")
	for _, r := range [][]byte{of("P-1"), of("P-2"), of("P-3"), rt.Merge([]string{"P-2"})} {
		w.Send(r)
	}
	assert.Equal(t, []resource.Ref{patient(t, w, "P-1").Ref}, found(t, w, "Patient", "link", patient(t, w, "P-2").Ref.String()))
	assert.Empty(t, found(t, w, "Patient", "link", patient(t, w, "P-3").Ref.String()))
}
