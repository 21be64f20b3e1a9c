package receive

import (
	"context"
	"encoding/json"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
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
	return v.retry(ctx, "held", func(w store.Writer, row store.Delivery) (bool, error) {
		d := v.delivery(row)
		if d.Record.Patient == nil || d.Record.Patient.Identifier == nil {
			return false, nil
		}
		row.Held = false
		if err := w.MarkDelivery(row); err != nil {
			return false, err
		}
		f, err := v.foldAll(w, []record.Identifier{*d.Record.Patient.Identifier}, foldCause{delivery: &row})
		if err != nil {
			return false, err
		}
		row.Held = f.held
		if !f.held {
			row.Answer = string(Stored)
		}
		return !f.held, w.MarkDelivery(row)
	})
}

// RetryRefused reads every refused delivery again: a newer version of the
// bridge may understand it (design, "Nothing done to a patient is refused for
// being unsafe").
func (v *Receiver) RetryRefused(ctx context.Context) (Retried, error) {
	return v.retry(ctx, "refused", func(w store.Writer, row store.Delivery) (bool, error) {
		in, err := v.read(row.Body)
		if err != nil || in.refused {
			return false, nil
		}
		in.received = row.Received
		again := v.deliveryRow(in)
		again.Seq, again.Answer = row.Seq, string(Stored)
		if err := w.MarkDelivery(again); err != nil {
			return false, err
		}
		if err := v.putStaff(w, in.record); err != nil {
			return false, err
		}
		f, err := v.foldAll(w, []record.Identifier{*in.record.Patient.Identifier}, foldCause{delivery: &again})
		if err != nil {
			return false, err
		}
		if f.held {
			again.Answer, again.Held = string(Held), true
			return false, w.MarkDelivery(again)
		}
		return true, nil
	})
}

func (v *Receiver) retry(ctx context.Context, mark string, one func(store.Writer, store.Delivery) (bool, error)) (Retried, error) {
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
		accepted := false
		err := v.Store.Update(ctx, func(w store.Writer) error {
			var err error
			accepted, err = one(w, row)
			return err
		})
		if err != nil {
			return done, unavailable(err)
		}
		done.Tried++
		if accepted {
			done.Accepted++
		} else {
			done.Kept++
		}
	}
	return done, nil
}

// Lookup is what the clinic sees of one record id: every delivery with its
// answer, and the flags that now stand on its case.
type Lookup struct {
	Clinic     string         `json:"clinic"`
	Record     string         `json:"record"`
	Deliveries []Arrived      `json:"deliveries"`
	Flags      []mapping.Flag `json:"flags,omitempty"`
}

// Arrived is one delivery as listed.
type Arrived struct {
	Record     string           `json:"record,omitempty"`
	Answer     string           `json:"answer"`
	Received   string           `json:"received"`
	AgeSeconds int64            `json:"ageSeconds"`
	Hash       string           `json:"contentHash"`
	Counts     bool             `json:"counts,omitempty"`
	Urgent     bool             `json:"urgent,omitempty"`
	Reasons    []record.Finding `json:"reasons,omitempty"`
	Content    json.RawMessage  `json:"content,omitempty"` // as sent, when it is JSON
}

// Look reads one record id.
func (v *Receiver) Look(ctx context.Context, id string) (Lookup, error) {
	out := Lookup{Clinic: v.Settings.Clinic.ID, Record: id}
	err := v.Store.View(ctx, func(r store.Reader) error {
		rows, err := r.Deliveries(v.Settings.Clinic.ID, id)
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			return store.ErrNotFound
		}
		st := v.stand(rows)
		for _, row := range rows {
			a := v.arrived(row)
			a.Counts = st.Current != nil && st.Current.Hash == row.Hash
			out.Deliveries = append(out.Deliveries, a)
		}
		out.Flags, err = v.flagsOf(r, rows, id)
		return err
	})
	return out, err
}

func (v *Receiver) arrived(row store.Delivery) Arrived {
	a := Arrived{
		Record: row.Record, Answer: row.Answer, Received: row.Received.UTC().Format(timeLayout),
		AgeSeconds: int64(v.Clock().Sub(row.Received).Seconds()), Hash: row.Hash, Urgent: row.Superseded,
	}
	_ = json.Unmarshal(row.Reasons, &a.Reasons) // written by deliveryRow
	if json.Valid(row.Body) {
		a.Content = row.Body
	}
	return a
}

const timeLayout = "2006-01-02T15:04:05.000Z"

func (v *Receiver) flagsOf(r store.Reader, rows []store.Delivery, id string) ([]mapping.Flag, error) {
	caseID := id
	for _, row := range rows {
		if row.Surgery != "" {
			caseID = row.Surgery
		}
	}
	stored, err := r.ClinicFlags(v.Settings.Clinic.ID, false)
	if err != nil {
		return nil, err
	}
	var out []mapping.Flag
	for _, s := range stored {
		var fl mapping.Flag
		if err := json.Unmarshal(s.JSON, &fl); err != nil {
			return nil, err
		}
		if fl.Case == caseID || fl.Record == id {
			out = append(out, fl)
		}
	}
	return out, nil
}

// List gives the deliveries marked refused, held, waiting or superseded,
// oldest first, with their age and reasons.
func (v *Receiver) List(ctx context.Context, mark string) ([]Arrived, error) {
	out := []Arrived{}
	err := v.Store.View(ctx, func(r store.Reader) error {
		rows, err := r.DeliveriesList(v.Settings.Clinic.ID, mark)
		for _, row := range rows {
			out = append(out, v.arrived(row))
		}
		return err
	})
	if err != nil {
		return nil, unavailable(err)
	}
	return out, nil
}
