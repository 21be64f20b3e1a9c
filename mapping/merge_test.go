package mapping

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/safety/safetytest"
)

func number(value string) record.Identifier {
	return record.Identifier{System: checked.System, Value: value}
}

// mergeOf says that a patient replaces others, saved on a day of March 2026 and
// received at noon of it.
func mergeOf(t *testing.T, id string, day int, by string, replaced ...string) Delivery {
	t.Helper()
	at := time.Date(2026, 3, day, 10, 0, 0, 0, time.UTC)
	r := &record.Record{
		Clinic: "clinic", Record: id, Kind: "merge", Status: "final", SavedAt: safetytest.When(at.Format(time.RFC3339)),
		Author: &record.Person{StaffKey: "clerk-" + id}, Merge: &record.Merge{},
	}
	who := number(by)
	r.Patient = &record.Patient{Identifier: &who}
	for _, old := range replaced {
		r.Merge.Replaces = append(r.Merge.Replaces, number(old))
	}
	return readBack(t, r).at(at.Add(2 * time.Hour))
}

// edited is a delivery with its record changed, a new content, received two hours
// after it was saved.
func edited(t *testing.T, d Delivery, edit func(*record.Record)) Delivery {
	t.Helper()
	r := *d.Record
	edit(&r)
	at, _ := r.SavedAt.In(time.UTC)
	return readBack(t, &r).at(at.Add(2 * time.Hour))
}

func withdrawn(day string) func(*record.Record) {
	return func(r *record.Record) { r.Status, r.SavedAt = "withdrawn", safetytest.When(day) }
}

// surgeryFor is a quiet surgery of another patient, saved in March 2026.
func surgeryFor(t *testing.T, id, patient string, sharing record.Code) Delivery {
	return surgeryOf(t, id, func(r *record.Record) {
		who := number(patient)
		r.Patient = &record.Patient{Identifier: &who, Name: &record.Name{Family: "Marsh"}}
		r.Sharing, r.SavedAt = sharing, safetytest.When("2026-03-01T09:00:00Z")
	}).at(time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC))
}

// foldAll folds every patient that the deliveries name, by number.
func foldAll(t *testing.T, basis string, ds ...Delivery) map[string]Result {
	t.Helper()
	s := checkSettings(nil)
	s.Clinic.ShareUnstated = basis
	var folds []PatientFold
	for _, d := range ds {
		p := *d.Record.Patient.Identifier
		if slices.ContainsFunc(folds, func(f PatientFold) bool { return f.Patient == p }) {
			continue
		}
		of := slices.DeleteFunc(slices.Clone(ds), func(x Delivery) bool {
			return !slices.ContainsFunc(ds, func(y Delivery) bool { return y.Record.Record == x.Record.Record && names(y.Record, p) })
		})
		folds = append(folds, PatientFold{Patient: p, Deliveries: of})
	}
	out := map[string]Result{}
	for _, f := range Join(s, folds) {
		res, err := FoldPatient(s, f)
		require.NoError(t, err)
		out[f.Patient.Value] = res
	}
	return out
}

// links writes what the Patients of folds say of one another: "B-replaced-by->A",
// with a bar behind those that are out of use.
func links(t *testing.T, folds map[string]Result) []string {
	t.Helper()
	name := map[string]string{}
	for value := range folds {
		name[checkSettings(nil).patientRef(number(value)).String()] = value
	}
	var out []string
	for value, res := range folds {
		if !res.Shared {
			continue
		}
		for _, p := range ofType(res.Resources, "Patient") {
			for i, l := range at(p, "link.type") {
				s := value + "-" + l.(string) + "->" + name[at(p, "link.other.reference")[i].(string)]
				if slices.Equal(at(p, "active"), []any{false}) {
					s += "|"
				}
				out = append(out, s)
			}
		}
	}
	slices.Sort(out)
	return out
}

// bytesOf are the resources of a fold as they are written.
func bytesOf(res Result) []string {
	var out []string
	for _, r := range res.Resources {
		out = append(out, string(r.JSON()))
	}
	return out
}

const aBasis = "a basis"

// D1.5: a merge links both Patients and takes the one replaced out of use; cases
// stay where they are.
func TestD1_5_AMergeLinksBothWays(t *testing.T) {
	folds := foldAll(t, "", surgeryFor(t, "S-A", "A", "agreed"), surgeryFor(t, "S-B", "B", "agreed"), mergeOf(t, "M-1", 2, "A", "B"))
	assert.Equal(t, []string{"A-replaces->B", "B-replaced-by->A|"}, links(t, folds))
	for value, res := range folds {
		p := only(t, res.Resources, "Patient")
		assert.Equal(t, []any{value}, at(p, "identifier.value"))
		assert.Equal(t, []any{"Marsh"}, at(p, "name.family"), "the demographics of its own records")
		sitting := only(t, res.Resources, "CarePlan")
		assert.Equal(t, []any{p.Ref().String()}, at(sitting, "subject.reference"), "the case stays")
		assert.Contains(t, narrative(t, p), map[string]string{"A": saysReplaces, "B": saysReplaced}[value])
		require.Len(t, res.Sources, 2)
		assert.Equal(t, record.Code("merge"), res.Sources[0].Kind, "a source of what is folded per patient")
		assert.Contains(t, at(only(t, res.Resources, "Organization"), "name"), any("Clinic"))
		var staff []any
		for _, w := range ofType(res.Resources, "Practitioner") {
			staff = append(staff, at(w, "identifier.value")...)
		}
		assert.Contains(t, staff, any("clerk-M-1"), "its author is built for Provenance")
		assert.Empty(t, res.Waiting)
	}
}

// D1.5: what counts of a merge, as of any other record.
func TestD1_5_WhichMergesCount(t *testing.T) {
	a, b := surgeryFor(t, "S-A", "A", "agreed"), surgeryFor(t, "S-B", "B", "agreed")
	m := mergeOf(t, "M-1", 2, "A", "B")
	draft := edited(t, m, func(r *record.Record) { r.Status = "draft" })
	off := edited(t, m, withdrawn("2026-03-03T10:00:00Z"))
	headerOnly := edited(t, off, func(r *record.Record) { r.Merge = nil })
	other := edited(t, m, func(r *record.Record) {
		r.Status, r.SavedAt, r.Merge = "amended", safetytest.When("2026-03-04T10:00:00Z"), &record.Merge{Replaces: []record.Identifier{number("C")}}
	})
	held := other
	held.Held = true
	both := []string{"A-replaces->B", "B-replaced-by->A|"}
	for name, c := range map[string]struct {
		ds   []Delivery
		want []string
	}{
		"final":                        {[]Delivery{m}, both},
		"draft":                        {[]Delivery{draft}, nil},
		"final, then a draft":          {[]Delivery{m, draft}, both},
		"withdrawn":                    {[]Delivery{m, off}, nil},
		"withdrawn by its header":      {[]Delivery{headerOnly, m}, nil},
		"withdrawn and back":           {[]Delivery{m, off, other}, []string{"A-replaces->C", "C-replaced-by->A|"}},
		"amended":                      {[]Delivery{other, m}, []string{"A-replaces->C", "C-replaced-by->A|"}},
		"superseded by what is held":   {[]Delivery{m, held}, nil}, // D2, held: nobody is shown as replaced who may not be
		"said twice":                   {[]Delivery{m, mergeOf(t, "M-2", 3, "A", "B")}, both},
		"several replaced":             {[]Delivery{mergeOf(t, "M-1", 2, "A", "B", "C")}, []string{"A-replaces->B", "A-replaces->C", "B-replaced-by->A|", "C-replaced-by->A|"}},
		"old, and contradicted by new": {[]Delivery{edited(t, mergeOf(t, "M-9", 9, "B", "A"), func(r *record.Record) { r.Historical = true }), m}, both},
	} {
		t.Run(name, func(t *testing.T) {
			ds := append([]Delivery{a, b}, c.ds...)
			assert.Equal(t, c.want, links(t, foldAll(t, aBasis, ds...)))
			slices.Reverse(ds)
			assert.Equal(t, c.want, links(t, foldAll(t, aBasis, ds...)), "D1.4, the other way round")
		})
	}
}

// D1.5: chains stand as they are said; where merges contradict one another, the
// later statement counts, whatever arrived first, and the clinic is told.
func TestD1_5_ChainsAndContradictions(t *testing.T) {
	chain := []Delivery{mergeOf(t, "M-1", 2, "B", "A"), mergeOf(t, "M-2", 3, "C", "B")}
	all := []string{"A-replaced-by->B|", "B-replaced-by->C|", "B-replaces->A|", "C-replaces->B"}
	folds := foldAll(t, aBasis, chain...)
	assert.Equal(t, all, links(t, folds))
	for _, res := range folds {
		assert.Empty(t, res.Flags)
		assert.Empty(t, at(only(t, res.Resources, "Patient"), "name"), "the number alone is known")
	}
	for name, c := range map[string]struct {
		more []Delivery
		want []string
		of   string // whose merge is contradicted
	}{
		"a cycle of three, closed last":  {[]Delivery{chain[0], chain[1], mergeOf(t, "M-3", 4, "A", "C")}, []string{"A-replaces->C", "B-replaced-by->C|", "C-replaced-by->A|", "C-replaces->B|"}, "B"},
		"a cycle of three, closed first": {[]Delivery{chain[0], chain[1], mergeOf(t, "M-3", 1, "A", "C")}, all, "A"},
		"a cycle of two":                 {[]Delivery{chain[0], mergeOf(t, "M-3", 4, "A", "B")}, []string{"A-replaces->B", "B-replaced-by->A|"}, "B"},
		"a cycle of two, the same time":  {[]Delivery{chain[0], mergeOf(t, "M-3", 2, "A", "B")}, []string{"A-replaces->B", "B-replaced-by->A|"}, "B"},
		"replaced by two":                {[]Delivery{chain[0], mergeOf(t, "M-3", 4, "C", "A")}, []string{"A-replaced-by->C|", "C-replaces->A"}, "B"},
	} {
		t.Run(name, func(t *testing.T) {
			ds := append(c.more, surgeryFor(t, "S-B", "B", "agreed"))
			folds := foldAll(t, aBasis, ds...)
			assert.Equal(t, c.want, links(t, folds))
			for value, res := range folds {
				if value == c.of {
					assert.Equal(t, []string{"warning /merge/replaces/0"}, levelsOf(res, "merge-contradicted"))
					for _, i := range ofType(res.Resources, "DetectedIssue") { // where the merge is published by another of its links
						for _, ref := range refs(i, "implicated") {
							referredTo(t, res.Resources, ref)
						}
					}
				} else {
					assert.Empty(t, levelsOf(res, "merge-contradicted"), value)
				}
			}
			permuted := slices.Clone(ds)
			slices.Reverse(permuted)
			for value, res := range foldAll(t, aBasis, permuted...) {
				assert.Equal(t, bytesOf(folds[value]), bytesOf(res), "D1.4")
				assert.Equal(t, folds[value].Flags, res.Flags, "D1.4")
			}
		})
	}
}

// D3.1: a Patient who is not shared is named by no other and names none, and
// nothing of the merge is published of the one who is.
func TestD3_1_AMergeNamesOnlyWhoIsShared(t *testing.T) {
	m := mergeOf(t, "M-1", 4, "A", "B")
	for name, c := range map[string]struct {
		a, b  record.Code
		basis string
		shown bool
	}{
		"both agreed":                         {"agreed", "agreed", "", true},
		"the one replaced declined":           {"agreed", "declined", "", false},
		"the one who replaces declined":       {"declined", "agreed", "", false},
		"the one replaced never said":         {"agreed", "", "", false},
		"the one replaced never said, basis":  {"agreed", "", aBasis, true},
		"the one who replaces never said":     {"", "agreed", "", false},
		"declined in spite of a basis":        {"agreed", "declined", aBasis, false},
		"neither":                             {"declined", "declined", aBasis, false},
		"the one who replaces said, no basis": {"", "agreed", aBasis, true},
	} {
		t.Run(name, func(t *testing.T) {
			folds := foldAll(t, c.basis, surgeryFor(t, "S-A", "A", c.a), surgeryFor(t, "S-B", "B", c.b), m)
			if c.shown {
				assert.Len(t, links(t, folds), 2)
				assert.Empty(t, levelsOf(folds["A"], "merge-not-shared"))
				return
			}
			assert.Equal(t, []string{"note /merge/replaces/0"}, levelsOf(folds["A"], "merge-not-shared"), "the clinic is told")
			other := map[string]string{"A": "B", "B": "A"}
			for value, res := range folds {
				for _, r := range res.Resources {
					assert.NotContains(t, string(r.JSON()), checkSettings(nil).patientRef(number(other[value])).ID)
					assert.NotContains(t, string(r.JSON()), "clerk-M-1")
				}
				assert.Empty(t, at(only(t, res.Resources, "Patient"), "active"))
				assert.Len(t, res.Sources, 1, "the merge is no source of what is published")
			}
		})
	}
}

// D1.5: a number of which nothing else was ever received has a Patient with it
// alone, while a merge that is shown names it; and so has the one who replaces.
func TestD1_5_ANumberKnownByTheMergeAlone(t *testing.T) {
	m := mergeOf(t, "M-1", 4, "A", "B")
	folds := foldAll(t, aBasis, m)
	require.Len(t, folds, 2)
	assert.Equal(t, []string{"A-replaces->B", "B-replaced-by->A|"}, links(t, folds))
	for value, res := range folds {
		assert.Equal(t, []any{value}, at(only(t, res.Resources, "Patient"), "identifier.value"))
	}
	for value, res := range foldAll(t, "", m) {
		assert.Empty(t, res.Resources, value)
	}
}

// D3.1: what the narrative says of links is taken from it with them, and what is
// still named stays.
func TestD1_5_UnlinkTakesBackAllThatLinksSaid(t *testing.T) {
	s := checkSettings(nil)
	linked := foldAll(t, aBasis, surgeryFor(t, "S-B", "B", "agreed"), mergeOf(t, "M-1", 2, "B", "C"), mergeOf(t, "M-2", 3, "A", "B"))["B"]
	plain := only(t, foldAll(t, aBasis, surgeryFor(t, "S-B", "B", "agreed"))["B"].Resources, "Patient")
	p := only(t, linked.Resources, "Patient")
	r, changed, err := Unlink(p, nil)
	require.NoError(t, err)
	assert.True(t, changed)
	assert.Equal(t, string(plain.JSON()), string(r.JSON()))

	r, changed, err = Unlink(p, []resource.Ref{s.patientRef(number("C"))})
	require.NoError(t, err)
	assert.True(t, changed)
	without := foldAll(t, aBasis, surgeryFor(t, "S-B", "B", "agreed"), mergeOf(t, "M-1", 2, "B", "C"))["B"]
	assert.Equal(t, string(only(t, without.Resources, "Patient").JSON()), string(r.JSON()))

	for name, x := range map[string]resource.Resource{"nothing to take": plain, "another type": only(t, linked.Resources, "Organization")} {
		_, changed, err = Unlink(x, nil)
		require.NoError(t, err)
		assert.False(t, changed, name)
	}
	_, changed, err = Unlink(p, []resource.Ref{s.patientRef(number("A")), s.patientRef(number("C"))})
	require.NoError(t, err)
	assert.False(t, changed, "all may be named")
}

// D1.1: what a merge states of its patient counts as any record's statement; one
// sent under a surgery's id takes the surgery away, which is critical.
func TestD1_1_AMergeIsARecordAsAnyOther(t *testing.T) {
	named := edited(t, mergeOf(t, "M-1", 4, "A", "B"), func(r *record.Record) {
		r.Patient = &record.Patient{Identifier: r.Patient.Identifier, Name: &record.Name{Family: "Reed"}}
	})
	res := foldAll(t, aBasis, surgeryFor(t, "S-A", "A", "agreed"), named)["A"]
	assert.Equal(t, []any{"Reed"}, at(only(t, res.Resources, "Patient"), "name.family"))

	res = foldAll(t, aBasis, surgeryFor(t, "M-1", "A", "agreed"), named)["A"]
	levels := levelsOf(res, "record-kind-changed")
	require.Len(t, levels, 1)
	assert.True(t, strings.HasPrefix(levels[0], "critical"), levels)
}
