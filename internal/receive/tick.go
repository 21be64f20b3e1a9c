package receive

import (
	"context"
	"errors"
	"time"

	"nailbridge/internal/store"
)

// Tick commits an overdue fact for each open activity whose window ended at
// or before now and that has no fact of that end yet, and folds its patient
// again (D1.6). It returns how many facts it stored; a tick with none writes
// nothing. A patient that fails is left for the next tick and keeps no other
// from theirs.
func (v *Receiver) Tick(ctx context.Context, now time.Time) (int, error) {
	var due []store.Activity
	err := v.Store.View(ctx, func(r store.Reader) error {
		var err error
		due, err = r.EndedBefore(now)
		return err
	})
	if err != nil {
		return 0, unavailable(err)
	}
	byOwner := map[store.Owner][]store.Activity{}
	var owners []store.Owner // the earliest end first
	for _, a := range due {
		if a.Owner.Clinic != v.Settings.Clinic.ID {
			continue
		}
		if byOwner[a.Owner] == nil {
			owners = append(owners, a.Owner)
		}
		byOwner[a.Owner] = append(byOwner[a.Owner], a)
	}
	n := 0
	var faults []error
	for _, owner := range owners {
		if err := v.putFacts(ctx, owner, byOwner[owner]); err != nil {
			if isOutput(err) {
				v.Meter.FailedFold()
			}
			faults = append(faults, unavailable(err))
			continue
		}
		n += len(byOwner[owner])
	}
	return n, errors.Join(faults...)
}

func (v *Receiver) putFacts(ctx context.Context, owner store.Owner, as []store.Activity) error {
	return v.once(ctx, func(w store.Writer) error {
		for _, a := range as {
			if err := w.PutFact(store.Fact{Owner: owner, Case: a.Case, Activity: a.ID, End: a.End}); err != nil {
				return err
			}
		}
		id, err := patientNamed(owner)
		if err != nil {
			return err
		}
		f, err := v.refoldPatient(w, id)
		if err != nil {
			return err
		}
		return f.announceOverdue(w, as)
	})
}
