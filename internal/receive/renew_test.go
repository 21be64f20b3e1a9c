package receive_test

import (
	"context"
	"database/sql"
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/followup"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/terms"
)

// outdated asks whether the settings in force differ from those of the store.
func outdated(t testing.TB, w *rt.World) bool {
	t.Helper()
	is, err := w.Outdated(t.Context())
	require.NoError(t, err)
	return is
}

// renew folds the store again, as a start does.
func renew(t testing.TB, w *rt.World) receive.Renewed {
	t.Helper()
	require.True(t, outdated(t, w))
	w.Now = w.Now.Add(time.Second)
	done, err := w.Renew(t.Context())
	require.NoError(t, err)
	return done
}

// set changes the settings, as between two starts.
func set(w *rt.World, edit func(*mapping.Settings)) {
	edit(&w.Settings)
	w.Index.Zone = w.Settings.Clinic.Zone
}

func silent(edits ...rt.Edit) []byte {
	return rt.Surgery(append([]rt.Edit{rt.Set("/sharing", nil)}, edits...)...)
}

func basis(s *mapping.Settings) { s.Clinic.ShareUnstated = "a regional agreement" }

func noBasis(s *mapping.Settings) { s.Clinic.ShareUnstated = "" }

// D3.1: when the basis for sharing is taken out of the settings, everything of
// a patient who never stated anything is gone at the next start, 410 with one
// DELETE entry a resource; who agreed stays as he was. With the basis back, the
// same ids are there in higher versions.
func TestD3_1_WithoutABasisNothingStaysShared(t *testing.T) {
	w := rt.New(t, basis)
	require.False(t, outdated(t, w), "a store of no patient is up to date")
	w.Send(silent())
	before := w.Published()
	w.Send(rt.Surgery(rt.Record("S-2"), rt.Patient("P-2")))
	all := w.Published()
	require.False(t, outdated(t, w), "the same settings")

	set(w, noBasis)
	assert.Equal(t, receive.Renewed{Patients: 2}, renew(t, w))
	gone := 0
	for ref, r := range before {
		if mapping.FoldedPerClinic(r.Ref.Type) {
			continue
		}
		gone++
		_, err := w.Read(r.Ref)
		assert.ErrorIs(t, err, store.ErrGone, ref)
		_, err = w.VRead(r.Ref, r.VersionID)
		assert.ErrorIs(t, err, store.ErrGone, ref)
		h := w.History(r.Ref)
		require.Len(t, h, 1, ref)
		assert.True(t, h[0].Deleted, ref)
	}
	assert.Greater(t, gone, 20)
	left := w.Published()
	for ref, r := range all {
		if before[ref].VersionID == "" {
			assert.Equal(t, r.VersionID, left[ref].VersionID, "%s of who agreed", ref)
		}
	}
	require.False(t, outdated(t, w))

	set(w, basis)
	renew(t, w)
	for ref, r := range before {
		if !mapping.FoldedPerClinic(r.Ref.Type) {
			assert.Greater(t, w.Published()[ref].Number, r.Number, ref)
		}
	}
}

// index is what the index holds of every current version, sorted.
func index(t testing.TB, w *rt.World) (out []string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+w.Path+"?mode=ro")
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	for _, q := range []string{
		"SELECT v.type || '/' || v.id || ' ' || x.param || x.code || x.system FROM index_code x",
		"SELECT v.type || '/' || v.id || ' ' || x.param || x.text FROM index_text x",
		"SELECT v.type || '/' || v.id || ' ' || x.param || x.lo || ' ' || x.hi FROM index_date x",
	} {
		rows, err := db.QueryContext(context.WithoutCancel(t.Context()),
			q+" JOIN version v ON v.vid = x.vid JOIN resource r ON r.current = v.vid WHERE v.type <> 'Provenance' AND NOT v.deleted")
		require.NoError(t, err)
		for rows.Next() {
			var s string
			require.NoError(t, rows.Scan(&s))
			out = append(out, s)
		}
		require.NoError(t, errors.Join(rows.Err(), rows.Close()))
	}
	slices.Sort(out)
	return out
}

// sameContent compares what a hub finds and how, less what is entered in error,
// which a store that never had the settings of before has none of, and less the
// people and things that D6 leaves as they are.
func sameContent(t *testing.T, want, w *rt.World) {
	t.Helper()
	expected, got := content(t, want), content(t, w)
	for ref, c := range expected {
		assert.Equal(t, c, got[ref], ref)
	}
	for ref := range got {
		if typ, _, _ := strings.Cut(ref, "/"); expected[ref] == "" {
			assert.True(t, mapping.FoldedPerClinic(typ) || typ == "Patient" || typ == "RelatedPerson", ref)
		}
	}
	rows := func(w *rt.World) []string {
		return slices.DeleteFunc(index(t, w), func(row string) bool {
			typeAndID, _, _ := strings.Cut(row, " ")
			return expected[typeAndID] == ""
		})
	}
	assert.Equal(t, rows(want), rows(w))
}

// settings are the changes of settings that the stored folds depend on.
var settings = map[string]func(t testing.TB, s *mapping.Settings){
	"formulary":       func(_ testing.TB, s *mapping.Settings) { s.Clinic.Formulary = nil },
	"snomedCt":        func(_ testing.TB, s *mapping.Settings) { s.Codes.SnomedCT = terms.Licensed },
	"snomedCt off":    func(_ testing.TB, s *mapping.Settings) { s.Codes.SnomedCT = terms.Off },
	"hcpcs":           func(_ testing.TB, s *mapping.Settings) { s.Codes.HCPCS = false },
	"defaultProtocol": func(_ testing.TB, s *mapping.Settings) { s.Clinic.DefaultProtocol = "total-avulsion-chemical-ablation" },
	"weekend":         func(_ testing.TB, s *mapping.Settings) { s.Clinic.DaysOff.Weekend = "next" },
	"holidays": func(_ testing.TB, s *mapping.Settings) {
		s.Clinic.DaysOff = followup.DaysOff{Weekend: "next", Country: "gb"}
	},
	"tourniquetAtRisk": func(_ testing.TB, s *mapping.Settings) {
		s.Clinic.RiskTourniquet = &safety.LocalLimit{Minutes: 10, Source: "local protocol"}
	},
	"hideFigures":      func(_ testing.TB, s *mapping.Settings) { s.Clinic.HideFigures = true },
	"weightConvention": func(_ testing.TB, s *mapping.Settings) { s.Clinic.WeightConvention = safety.WeightCapped },
	"zone": func(t testing.TB, s *mapping.Settings) {
		zone, err := time.LoadLocation("America/New_York")
		require.NoError(t, err)
		s.Clinic.Zone = zone
	},
	"clinic.name":           func(_ testing.TB, s *mapping.Settings) { s.Clinic.Name = "Another Name" },
	"clinic.identifierBase": func(_ testing.TB, s *mapping.Settings) { s.Clinic.IdentifierBase = "https://north.example/other" },
	"shareUnstated":         func(_ testing.TB, s *mapping.Settings) { basis(s) },
	"protocols":             func(t testing.TB, s *mapping.Settings) { s.Protocols = laterWeek(t) },
	"namespace": func(_ testing.TB, s *mapping.Settings) {
		s.Namespace = uuid.MustParse("6f1c1f5e-4a6b-4d36-9a44-3a8f0b1c2d3f")
	},
}

// After a start under other settings the store holds what it would if they had
// been in force from the first record: resources, index, lists. Under the same
// settings nothing is written.
func TestRenewMakesWhatTheSettingsWouldHave(t *testing.T) {
	send := func(w *rt.World) {
		w.Send(rt.Surgery(rt.Set("/surgery/start", "2026-03-02T10:00"), rt.Set("/surgery/end", "2026-03-02T10:50"), rt.Set("/surgery/protocol", nil), millilitres(12)))
		w.Send(rt.Review(rt.Set("/patient/birthDate", "1988-05"), rt.RedFlag))
		w.Send(silent(rt.Record("S-2"), rt.Patient("P-2"), rt.Set("/surgery/plannedReviews", nil)))
		w.At("2026-04-01T09:00:00Z")
		_, err := w.Tick(t.Context(), w.Now)
		require.NoError(t, err)
	}
	for name, edit := range settings {
		t.Run(name, func(t *testing.T) {
			w := rt.New(t)
			require.False(t, outdated(t, w))
			send(w)
			set(w, func(s *mapping.Settings) { edit(t, s) })
			stale, err := w.Stale(t.Context())
			require.NoError(t, err)
			assert.True(t, stale)
			was := state(t, w)
			afresh, err := w.FollowUp(t.Context(), receive.FollowUpQuery{Afresh: true})
			require.NoError(t, err)
			assert.Equal(t, was, state(t, w), "a list made afresh writes nothing")
			renew(t, w)

			want := rt.New(t, func(s *mapping.Settings) { edit(t, s) })
			send(want)
			want.Now = w.Now
			sameContent(t, want, w)
			list := func(w *rt.World) receive.FollowUpList {
				l, err := w.FollowUp(t.Context(), receive.FollowUpQuery{})
				require.NoError(t, err)
				return l
			}
			assert.JSONEq(t, asJSON(t, list(want)), asJSON(t, list(w)))
			afresh.AsOf = list(w).AsOf
			assert.JSONEq(t, asJSON(t, list(w)), asJSON(t, afresh), "and shows what the settings would have")

			seq := w.Seq()
			require.False(t, outdated(t, w))
			_, err = w.Renew(t.Context())
			require.NoError(t, err)
			assert.Equal(t, seq, w.Seq(), "renewed again, nothing is written")
		})
	}
}

// Each setting of the fold counts: one that is added later must be tried above.
func TestEverySettingOutdates(t *testing.T) {
	for of, n := range map[reflect.Type]int{
		reflect.TypeFor[mapping.Settings]():       5, // namespace, terms, codes, clinic, protocols
		reflect.TypeFor[terms.Setting]():          2,
		reflect.TypeFor[mapping.ClinicSettings](): 11, // the id is another clinic
	} {
		assert.Equal(t, n, of.NumField(), of)
	}
	w := rt.New(t)
	was := w.Settings
	require.False(t, outdated(t, w))
	w.Send(rt.Surgery())
	stale := func() bool {
		is, err := w.Stale(t.Context())
		require.NoError(t, err)
		return is
	}
	require.False(t, stale())
	for name, edit := range settings {
		w.Settings = was
		edit(t, &w.Settings)
		assert.True(t, stale(), name)
	}
	// A set of limits may change under its name.
	w.Settings = was
	limits, err := safety.Load("ie-smpc")
	require.NoError(t, err)
	limits.Entries[0].Note += "."
	w.Settings.Clinic.Formulary = limits
	assert.True(t, stale())
	// Another address of the same FHIR changes no content, but what an absolute
	// reference in a search means.
	w.Settings = was
	w.Index.Base = "https://elsewhere.example/fhir"
	assert.False(t, stale())
	assert.True(t, outdated(t, w))
}

// A start that is killed while it folds is begun again by the next, also by one
// under the settings of before, for which half of the store is wrong by then.
func TestARenewalCutOffIsBegunAgain(t *testing.T) {
	records := [][]byte{silent(), silent(rt.Record("S-2"), rt.Patient("P-2"))}
	for name, next := range map[string]func(*mapping.Settings){"the new settings": noBasis, "the settings of before": basis} {
		t.Run(name, func(t *testing.T) {
			w := rt.New(t, basis)
			require.False(t, outdated(t, w))
			for _, b := range records {
				w.Send(b)
			}
			set(w, noBasis)
			require.True(t, outdated(t, w))
			ctx, cancel := context.WithCancel(t.Context())
			removed := 0
			w.Fault = func(op string) error {
				if op == "delete" {
					removed++
				}
				if op == "commit" && removed > 0 {
					cancel() // that one is whole; what follows never begins
				}
				return nil
			}
			_, err := w.Renew(ctx)
			w.Fault = nil
			require.ErrorIs(t, err, store.ErrUnavailable)
			patients := len(w.Live("Patient"))
			require.Equal(t, 1, patients, "one of two is folded again")

			set(w, next)
			renew(t, w)
			want := rt.New(t, next)
			for _, b := range records {
				want.Send(b)
			}
			assert.Equal(t, len(want.Live("Patient")), len(w.Live("Patient")))
			assert.Equal(t, want.Care(), w.Care())
		})
	}
}

// A patient whose fold fails our own check is left as it was, and tried again
// at the next start; that nothing is shared without a basis does not wait.
func TestD3_1_AFailedFoldStillEndsSharing(t *testing.T) {
	w := rt.New(t, basis)
	require.False(t, outdated(t, w))
	w.Send(silent(badBatch))
	w.Send(rt.Surgery(badBatch, rt.Record("S-2"), rt.Patient("P-2")))
	agreed := func() (n int) {
		for _, r := range w.Live("Patient") {
			if strings.Contains(string(r.Body), "P-2") {
				n++
			}
		}
		return n
	}
	failOn(w, bad)
	set(w, func(s *mapping.Settings) { noBasis(s); s.Codes.HCPCS = false })
	assert.Equal(t, receive.Renewed{Patients: 2, Failed: 2}, renew(t, w))
	assert.Len(t, w.Live("Patient"), 1)
	assert.Equal(t, 1, agreed(), "who agreed stays as he was")
	assert.NotContains(t, w.Log.String(), bad)

	w.Check = nil // mended
	assert.Equal(t, receive.Renewed{Patients: 2}, renew(t, w), "the next start tries again")
	assert.False(t, outdated(t, w))
	assert.Equal(t, 1, agreed())
}

// D2: a fault of ours, wherever in a renewal a patient is read, ends neither the
// program nor the renewal of others: what may no longer be shared is gone, or the
// renewal says that it is not done, and the next one does it.
func TestD2_ARenewalOutlivesAFaultOfOurs(t *testing.T) {
	for n := 1; ; n++ {
		w := rt.New(t, basis)
		require.False(t, outdated(t, w))
		w.Send(silent(short...))
		w.Send(silent(append([]rt.Edit{rt.Record("S-2"), rt.Patient("P-2")}, short...)...))
		set(w, noBasis)
		require.True(t, outdated(t, w))
		calls := 0
		w.Fault = func(op string) error {
			if op == "deliveries-of" {
				if calls++; calls == n {
					panic("a fault of ours")
				}
			}
			return nil
		}
		_, err := w.Renew(t.Context())
		w.Fault = nil
		if calls < n {
			require.Greater(t, n, 4, "two patients, read at least twice")
			return
		}
		require.NoError(t, err, "at read %d", n)
		assert.Empty(t, w.Live("Patient"), "at read %d", n)
		assert.Contains(t, w.Log.String(), "fault of ours")
		if outdated(t, w) {
			renew(t, w)
		}
		assert.False(t, outdated(t, w), "at read %d", n)
	}
}

// Nothing says what may be shared of a clinic that the settings do not name.
func TestD3_1_AnotherClinicsDataAreNotServed(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	for _, named := range [][]string{nil, {"south"}, {"North"}} {
		err := receive.Named(t.Context(), w.Store, named)
		assert.ErrorIs(t, err, receive.ErrOtherClinic, named)
		assert.NotErrorIs(t, err, store.ErrUnavailable)
	}
	assert.NoError(t, receive.Named(t.Context(), w.Store, []string{"south", "north"}))

	set(w, func(s *mapping.Settings) { s.Clinic.ID = "south" })
	is, err := w.Outdated(t.Context())
	require.NoError(t, err)
	assert.False(t, is, "a clinic of the same store that has no patient")
}

// A store of before there were marks is folded again once.
func TestAStoreWithoutMarksIsOutdated(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	seq := w.Seq()
	renew(t, w)
	assert.Equal(t, seq, w.Seq(), "and nothing of it changed")
	_, err := w.Read(resource.Ref{Type: "Patient", ID: w.One("Patient").Ref.ID})
	require.NoError(t, err)
}

// laterWeek are the protocols with another window of the check at four weeks, in
// the one that the records name: it stays open a day longer.
func laterWeek(t testing.TB) []*followup.Protocol {
	return rt.OwnWindow(t, "partial-avulsion-chemical-ablation", "week-4", 8)
}
