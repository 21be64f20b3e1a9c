package receive

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"slices"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/followup"
	"nailbridge/mapping/record"
)

// What is stored was folded under the settings of then. When they change, the
// folds must: a basis for sharing that was taken out of the settings would
// else go on sharing every patient of whom no record arrives (D3.1).

// ErrOtherClinic: the store holds records of a clinic that the settings do not
// name, so that nothing says what of them may be shared.
var ErrOtherClinic = errors.New("the data are of another clinic than the settings name")

// The marks under which the store keeps what it was folded and indexed under:
// "" while it is being done again. Beside them, how far a renewal and an indexing
// came, and by name what the last renewal that came to its end was made with.
const (
	markFolded   = "folded"
	markIndexed  = "indexed"
	markPosition = "position"
	markIndexing = "indexing"
	markMade     = "made-with"
)

// foldAgain is the mark of folds of which one failed meanwhile: it outlives a
// renewal that was under way, so that the next start folds again.
const foldAgain = "again"

// upToDate says of what the store keeps whether it was made under the settings
// in force. Index rows may be so but for some search parameters: what those find
// is made while hubs read (IndexBehind).
type upToDate struct {
	folds, index bool
	behind       []string // parameters, as Type.name
}

// Named checks that the settings name every clinic of a store: ErrOtherClinic
// when they do not.
func Named(ctx context.Context, s store.Store, clinics []string) error {
	var stored []string
	err := s.View(ctx, func(r store.Reader) (err error) {
		stored, err = r.Clinics()
		return err
	})
	if err != nil {
		return unavailable(err)
	}
	for _, c := range stored {
		if !slices.Contains(clinics, c) {
			return ErrOtherClinic
		}
	}
	return nil
}

// Outdated reports whether Renew must fold the clinic's part of the store
// again before a hub may read it. That is written down first, so that a Renew
// that does not come to its end is begun again, also under the settings of
// before. A clinic of no patient is up to date by that alone.
func (v *Receiver) Outdated(ctx context.Context) (bool, error) {
	if err := v.ownRows(ctx); err != nil {
		return false, err
	}
	var is upToDate
	var owners []store.Owner
	err := v.Store.View(ctx, func(r store.Reader) (err error) {
		is, err = v.upToDateIn(r)
		if err != nil || is.folds && is.index {
			return err
		}
		owners, err = r.Owners(v.Settings.Clinic.ID) // which takes as long as there are many
		return err
	})
	switch {
	case err != nil:
		return false, unavailable(err)
	case is.folds && is.index:
		return false, nil
	case len(owners) == 0:
		return false, v.mark(ctx, is, v.foldedUnder(), v.indexedUnder())
	}
	return true, v.mark(ctx, is, "", "")
}

// Stale reports whether what is stored was folded under other settings, and
// writes nothing.
func (v *Receiver) Stale(ctx context.Context) (bool, error) {
	var is upToDate
	err := v.Store.View(ctx, func(r store.Reader) (err error) {
		is, err = v.upToDateIn(r)
		return err
	})
	if err != nil {
		return false, unavailable(err)
	}
	return !is.folds, nil
}

func (v *Receiver) upToDateIn(r store.Reader) (is upToDate, err error) {
	folded, err := r.Mark(v.Settings.Clinic.ID, markFolded)
	if err != nil {
		return is, err
	}
	was, err := v.indexed(r)
	now := v.Index.Made()
	return upToDate{folded == v.foldedUnder(), was.All == now.All, was.Behind(now)}, err
}

// mark keeps the marks of what is not up to date.
func (v *Receiver) mark(ctx context.Context, is upToDate, folded, indexed string) error {
	err := v.Store.Update(ctx, func(w store.Writer) error {
		was, err := w.Mark(v.Settings.Clinic.ID, markFolded)
		if err != nil {
			return err
		}
		if !is.folds {
			if err := v.markFolds(w, was, folded); err != nil {
				return err
			}
		}
		if is.index {
			return nil
		}
		return w.SetMark(v.Settings.Clinic.ID, markIndexed, indexed)
	})
	if err != nil {
		return unavailable(err)
	}
	return nil
}

// markFolds keeps under what the folds now are; "" for a renewal that begins. One
// that was cut off under the same settings goes on where it was, and knows of
// folds that failed before.
func (v *Receiver) markFolds(w store.Writer, was, folded string) error {
	finished := folded != ""
	at, err := v.position(w)
	if err != nil {
		return err
	}
	goesOn := !finished && at.Under != ""
	if !goesOn {
		if err := w.SetMark(v.Settings.Clinic.ID, markPosition, ""); err != nil {
			return err
		}
	}
	if was == foldAgain && (finished || goesOn) {
		return nil
	}
	if finished {
		if err := v.keepMadeWith(w); err != nil {
			return err
		}
	}
	return w.SetMark(v.Settings.Clinic.ID, markFolded, folded)
}

// Renewed counts what Renew did.
type Renewed struct {
	Patients int
	Failed   int // whose fold does not pass our own check: only what cannot wait was done
}

// Renew folds every patient of the clinic again under the settings in force,
// makes the index anew where that depends on them too, and commits the overdue
// facts of windows that thereby ended. It writes down that it is done when
// every patient is: one that ended early is gone on with. Only what changed makes a version. Where a
// fold failed, sharing was withdrawn all the same, and the next start tries
// again.
func (v *Receiver) Renew(ctx context.Context) (Renewed, error) {
	done, err := v.renewAt(ctx, nil)
	return Renewed{done.Patients, done.Failed}, err
}

// renewAt is Renew at a pace. It gives what was written, by itself and by those
// before it that were cut off.
func (v *Receiver) renewAt(ctx context.Context, pace *Pace) (out Remapped, err error) {
	var is upToDate
	var owners []store.Owner
	var at position
	out.Clinic = v.Settings.Clinic.ID
	re := *v
	re.remapping = true
	err = v.Store.View(ctx, func(r store.Reader) error {
		if is, err = v.upToDateIn(r); err != nil {
			return err
		}
		if owners, err = r.Owners(v.Settings.Clinic.ID); err != nil {
			return err
		}
		if re.causes, err = v.changedSince(r); err != nil {
			return err
		}
		at, err = v.position(r)
		return err
	})
	if err != nil {
		return out, unavailable(err)
	}
	if !is.folds {
		err = re.foldAll(ctx, owners, &at, pace)
		out = at.told(v.Settings.Clinic.ID, re.causes)
		if err != nil {
			return out, err
		}
	}
	if !is.index {
		if err := v.IndexBehind(ctx, pace); err != nil {
			return out, err
		}
	}
	if err := v.finish(ctx, is, out.Failed > 0); err != nil {
		return out, err
	}
	if _, err := v.Tick(ctx, v.Clock()); err != nil {
		v.Log.Error("tick failed, trying again at the next", "error", err)
	}
	return out, nil
}

// finish writes down that all is done, but for folds that failed.
func (v *Receiver) finish(ctx context.Context, is upToDate, failed bool) error {
	if failed {
		is.folds = true // as it is: outdated
		err := v.Store.Update(ctx, func(w store.Writer) error {
			return w.SetMark(v.Settings.Clinic.ID, markPosition, "")
		})
		if err != nil {
			return unavailable(err)
		}
	}
	return v.mark(ctx, is, v.foldedUnder(), v.indexedUnder())
}

// foldAll folds each patient in a transaction of its own, from where the last
// that was cut off had come.
func (v *Receiver) foldAll(ctx context.Context, owners []store.Owner, at *position, pace *Pace) error {
	if !at.Staff {
		if err := v.staffAll(ctx, owners, at, pace); err != nil {
			return err
		}
	}
	for _, o := range v.leftOf(owners, *at) {
		if err := pace.wait(ctx); err != nil {
			return unavailable(err)
		}
		failed, err := v.renew(ctx, o, at)
		if err != nil {
			return unavailable(err)
		}
		if failed {
			v.Meter.FailedFold()
		}
	}
	return nil
}

// staffAll renews what each patient says of the staff, before any is folded,
// since Practitioner is one for all.
func (v *Receiver) staffAll(ctx context.Context, owners []store.Owner, at *position, pace *Pace) error {
	for _, o := range owners {
		if err := pace.wait(ctx); err != nil {
			return unavailable(err)
		}
		err := v.once(ctx, func(w store.Writer) error {
			a, err := attemptOf(o)
			if err != nil {
				return nil // dealt with as it is folded
			}
			if err := v.gather(w, &a); err != nil {
				return err
			}
			_, err = v.keepStaff(w, &a) // whoever is concerned is folded too
			return err
		})
		if err != nil && !isOutput(err) { // a fault of ours: dealt with as it is folded
			return unavailable(err)
		}
	}
	next := *at
	next.Under, next.Staff = v.foldedUnder(), true
	if err := v.Store.Update(ctx, func(w store.Writer) error { return v.keepPosition(w, next) }); err != nil {
		return unavailable(err)
	}
	*at = next
	return nil
}

// renew folds one patient again, or, where that fails, does what cannot wait. In
// the same transaction it writes down how far that is.
func (v *Receiver) renew(ctx context.Context, o store.Owner, at *position) (failed bool, err error) {
	a, bad := attemptOf(o)
	if bad != nil { // nobody can say whether it may be shared
		v.Log.Error("an owner that is no patient is taken from hubs")
	}
	var next position
	err = v.update(ctx, func(w store.Writer, before failure) (err error) {
		var f *folded
		failed = bad != nil || before.any()
		switch {
		case bad != nil:
			f, err = v.takeOff(w, a)
		case failed:
			f, err = v.containPatient(w, a.in.Patient)
		default:
			f, err = v.refoldNow(w, a)
		}
		if err != nil {
			return err
		}
		next = at.after(v.ownerMark(o), v.foldedUnder(), f.written, failed)
		return v.keepPosition(w, next)
	})
	if err == nil {
		*at = next
	}
	return failed, err
}

// refoldNow folds a patient as a tick would leave it: with the overdue facts of
// windows that ended, by the settings in force too (D1.6).
func (v *Receiver) refoldNow(w store.Writer, a attempt) (*folded, error) {
	as, err := v.gatherThese(w, []record.Identifier{a.in.Patient}, "")
	if err != nil {
		return nil, err
	}
	known := len(as[0].in.Facts)
	v.tryAt(&as[0], v.Clock())
	for i := range as[1:] {
		v.try(&as[1+i])
	}
	if err := v.checkAll(w, as); err != nil {
		return nil, err
	}
	if issues := v.ownIssues(as); len(issues) > 0 {
		return nil, &outputError{issues}
	}
	var ended []store.Activity
	for _, x := range as[0].in.Facts[known:] {
		if err := w.PutFact(store.Fact{Owner: a.owner, Case: x.Case, Activity: x.Activity, End: x.End}); err != nil {
			return nil, err
		}
		ended = append(ended, store.Activity{Owner: a.owner, Case: x.Case, ID: x.Activity, End: x.End})
	}
	f := v.newFolded()
	if err := v.commitAll(w, as, f, false); err != nil {
		return nil, err
	}
	return f, f.announceOverdue(w, ended)
}

// attemptOf begins the attempt of a stored owner.
func attemptOf(o store.Owner) (a attempt, err error) {
	a.owner = o
	a.in.Patient, err = patientNamed(o)
	return a, err
}

// foldedUnder names all that a fold rests on besides what is stored: settings,
// code maps, protocols, limits, and the version of the mapping.
func (v *Receiver) foldedUnder() string {
	h := sha256.New()
	s := v.Settings
	zone := s.Clinic.Zone.String()
	s.Clinic.Zone, s.Terms = nil, nil // JSON would show nothing of them
	put(h, mapping.Version, v.Settings.Terms.Hash(), zone, s)
	protocols, _ := followup.Artifacts() // of the program itself, which could not fold without them
	for _, x := range protocols {
		put(h, string(x.JSON))
	}
	return hex.EncodeToString(h.Sum(nil))
}

// put writes values to a hash, each parted from the next.
func put(h hash.Hash, values ...any) {
	e := json.NewEncoder(h)
	for _, x := range values {
		if err := e.Encode(x); err != nil {
			panic(fmt.Sprintf("settings that are no JSON: %T", err)) // a field of a kind that JSON lacks
		}
	}
}
