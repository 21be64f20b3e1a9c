package receive

import (
	"context"
	"time"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// Tick commits an overdue fact for each open activity whose window ended at
// or before now and that has no fact of that end yet, and folds its patient
// again (D1.6). It returns how many facts it stored; a tick with none writes
// nothing.
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
	for _, a := range due {
		if a.Owner.Clinic == v.Settings.Clinic.ID {
			byOwner[a.Owner] = append(byOwner[a.Owner], a)
		}
	}
	n := 0
	for owner, as := range byOwner {
		if err := v.putFacts(ctx, owner, as); err != nil {
			return n, unavailable(err)
		}
		n += len(as)
	}
	return n, nil
}

func (v *Receiver) putFacts(ctx context.Context, owner store.Owner, as []store.Activity) error {
	return v.Store.Update(ctx, func(w store.Writer) error {
		for _, a := range as {
			if err := w.PutFact(store.Fact{Owner: owner, Case: a.Case, Activity: a.ID, End: a.End}); err != nil {
				return err
			}
		}
		id, ok := mapping.ParsePatientKey(owner.Patient)
		if !ok {
			return nil
		}
		_, err := v.foldAll(w, []record.Identifier{id}, foldCause{})
		return err
	})
}
