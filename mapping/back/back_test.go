package back_test

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/generate"
	"nailbridge/internal/generate/generatetest"
	"nailbridge/mapping"
	"nailbridge/mapping/back"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// settings are those of an invented clinic; a licence more or less must make no
// difference on the way back.
var settings = generatetest.Settings

// world are the folds of all patients of invented cases.
func world(seed uint64, n int) []mapping.PatientFold {
	zone := settings().Clinic.Zone
	return generatetest.ByPatient(generate.Cases(seed, n, generate.Options{Zone: zone}), func(r *record.Record) mapping.Delivery {
		b, err := record.Encode(r)
		if err != nil {
			panic(err)
		}
		d := record.Read(b, zone)
		return mapping.Delivery{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC), Refused: d.Refused()}
	})
}

// published are the resources of a fold with their Provenance, without
// narratives and the hashes of the sources: what is read must stand in
// structured elements.
func published(t testing.TB, res mapping.Result) []byte {
	t.Helper()
	byCase := map[string][]mapping.VersionedRef{}
	for _, r := range res.Resources {
		byCase[res.CaseOf[r.Ref()]] = append(byCase[res.CaseOf[r.Ref()]], mapping.VersionedRef{Ref: r.Ref()})
	}
	all := slices.Clone(res.Resources)
	for _, c := range slices.Sorted(maps.Keys(byCase)) {
		in := mapping.ProvenanceInput{Targets: byCase[c], Activity: mapping.ActivityCreate, Recorded: time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC), Owner: mapping.PatientKey(res.Patient), Case: c, Commit: "test"}
		for _, s := range res.Sources {
			if c == "" || s.Case == c {
				in.Sources = append(in.Sources, s)
			}
		}
		p, err := mapping.MakeProvenance(settings(), in)
		require.NoError(t, err)
		all = append(all, p)
	}
	var out bytes.Buffer
	for _, r := range all {
		out.Write(stripped(t, r))
		out.WriteByte('\n')
	}
	return out.Bytes()
}

var hashes = regexp.MustCompile(`ni:///sha-256;[A-Za-z0-9_-]+`)

func stripped(t testing.TB, r resource.Resource) []byte {
	t.Helper()
	var tree map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(r.JSON(), &tree))
	delete(tree, "text")
	b, err := json.Marshal(tree)
	require.NoError(t, err)
	return hashes.ReplaceAll(b, nil)
}

// TestRecordsComeBack is the property of the way back: for every published
// record, record -> FHIR -> record is equal in canonical JSON.
func TestRecordsComeBack(t *testing.T) {
	lost := map[string]int{}
	examples := map[string]string{}
	n := 0
	codes := []terms.Setting{{SnomedCT: terms.Licensed, HCPCS: true}, {}, {SnomedCT: terms.Off}}
	for i, in := range world(20260102, sampled) {
		s := settings()
		s.Codes = codes[i%len(codes)]
		res, err := mapping.FoldPatient(s, in)
		require.NoError(t, err)
		if !res.Shared {
			continue
		}
		got, err := back.Read(back.Options{Terms: settings().Terms}, back.Input{Name: "fold", Data: published(t, res)})
		require.NoError(t, err)
		byID := map[string]*record.Record{}
		for _, r := range got.Records {
			byID[r.Record] = r
		}
		require.Equal(t, got.Leaves.All, got.Leaves.Read+got.Leaves.Named)
		for _, s := range res.Sources {
			want := current(in, s.Record)
			if want.Kind == "merge" {
				continue
			}
			n++
			if byID[s.Record] == nil {
				lost["(record)"]++
				continue
			}
			paths(normal(t, want), normal(t, byID[s.Record]), "", func(p string, a, b any) {
				lost[p]++
				examples[p] = fmt.Sprintf("%s: %.300s, not %.300s", s.Record, text(b), text(a))
			})
		}
	}
	for _, p := range slices.Sorted(maps.Keys(lost)) {
		t.Logf("%5d %s, as %s", lost[p], p, examples[p])
	}
	t.Logf("%d records", n)
	require.Empty(t, lost)
}

// foldedOnce are the types that are folded per patient or clinic from all records
// (D1.3).
var foldedOnce = []string{"Patient", "RelatedPerson", "AllergyIntolerance", "Practitioner", "PractitionerRole", "Organization"}

// TestD1_3_WhatIsFoldedOnceComesBack: what is folded per patient or clinic
// (demographics, allergies, sharing, staff, the clinic) is that of all records
// together; the records that come back fold to the same. A review that waits for
// its surgery is not published, but the allergies that it states are: they come back
// in another record of the patient, in that one's name, or are named in a finding.
func TestD1_3_WhatIsFoldedOnceComesBack(t *testing.T) {
	var compared, elsewhere int
	for seed := range uint64(foldedOnceSeeds) {
		for _, in := range world(seed, sampled/5) {
			c, e := comesBackOnce(t, seed, in)
			compared, elsewhere = compared+c, elsewhere+e
		}
	}
	t.Logf("%d resources, %d allergies stated by records that wait", compared, elsewhere)
	require.Greater(t, compared, 10*foldedOnceSeeds)
	require.Positive(t, elsewhere, "no record that waits states an allergy: other seeds are needed")
}

// foldedOnceSeeds are the seeds over which the test above runs.
const foldedOnceSeeds = 12

// comesBackOnce holds what is folded once for a patient to the fold of the records that
// came back, and counts what was compared, and the allergies that only records that
// wait had stated.
func comesBackOnce(t *testing.T, seed uint64, in mapping.PatientFold) (compared, elsewhere int) {
	res, err := mapping.FoldPatient(settings(), in)
	require.NoError(t, err)
	if !res.Shared {
		return 0, 0
	}
	got, err := back.Read(back.Options{Terms: settings().Terms}, back.Input{Name: "fold", Data: published(t, res)})
	require.NoError(t, err)
	again := mapping.PatientFold{Patient: in.Patient}
	for _, r := range got.Records {
		b, err := record.Encode(r)
		require.NoError(t, err)
		d := record.Read(b, settings().Clinic.Zone)
		require.False(t, d.Refused(), "%s: %v", r.Record, d.Findings)
		again.Deliveries = append(again.Deliveries, mapping.Delivery{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: in.Deliveries[0].Received})
	}
	two, err := mapping.FoldPatient(settings(), again)
	require.NoError(t, err)
	waiting := statedByWaiting(in, res)
	want, have := onceFolded(res, waiting), onceFolded(two, waiting)
	for ref, text := range want {
		compared++
		typ, _, _ := strings.Cut(ref, "/")
		switch {
		case have[ref] != "" || !waiting:
			require.JSONEq(t, text, cmp.Or(have[ref], "null"), "seed %d: %s", seed, ref)
		case typ == "AllergyIntolerance":
			elsewhere++
			require.True(t, slices.ContainsFunc(got.Findings, func(f back.Finding) bool { return strings.Contains(f.Resource, ref) }), "seed %d: %s is neither back nor named", seed, ref)
		default: // staff whom only a record that waits names
			require.Contains(t, []string{"Practitioner", "PractitionerRole"}, typ, "seed %d: %s", seed, ref)
		}
	}
	if !waiting {
		require.Len(t, have, len(want), "seed %d: %v", seed, in.Patient)
	}
	return compared, elsewhere
}

// statedByWaiting reports that a record that waits, and is not published, states
// allergies that are.
func statedByWaiting(in mapping.PatientFold, res mapping.Result) bool {
	return slices.ContainsFunc(res.Waiting, func(id string) bool {
		r := current(in, id)
		return r.Review != nil && r.Review.Allergies != nil &&
			!slices.ContainsFunc(res.Sources, func(s mapping.Source) bool { return s.Record == id })
	})
}

// onceFolded are the resources that are folded once, by reference; without who
// stated an allergy in which record where that is not published.
func onceFolded(res mapping.Result, anonymous bool) map[string]string {
	out := map[string]string{}
	for _, r := range res.Resources {
		if !slices.Contains(foldedOnce, r.Type()) && (r.Type() != "Consent" || res.CaseOf[r.Ref()] != "") {
			continue
		}
		out[r.Ref().String()] = string(r.JSON())
		if anonymous && r.Type() == "AllergyIntolerance" {
			var tree map[string]any
			_ = json.Unmarshal(r.JSON(), &tree) // our own output
			delete(tree, "identifier")
			delete(tree, "recorder")
			out[r.Ref().String()] = text(tree)
		}
	}
	return out
}

// history are the versions that commits after each record of a case would make,
// and the contents that count after each commit that changed something of them.
func history(t testing.TB, records []*record.Record) (versions []byte, contents map[string][]*record.Record) {
	t.Helper()
	zone, contents := settings().Clinic.Zone, map[string][]*record.Record{}
	in := mapping.PatientFold{Patient: *records[0].Patient.Identifier}
	last := map[resource.Ref]resource.Resource{}
	var out bytes.Buffer
	put := func(r resource.Resource, at time.Time) {
		b, err := r.Splice("v"+at.Format("150405"), at)
		require.NoError(t, err)
		out.Write(append(hashes.ReplaceAll(b, nil), '\n'))
	}
	for i, rec := range records {
		b, err := record.Encode(rec)
		require.NoError(t, err)
		d := record.Read(b, zone)
		at := time.Date(2026, 6, 1, 9, i, 0, 0, time.UTC)
		in.Deliveries = append(in.Deliveries, mapping.Delivery{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: at})
		res, err := mapping.FoldPatient(settings(), in)
		require.NoError(t, err)
		if !res.Shared {
			return nil, nil
		}
		changed := map[string][]mapping.VersionedRef{}
		now := map[resource.Ref]resource.Resource{}
		for _, r := range res.Resources {
			now[r.Ref()] = r
			if !r.Equal(last[r.Ref()]) {
				put(r, at)
				changed[res.CaseOf[r.Ref()]] = append(changed[res.CaseOf[r.Ref()]], mapping.VersionedRef{Ref: r.Ref()})
			}
		}
		for ref, r := range last {
			if _, ok := now[ref]; ok {
				continue
			}
			if gone, ok, err := mapping.EnterInError(settings(), r, false); ok {
				require.NoError(t, err)
				put(gone, at)
			}
		}
		last = now
		for c, targets := range changed {
			p := mapping.ProvenanceInput{Targets: targets, Activity: mapping.ActivityUpdate, Recorded: at, Owner: "x", Case: c, Commit: at.String()}
			for _, s := range res.Sources {
				if s.Case != c {
					continue
				}
				p.Sources = append(p.Sources, s)
				contents[s.Record] = append(contents[s.Record], current(in, s.Record))
			}
			made, err := mapping.MakeProvenance(settings(), p)
			require.NoError(t, err)
			put(made, at)
		}
	}
	return out.Bytes(), contents
}

// D1.3: an allergy that a record states without naming it stands beside those that later
// records state, and comes back so: none of these takes its place.
func TestD1_3_AnAllergyWithoutANameComesBack(t *testing.T) {
	const header = `"clinic":"thistledown","status":"final","sharing":"agreed","patient":{"identifier":{"system":"https://thistledown.example/id/patient","value":"P-1"}}`
	in := mapping.PatientFold{Patient: record.Identifier{System: "https://thistledown.example/id/patient", Value: "P-1"}}
	for _, text := range []string{
		`{` + header + `,"record":"S-1","savedAt":"2025-03-04T12:00:00Z","kind":"surgery","author":{"staffKey":"st-1"},"surgery":{"outcome":"done","start":"2025-03-04T11:00:00Z","allergies":{"status":"present"}}}`,
		`{` + header + `,"record":"R-1","savedAt":"2025-03-11T12:00:00Z","kind":"review","author":{"staffKey":"st-2"},"review":{"surgery":"S-1","attendance":"attended","at":"2025-03-11T11:00:00Z","allergies":{"status":"present","items":[{"key":"a","substance":"latex","refuted":true}]}}}`,
	} {
		d := record.Read([]byte(text), settings().Clinic.Zone)
		require.False(t, d.Refused(), "%v", d.Findings)
		in.Deliveries = append(in.Deliveries, mapping.Delivery{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: time.Date(2025, 4, 1, 0, 0, 0, 0, time.UTC)})
	}
	res, err := mapping.FoldPatient(settings(), in)
	require.NoError(t, err)
	got, err := back.Read(back.Options{Terms: settings().Terms}, back.Input{Name: "fold", Data: published(t, res)})
	require.NoError(t, err)
	require.Len(t, got.Records, 2)
	for _, r := range got.Records {
		if r.Surgery != nil {
			require.Equal(t, &record.Allergies{Status: "present"}, r.Surgery.Allergies)
		} else {
			require.Equal(t, []record.Allergy{{Key: "a", Substance: "latex", Refuted: true}}, r.Review.Allergies.Items)
		}
	}
}

// D1.3: that no allergy is known, said by a review alone that waits for its surgery, is
// published for the patient; no record that comes back says it, so a finding names it.
func TestD1_3_AStatusThatNoRecordHoldsIsNamed(t *testing.T) {
	const header = `"clinic":"thistledown","status":"final","sharing":"agreed","patient":{"identifier":{"system":"https://thistledown.example/id/patient","value":"P-1"}}`
	in := mapping.PatientFold{Patient: record.Identifier{System: "https://thistledown.example/id/patient", Value: "P-1"}}
	for _, text := range []string{
		`{` + header + `,"record":"S-1","savedAt":"2025-03-04T12:00:00Z","kind":"surgery","author":{"staffKey":"st-1"},"surgery":{"outcome":"done","start":"2025-03-04T11:00:00Z"}}`,
		`{` + header + `,"record":"R-1","savedAt":"2025-03-11T12:00:00Z","kind":"review","author":{"staffKey":"st-2"},"review":{"surgery":"S-2","attendance":"attended","at":"2025-03-11T11:00:00Z","allergies":{"status":"none-known"}}}`,
	} {
		d := record.Read([]byte(text), settings().Clinic.Zone)
		require.False(t, d.Refused(), "%v", d.Findings)
		in.Deliveries = append(in.Deliveries, mapping.Delivery{Record: d.Record, Findings: d.Findings, Hash: d.Hash, Received: time.Date(2025, 4, 1, 0, 0, 0, 0, time.UTC)})
	}
	res, err := mapping.FoldPatient(settings(), in)
	require.NoError(t, err)
	got, err := back.Read(back.Options{Terms: settings().Terms}, back.Input{Name: "fold", Data: published(t, res)})
	require.NoError(t, err)
	require.Len(t, got.Records, 1)
	require.True(t, slices.ContainsFunc(got.Findings, func(f back.Finding) bool {
		return strings.HasPrefix(f.Resource, "AllergyIntolerance/") && f.Path == "/code"
	}))
}

// TestEachRevisionComesBack: of the history of its resources, every content of a
// record that was published comes back.
func TestEachRevisionComesBack(t *testing.T) {
	contents, several := 0, 0
	for _, records := range generate.Cases(20260401, sampled/2, generate.Options{Zone: settings().Clinic.Zone}) {
		if slices.ContainsFunc(records, func(r *record.Record) bool { return *r.Patient.Identifier != *records[0].Patient.Identifier }) {
			continue // one case under two patients is two histories
		}
		versions, wanted := history(t, records)
		if versions == nil {
			continue
		}
		got, err := back.Revisions(back.Options{Terms: settings().Terms}, back.Input{Name: "history", Data: versions})
		require.NoError(t, err)
		require.Equal(t, got.Leaves.All, got.Leaves.Read+got.Leaves.Named)
		have := map[string][]string{}
		for _, r := range got.Records {
			have[r.Record] = append(have[r.Record], text(normal(t, r)))
		}
		for id, each := range wanted {
			seen := map[string]bool{}
			for _, r := range each {
				want := text(normal(t, r))
				contents++
				seen[want] = true
				require.Contains(t, have[id], want, id)
			}
			if len(seen) > 1 {
				several++
			}
		}
	}
	t.Logf("%d contents, %d records with several", contents, several)
	require.Greater(t, several, 5, "records that were amended")
}

// sampled is how many cases the property is tried on.
const sampled = 40

// current is the content of a record that counts.
func current(in mapping.PatientFold, id string) *record.Record {
	var ds []mapping.Delivery
	for _, d := range in.Deliveries {
		if d.Record.Record == id {
			ds = append(ds, d)
		}
	}
	return mapping.Stand(ds, settings().Clinic.Zone).Current.Record
}
