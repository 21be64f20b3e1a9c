package receive

import (
	"context"

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
	return v.retry(ctx, "held", func(w store.Writer, row store.Delivery, in incoming) (Kind, error) {
		before, err := w.Deliveries(v.Settings.Clinic.ID, row.Record)
		if err != nil {
			return "", err
		}
		a, err := v.admit(w, in, arriving{row: row, before: before})
		return a.Answer, err
	})
}

// RetryRefused reads every refused delivery again: a newer version of the
// bridge may understand it (design, "Nothing done to a patient is refused for
// being unsafe").
func (v *Receiver) RetryRefused(ctx context.Context) (Retried, error) {
	return v.retry(ctx, "refused", func(w store.Writer, row store.Delivery, in incoming) (Kind, error) {
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
		a, err := v.admit(w, in, arriving{row: again, before: before, isNew: true})
		return a.Answer, err
	})
}

// retry tries each delivery with a mark in a transaction of its own.
func (v *Receiver) retry(ctx context.Context, mark string, one func(store.Writer, store.Delivery, incoming) (Kind, error)) (Retried, error) {
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
	for _, row := range rows {
		kept := true
		in, err := v.read(row.Body)
		if err == nil {
			in.received = row.Received
			err = v.Store.Update(ctx, func(w store.Writer) error {
				kind, err := one(w, row, in)
				kept = kind == Held || kind == Refused
				return err
			})
		} else {
			err = nil // the settings name another clinic than when it came
		}
		if err != nil {
			return done, unavailable(err)
		}
		done.Tried++
		if kept {
			done.Kept++
		} else {
			done.Accepted++
		}
	}
	return done, nil
}
