package receive

import (
	"context"
	"errors"

	"nailbridge/internal/store"
)

// Retried counts what a retry did.
type Retried struct {
	Tried    int `json:"tried"`
	Accepted int `json:"accepted"` // no longer held or refused
	Kept     int `json:"kept"`     // held or refused as before
}

// RetryHeld folds every held delivery again: at start, after an upgrade, and
// on demand (D2, held).
func (v *Receiver) RetryHeld(ctx context.Context) (Retried, error) {
	return v.retry(ctx, "held", func(w store.Writer, row store.Delivery, in incoming, failed failure) (Kind, error) {
		before, err := w.Deliveries(v.Settings.Clinic.ID, row.Record)
		if err != nil {
			return "", err
		}
		a, err := v.admit(w, in, arriving{row: row, before: before}, failed)
		return a.Answer, err
	})
}

// RetryRefused reads every refused delivery again: a newer version of the
// bridge may understand it (design, "Nothing done to a patient is refused for
// being unsafe").
func (v *Receiver) RetryRefused(ctx context.Context) (Retried, error) {
	return v.retry(ctx, "refused", func(w store.Writer, row store.Delivery, in incoming, failed failure) (Kind, error) {
		if in.refused {
			return Refused, nil
		}
		before, err := w.Deliveries(v.Settings.Clinic.ID, in.record.Record)
		if err != nil {
			return "", err
		}
		again := v.deliveryRow(in)
		for _, b := range before {
			if b.Seq != row.Seq && b.Hash == again.Hash && b.SavedAt.Equal(again.SavedAt) {
				// The same content was sent again and understood since.
				row.Answer = string(Unchanged)
				return Unchanged, w.MarkDelivery(row)
			}
		}
		again.Seq = row.Seq
		if err := v.keepMerged(w, again, in.record); err != nil {
			return "", err
		}
		a, err := v.admit(w, in, arriving{row: again, before: before, isNew: true}, failed)
		return a.Answer, err
	})
}

// trying tries one delivery; failed is what did not pass when that was tried
// before (update).
type trying func(w store.Writer, row store.Delivery, in incoming, failed failure) (Kind, error)

// retry tries each delivery with a mark in a transaction of its own. One that
// fails stays as it is and keeps no other from its turn.
func (v *Receiver) retry(ctx context.Context, mark string, one trying) (Retried, error) {
	var rows []store.Delivery
	err := v.Store.View(ctx, func(r store.Reader) error {
		var err error
		rows, err = r.DeliveriesList(v.Settings.Clinic.ID, mark)
		return err
	})
	if err != nil {
		return Retried{}, unavailable(err)
	}
	var done Retried
	var faults []error
	for _, row := range rows {
		kept, err := v.retryOne(ctx, mark, row, one)
		var failed *outputError
		switch {
		case errors.Is(err, errMadeGood):
			continue // something else has tried it
		case errors.As(err, &failed):
			v.logIssues("a retry did not pass the check", failed.issues)
			v.Meter.FailedFold()
		case err != nil:
			faults = append(faults, unavailable(err))
		}
		done.Tried++
		if kept {
			done.Kept++
		} else {
			done.Accepted++
		}
	}
	return done, errors.Join(faults...)
}

// retryOne tries one delivery, unless something has taken its mark off since it
// was listed. One of another clinic than the settings name now is kept.
func (v *Receiver) retryOne(ctx context.Context, mark string, row store.Delivery, one trying) (kept bool, err error) {
	in, err := v.read(row.Body)
	if err != nil || in.unread {
		return true, nil
	}
	in.received = row.Received
	var kind Kind
	err = v.update(ctx, func(w store.Writer, failed failure) error {
		now, err := w.PutDelivery(row) // which is kept already: it is returned as it is now
		if err != nil {
			return err
		}
		if now.Seq != row.Seq || mark == "held" && !now.Held || mark == "refused" && now.Answer != string(Refused) {
			return errMadeGood
		}
		kind, err = one(w, now, in, failed)
		return err
	})
	if err == nil && kind == Held {
		v.countHeld(mark, in)
	}
	return err != nil || kind == Held || kind == Refused, err
}

// countHeld counts for the alarm what a retry held (D2): a refused record is
// held from now on, and one that was held is another fold that failed.
func (v *Receiver) countHeld(mark string, in incoming) {
	if mark == "refused" {
		v.Meter.HeldRecord(len(in.redFlags) > 0)
		return
	}
	v.Meter.FailedFold()
}

// errMadeGood rolls a retry back of what was accepted since it was listed.
var errMadeGood = errors.New("made good meanwhile")
