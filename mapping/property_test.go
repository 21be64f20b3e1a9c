package mapping_test

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// Same input, same bytes.
func TestFoldGivesTheSameBytesTwice(t *testing.T) {
	eachPatient(t, 5, func(t *testing.T, p *folded) {
		assert.Empty(t, differences(picture(t, p.result(t)), picture(t, fold(t, p.in))))
	})
}

// patientsMade are the Patients of all who are shared.
func patientsMade(t *testing.T) map[resource.Ref]bool {
	made := map[resource.Ref]bool{}
	for _, p := range foldedWorld() {
		res, err := p.res()
		require.NoError(t, err)
		for _, r := range res.Resources {
			made[r.Ref()] = made[r.Ref()] || r.Type() == "Patient" && res.Shared
		}
	}
	return made
}

// Every reference resolves inside the set, or to another's Patient, every byte is read,
// and no form, id, date, mandatory element, invariant, code or unit is amiss (D5.10,
// D7.4, R-CONT-01, R-CONT-03, R-DATA-01, R-DATA-09, R-DATA-10).
func TestFoldPassesItsOwnCheck(t *testing.T) {
	s := worldSettings()
	made := patientsMade(t)
	other := func(ref resource.Ref) bool { return made[ref] } // D1.5: a link names another fold's Patient
	eachPatient(t, 1, func(t *testing.T, p *folded) {
		_, issues := validate.Check(p.result(t).Resources, other, s.Terms, s.Codes)
		for _, i := range issues {
			assert.Fail(t, "the fold's output does not pass", "%s: %s at %s: %s", i.Ref, i.Key, i.Path, i.Text)
		}
	})
}

// arrivals is one way in which everything about a patient reaches the bridge.
type arrivals struct {
	deliveries []mapping.Delivery
	// ticks says after how many deliveries the clock struck, and when.
	ticks []tick
	// acks come after how many deliveries.
	acks []ackAt
	last time.Time // of the last tick, the greatest instant used
}

type tick struct {
	after int
	at    time.Time
}

type ackAt struct {
	after int
	ack   mapping.Acknowledgement
}

// play lets the arrivals come one after another and gives the fold at the end.
func (a arrivals) play(t *testing.T, p mapping.PatientFold) mapping.Result {
	t.Helper()
	in := mapping.PatientFold{Patient: p.Patient, Staff: p.Staff, Joined: p.Joined}
	came := map[string]bool{}
	for i := range len(a.deliveries) + 1 {
		for _, k := range a.acks {
			if k.after == i {
				in.Acks = append(in.Acks, k.ack)
			}
		}
		for _, k := range a.ticks {
			if k.after == i && len(in.Deliveries)+len(in.Merges) > 0 {
				strike(t, &in, fold(t, in), k.at)
			}
		}
		if i == len(a.deliveries) {
			break
		}
		d := a.deliveries[i]
		if key := arrivalKey(d); !came[key] {
			came[key] = true
			in.Deliveries = append(in.Deliveries, among(p.Deliveries, d)...)
			in.Merges = append(in.Merges, among(p.Merges, d)...)
		}
	}
	res := fold(t, in)
	if strike(t, &in, res, a.last) {
		res = fold(t, in)
		require.False(t, strike(t, &in, res, a.last), "D1.6: a second tick stores a fact")
	}
	return res
}

// among gives a delivery that is one of a fold's.
func among(of []mapping.Delivery, d mapping.Delivery) []mapping.Delivery {
	if slices.ContainsFunc(of, func(x mapping.Delivery) bool { return arrivalKey(x) == arrivalKey(d) }) {
		return []mapping.Delivery{d}
	}
	return nil
}

// everything is all deliveries of a fold, the merges of others too.
func everything(in mapping.PatientFold) []mapping.Delivery {
	return append(slices.Clone(in.Deliveries), slices.DeleteFunc(slices.Clone(in.Merges), func(d mapping.Delivery) bool {
		return among(in.Deliveries, d) != nil
	})...)
}

// arrivalKey is what makes a delivery (D1.1): the content hash and the
// saved-at, under a record id.
func arrivalKey(d mapping.Delivery) string {
	saved := ""
	if d.Record.SavedAt != nil {
		saved = d.Record.SavedAt.String()
	}
	return d.Record.Record + "\n" + d.Hash + "\n" + saved
}

// strike stores the overdue facts of a tick (D1.6) and reports whether there
// were any.
func strike(t *testing.T, in *mapping.PatientFold, res mapping.Result, now time.Time) bool {
	t.Helper()
	stored := false
	for _, c := range res.Cases {
		for _, a := range c.Activities {
			f := mapping.OverdueFact{Case: c.Surgery, Activity: a.ID, End: a.Window.End}
			if a.Status.Open() && !now.Before(f.End) && !slices.Contains(in.Facts, f) {
				in.Facts = append(in.Facts, f)
				stored = true
			}
		}
	}
	return stored
}

// D1.4, R-ING-12: in every permutation with any repeats, with clock ticks and
// acknowledgements anywhere, the fold's own output is equal.
func TestD1_4_TheSetDecidesNeverTheOrder(t *testing.T) {
	eachPatient(t, 1, func(t *testing.T, p *folded) {
		r := seeded(p.in.Patient.Value)
		last := latest(p.in).Add(time.Duration(r.IntN(400)) * 24 * time.Hour)
		acks := someAcks(r, p.result(t))
		inOrder := arrivals{deliveries: everything(p.in), last: last}
		for _, a := range acks {
			inOrder.acks = append(inOrder.acks, ackAt{len(inOrder.deliveries), a})
		}
		final := inOrder.play(t, p.in)
		checkAcknowledged(t, final, acks)
		want := picture(t, final)
		got := picture(t, shuffled(r, p.in, acks, last).play(t, p.in))
		if d := differences(want, got); !assert.Empty(t, d) {
			t.Logf("%s", strings.Join(d, "\n"))
		}
	})
}

// checkAcknowledged holds that a flag is acknowledged exactly when somebody
// acknowledged it with the inputs that it has (D1.3).
func checkAcknowledged(t *testing.T, res mapping.Result, acks []mapping.Acknowledgement) {
	t.Helper()
	for _, f := range res.Flags {
		want := slices.ContainsFunc(acks, func(a mapping.Acknowledgement) bool { return a.Flag == f.ID && a.InputsHash == f.InputsHash })
		assert.Equal(t, want, f.Acknowledged != nil, "%s of %s", f.Code, f.Case)
	}
}

// D1.4, of a few patients with few deliveries: in every permutation.
func TestD1_4_EveryPermutation(t *testing.T) {
	left, joined := 4, 2
	if testing.Short() {
		left, joined = 2, 0 // too few cases for more
	}
	for _, p := range foldedWorld() {
		n := len(everything(p.in))
		if n < 3 || n > 4 || left == 0 && (joined == 0 || len(p.in.Merges) == 0) {
			continue
		}
		left = max(0, left-1)
		if len(p.in.Merges) > 0 {
			joined = max(0, joined-1)
		}
		last := latest(p.in).AddDate(0, 3, 0)
		want := picture(t, arrivals{deliveries: everything(p.in), last: last}.play(t, p.in))
		permute(everything(p.in), func(ds []mapping.Delivery) {
			got := picture(t, arrivals{deliveries: append(ds, ds[0]), last: last}.play(t, p.in))
			require.Empty(t, differences(want, got), p.in.Patient.Value)
		})
	}
	assert.Zero(t, left+joined, "patients with three or four deliveries, and with merges among them, are wanting")
}

// permute calls f with each order of the list, each in memory of its own.
func permute[T any](list []T, f func([]T)) {
	if len(list) == 0 {
		f(nil)
		return
	}
	for i := range list {
		rest := slices.Delete(slices.Clone(list), i, i+1)
		permute(rest, func(tail []T) { f(append([]T{list[i]}, tail...)) })
	}
}

// shuffled permutes deliveries with repeats, and strews ticks and
// acknowledgements.
func shuffled(r *rand.Rand, in mapping.PatientFold, acks []mapping.Acknowledgement, last time.Time) arrivals {
	a := arrivals{last: last, deliveries: everything(in)}
	for _, d := range everything(in) {
		for r.IntN(4) == 0 {
			a.deliveries = append(a.deliveries, d)
		}
	}
	r.Shuffle(len(a.deliveries), func(i, j int) { a.deliveries[i], a.deliveries[j] = a.deliveries[j], a.deliveries[i] })
	for range r.IntN(2) {
		a.ticks = append(a.ticks, tick{1 + r.IntN(len(a.deliveries)), last.Add(-time.Duration(r.IntN(500)) * 24 * time.Hour)})
	}
	for _, k := range acks {
		from := slices.IndexFunc(a.deliveries, func(d mapping.Delivery) bool { return d.Record.Record == k.Case })
		a.acks = append(a.acks, ackAt{max(0, from) + r.IntN(len(a.deliveries)-max(0, from)) + 1, k})
	}
	return a
}

// someAcks acknowledges some of the flags with what they show, and one with
// inputs that changed since.
func someAcks(r *rand.Rand, res mapping.Result) []mapping.Acknowledgement {
	var out []mapping.Acknowledgement
	for _, f := range res.Flags {
		if !f.Open() || r.IntN(4) > 0 {
			continue
		}
		a := mapping.Acknowledgement{
			Case: f.Case, Flag: f.ID, InputsHash: f.InputsHash, Reason: "seen with the patient",
			Who: record.Person{StaffKey: "st-1"}, At: time.Date(2025, 7, 1, 10, len(out), 0, 0, time.UTC),
		}
		if r.IntN(4) == 0 {
			a.InputsHash = strings.Repeat("0", 64)
		}
		out = append(out, a)
		if r.IntN(4) == 0 { // somebody else too
			a.Who, a.At, a.Reason = record.Person{StaffKey: "st-3"}, a.At.Add(-time.Minute), "told by telephone"
			out = append(out, a)
		}
	}
	return out
}

// latest is the greatest time of reception.
func latest(in mapping.PatientFold) time.Time {
	return slices.MaxFunc(everything(in), func(a, b mapping.Delivery) int { return a.Received.Compare(b.Received) }).Received
}

func seeded(name string) *rand.Rand {
	h := fnv.New64()
	h.Write([]byte(name))
	return rand.New(rand.NewPCG(worldSeed, h.Sum64()))
}

// D4.2: no live case with an undischarged border goes without an open dated
// activity or the critical flag that no review is planned.
func TestD4_2_NoCaseGoesUnwatched(t *testing.T) {
	eachPatient(t, 1, func(t *testing.T, p *folded) {
		res := p.result(t)
		for _, c := range res.Cases {
			if c.Status != "active" {
				continue
			}
			open := false
			for _, a := range c.Activities {
				open = open || a.Status.Open() && !a.Window.End.IsZero()
			}
			flagged := slices.ContainsFunc(res.Flags, func(f mapping.Flag) bool {
				return f.Case == c.Surgery && f.Code == "no-review-planned" && f.Level == mapping.Critical
			})
			assert.NotEqual(t, open, flagged, "case %s: open activity %v, flag %v", c.Surgery, open, flagged)
		}
		for _, id := range doneOnce(p.in) {
			published := slices.ContainsFunc(res.Sources, func(s mapping.Source) bool { return s.Record == id })
			planned := slices.ContainsFunc(res.Cases, func(c mapping.Case) bool { return c.Surgery == id })
			assert.Equal(t, published, planned, "a surgery done has a plan, and only if it counts: %s", id)
		}
	})
}

// doneOnce are the surgeries of a patient of which one content was ever sent, a
// final one that says the surgery was done: they must have a plan.
func doneOnce(in mapping.PatientFold) []string {
	sent := map[string]int{}
	for _, d := range in.Deliveries {
		sent[d.Record.Record]++
	}
	var out []string
	for _, d := range in.Deliveries {
		if r := d.Record; r.Surgery != nil && sent[r.Record] == 1 && r.Status == "final" && r.Surgery.Outcome == "done" && anyDone(r.Surgery) {
			out = append(out, r.Record)
		}
	}
	return out
}

// anyDone reports a border, or a toe without borders, that is not said to have
// been left undone.
func anyDone(s *record.Surgery) bool {
	if len(s.Toes) == 0 {
		return true
	}
	return slices.ContainsFunc(s.Toes, func(t record.Toe) bool {
		return len(t.Borders) == 0 || slices.ContainsFunc(t.Borders, func(b record.Border) bool { return b.Outcome == "" || b.Outcome == "done" })
	})
}

// D2.4, D5.11: every critical or warning flag of a published case has one
// DetectedIssue of that severity, with the tag while it is open; a note has
// none, and no other issue exists.
func TestD2_4_EveryFlagIsPublishedByItsLevel(t *testing.T) {
	eachPatient(t, 1, func(t *testing.T, p *folded) {
		res := p.result(t)
		issues := map[string]resource.Resource{}
		for _, r := range res.Resources {
			if r.Type() == "DetectedIssue" {
				issues[first(r, "identifier.value")] = r
			}
		}
		for _, f := range res.Flags {
			r, ok := issues[f.ID]
			delete(issues, f.ID)
			if f.Level == mapping.Note || !publishedCase(res, f) {
				assert.False(t, ok, "%s %s is published", f.Level, f.Code)
				continue
			}
			if assert.True(t, ok, "%s %s is not published", f.Level, f.Code) {
				want := map[mapping.Level]string{mapping.Critical: "high", mapping.Warning: "moderate"}[f.Level]
				assert.Equal(t, want, first(r, "severity"), f.Code)
				assert.Equal(t, f.Open(), first(r, "meta.tag.code") == "open", f.Code)
				assert.Equal(t, f.Text, first(r, "detail"))
			}
		}
		assert.Empty(t, issues, "issues without a flag")
	})
}

// publishedCase reports whether what a flag is about is published: its record
// is among the sources or, where it is about the patient, anything is.
func publishedCase(res mapping.Result, f mapping.Flag) bool {
	if f.Case == "" && f.Record == "" {
		return len(res.Sources) > 0
	}
	return slices.ContainsFunc(res.Sources, func(s mapping.Source) bool { return s.Record == cmp.Or(f.Record, f.Case) })
}

// first is the first value at a path of a resource, through lists; "" for none.
func first(r resource.Resource, path string) string {
	var at any = r.Tree()
	for _, name := range strings.Split(path, ".") {
		if list, ok := at.([]any); ok && len(list) > 0 {
			at = list[0]
		}
		m, _ := at.(map[string]any)
		at = m[name]
	}
	if at == nil {
		return ""
	}
	return fmt.Sprint(at)
}

// D2.3: every red flag of a record that counts is a critical flag, whatever
// else the record holds. Record ids with one delivery are looked at, for which
// no rank is needed.
func TestD2_3_NoRedFlagIsLost(t *testing.T) {
	eachPatient(t, 1, func(t *testing.T, p *folded) {
		res := p.result(t)
		count := map[string]int{}
		for _, d := range p.in.Deliveries {
			count[d.Record.Record]++
		}
		for _, d := range p.in.Deliveries {
			if count[d.Record.Record] > 1 || d.Record.Status != "final" || d.Record.Kind == "surgery" {
				continue
			}
			for _, red := range record.RedFlags(d.Record) {
				found := slices.ContainsFunc(res.Flags, func(f mapping.Flag) bool {
					return f.Record == d.Record.Record && f.Code == red.Code && f.Level == mapping.Critical
				})
				assert.True(t, found, "%s at %s of %s", red.Code, red.Pointer, d.Record.Record)
			}
		}
	})
}

// D3.1: the latest stated word wins over all that was ever received but drafts.
func TestD3_1_TheLatestWordOnSharingWins(t *testing.T) {
	words := map[record.Code]int{}
	for _, p := range foldedWorld() {
		in := p.in
		var best *mapping.Delivery
		for i := range in.Deliveries {
			d := &in.Deliveries[i]
			if d.Record.Status != "draft" && d.Record.Sharing != "" && *d.Record.Patient.Identifier == in.Patient &&
				(best == nil || later(d, best)) {
				best = d
			}
		}
		word := record.Code("")
		if best != nil {
			word = best.Record.Sharing
		}
		words[word]++
		s := worldSettings()
		for _, basis := range []string{"", "a basis"} {
			s.Clinic.ShareUnstated = basis
			shared := mapping.DecideSharing(in.Deliveries, in.Patient, s.Clinic).Shared
			assert.Equal(t, word == "agreed" || word == "" && basis != "", shared, "stated %q, basis %q", word, basis)
		}
	}
	assert.Len(t, words, 3, "agreed, declined and never stated occur")
}

// later orders by (saved-at, record, revision, hash), a saved-at more than ten
// minutes after reception being the reception (D1.1).
func later(a, b *mapping.Delivery) bool {
	saved := func(d *mapping.Delivery) time.Time {
		if d.Record.SavedAt == nil {
			return time.Time{}
		}
		at, _ := d.Record.SavedAt.In(worldSettings().Clinic.Zone)
		if at.Sub(d.Received) > 10*time.Minute {
			return d.Received
		}
		return at
	}
	revision := func(d *mapping.Delivery) int64 {
		if d.Record.Revision == nil {
			return 0
		}
		return *d.Record.Revision
	}
	return cmp.Or(saved(a).Compare(saved(b)), cmp.Compare(a.Record.Record, b.Record.Record),
		cmp.Compare(revision(a), revision(b)), cmp.Compare(a.Hash, b.Hash)) > 0
}
