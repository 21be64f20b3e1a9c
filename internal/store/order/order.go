// Package order is the one order of everything that a hub sees, as rules alone:
// the place that a commit takes, the bound of a walk, the versions that stand
// under a bound, and the instants that a restore made void. A store takes its
// numbers here and keeps the rest in its own language; the model of the tests
// drives the same rules through every interleaving of some writers and pollers.
//
// Two things are the store's to see to, and the model shows that neither can be
// spared: a place is taken under the lock that lets one transaction write, and
// head and versions become visible together, by the commit.
//
// Instants are milliseconds since 1970, as fine as meta.lastUpdated is served.
package order

import "math"

// Current is Version.Until of a version that has no successor.
const Current int64 = math.MaxInt64

// Place is where a commit stands in the order. The zero Place is before all.
type Place struct {
	Seq int64 // from 1, without a gap
	At  int64 // lastUpdated; rises strictly with Seq
}

// Next is the place after p: the clock's own time, unless that stands, or was
// put back, at or before p.
func (p Place) Next(clock int64) Place {
	if p.Seq == 0 {
		return Place{1, clock}
	}
	return Place{p.Seq + 1, max(clock, p.At+1)}
}

// Restored is the place that the restore of a backup takes after p, the last
// one of the backup. It is later than every place that was given out between
// the backup, made at taken, and its restore at now, if meanwhile the clock was
// not put back and commits came no faster than one a millisecond (each waits
// for the disk): a commit is then no further ahead of the clock than the one
// before it, and p was ahead by p.At - taken at most. A clock that was put
// back, or stands wrong at the restore, cannot be seen from here; nor by how
// much p was ahead where the backup does not say when it was made (taken 0).
func (p Place) Restored(taken, now int64) Place {
	ahead := int64(0)
	if taken != 0 && p.Seq > 0 {
		ahead = max(0, p.At-taken)
	}
	return p.Next(max(now, taken) + ahead + 1)
}

// Lost reports whether who has seen everything until an instant may have seen
// what a restore lost: the instant lies after the last place of the backup and
// before that of the restore.
func Lost(instant int64, kept, restored Place) bool {
	return instant > kept.At && instant < restored.At
}

// Bound is the last Seq that a walk sees: that of the head, or the earlier one
// that the walk began under. 0 asks for the head.
func Bound(head, asked int64) int64 {
	if asked <= 0 {
		return head
	}
	return min(asked, head)
}

// Version is what the order knows of one version of a resource.
type Version struct {
	Seq     int64 // of the commit that made it
	Until   int64 // of the commit that made its successor; Current without one
	Deleted bool  // it is a DELETE entry
	Hidden  bool  // no longer to be shown, under any bound (D3.1, D1.5)
}

// Stands reports whether the version is the state of its resource under a
// bound, for a search.
func (v Version) Stands(bound int64) bool {
	return v.Seq <= bound && bound < v.Until && !v.Deleted && !v.Hidden
}

// Told reports whether a history under a bound tells the version, from a Seq on.
func (v Version) Told(from, bound int64) bool {
	return from <= v.Seq && v.Seq <= bound && !v.Hidden
}
