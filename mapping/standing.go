package mapping

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"nailbridge/mapping/record"
)

// MaxAhead is how far a saved-at may lie after reception before it counts as
// the reception time (D1.1).
const MaxAhead = 10 * time.Minute

// Conflict says why the deliveries of one record id disagree.
type Conflict string

// The conflicts.
const (
	NoConflict       Conflict = ""
	SameRevision     Conflict = "same-revision"     // two contents under one revision (D1.2)
	RevisionsPartial Conflict = "revisions-partial" // some deliveries carry a revision, some do not (D1.1)
)

// Standing is which content of a record id counts.
type Standing struct {
	// Current is the delivery whose content counts; nil when the id has only
	// drafts, refused or held deliveries.
	Current *Delivery
	// Top is the greatest delivery, held ones included: it differs from
	// Current while a newer content is held.
	Top      *Delivery
	Conflict Conflict
	// Contents are the hashes of the contents in conflict, sorted; empty
	// without one.
	Contents []string
}

// SavedAt is the time a delivery counts as saved: its saved-at in the zone,
// or the reception time when that lies more than MaxAhead later. ahead says
// so. The zero time means that no saved-at was sent.
func (d *Delivery) SavedAt(zone *time.Location) (t time.Time, ahead bool) {
	if d.Record.SavedAt == nil {
		return time.Time{}, false
	}
	t, _ = d.Record.SavedAt.In(zone)
	if t.After(d.Received.Add(MaxAhead)) {
		return d.Received, true
	}
	return t, false
}

// ranked is a delivery with the values that rank it.
type ranked struct {
	*Delivery
	saved    time.Time
	revision int64
}

// Stand chooses the content that counts among the deliveries of one record id
// (D1.1, D1.2). The set decides, never the order of arrival. Drafts and
// refused deliveries never count; historical ones rank below every live one
// and never conflict with it. Of a delivery that is given several times, its first
// arrival stands.
func Stand(ds []Delivery, zone *time.Location) Standing {
	var live, old []ranked
	for i := range slices.Backward(ds) {
		d := &ds[i]
		if d.Refused || d.Record.Status == "draft" {
			continue
		}
		r := ranked{Delivery: d, revision: revisionOf(d.Record)}
		r.saved, _ = d.SavedAt(zone)
		if d.Record.Historical {
			old = append(old, r)
		} else {
			live = append(live, r)
		}
	}
	oldConflict, liveConflict := rank(old), rank(live)
	all := append(old, live...)
	if len(all) == 0 {
		return Standing{}
	}
	st := Standing{Top: all[len(all)-1].Delivery, Conflict: liveConflict, Contents: contents(live, liveConflict)}
	if len(live) == 0 {
		st.Conflict, st.Contents = oldConflict, contents(old, oldConflict)
	}
	for i := len(all) - 1; i >= 0 && st.Current == nil; i-- {
		if !all[i].Held {
			st.Current = all[i].Delivery
		}
	}
	return st
}

// rank sorts one class, lowest first, and says how its members conflict. Equals
// keep their order.
func rank(class []ranked) Conflict {
	with := 0
	for _, r := range class {
		if r.Record.Revision != nil {
			with++
		}
	}
	byRevision := with == len(class)
	slices.SortStableFunc(class, func(a, b ranked) int { return compareRanked(a, b, byRevision) })
	switch {
	case with > 0 && !byRevision:
		return RevisionsPartial
	case with > 0 && twoContents(class):
		return SameRevision
	}
	return NoConflict
}

// contents are the hashes in conflict: of the highest revision, or of all. class
// is sorted, lowest first.
func contents(class []ranked, c Conflict) []string {
	if c == NoConflict {
		return nil
	}
	var out []string
	for _, r := range class {
		if c == RevisionsPartial || r.revision == class[len(class)-1].revision {
			out = append(out, r.Hash)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// compareRanked orders by (revision, saved-at, hash) or (saved-at, hash). An
// absent saved-at, the zero time, ranks lowest.
func compareRanked(a, b ranked, byRevision bool) int {
	if byRevision {
		if c := cmp.Compare(a.revision, b.revision); c != 0 {
			return c
		}
	}
	if c := a.saved.Compare(b.saved); c != 0 {
		return c
	}
	return strings.Compare(a.Hash, b.Hash)
}

// twoContents reports two contents under the highest revision; class is
// sorted.
func twoContents(class []ranked) bool {
	top := class[len(class)-1]
	return slices.ContainsFunc(class, func(r ranked) bool {
		return r.revision == top.revision && r.Hash != top.Hash
	})
}

// Arrival is what the arrival of a content did to its record id.
type Arrival struct {
	// Counts: the content sent is the current one.
	Counts bool
	// Changed: the current content is another than before.
	Changed bool
	// ByTimeAlone: it does not count because its saved-at is lower, not its
	// revision: a slow clock may have hidden a correction (D1.1).
	ByTimeAlone bool
	// BelowLive: it does not count because it is historical and the content that
	// counts is live, whatever their revisions and dates (D1.1).
	BelowLive bool
	// Conflict is the one that the content sent has a part in.
	Conflict Conflict
}

// Arrive compares the standing before and after one delivery was added.
func Arrive(before, after Standing, sent *Delivery) Arrival {
	a := Arrival{Conflict: after.conflictOf(sent.Record)}
	if after.Top != nil {
		a.Counts = after.Top.Hash == sent.Hash
	}
	beforeHash, afterHash := "", ""
	if before.Current != nil {
		beforeHash = before.Current.Hash
	}
	if after.Current != nil {
		afterHash = after.Current.Hash
	}
	a.Changed = beforeHash != afterHash
	if !a.Counts && after.Top != nil {
		a.ByTimeAlone = !lowerRevision(sent.Record, after.Top.Record) && !sent.Record.Historical
		a.BelowLive = sent.Record.Historical && !after.Top.Record.Historical
	}
	return a
}

// conflictOf is the conflict that a delivery sent has a part in: a historical
// one never conflicts with a live one (D1.1), and what stands under a lower
// revision is no part of a conflict over the highest (D1.2).
func (st Standing) conflictOf(sent *record.Record) Conflict {
	switch {
	case st.Top == nil, sent.Historical != st.Top.Record.Historical:
		return NoConflict
	case st.Conflict == SameRevision && lowerRevision(sent, st.Top.Record):
		return NoConflict
	}
	return st.Conflict
}

func lowerRevision(a, b *record.Record) bool {
	return a.Revision != nil && b.Revision != nil && *a.Revision < *b.Revision
}
