package receive

import (
	"context"
	"encoding/json"
	"fmt"
	"unicode/utf8"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// Lookup is what the clinic sees of one record id: every delivery with its
// answer, and the flags that now stand on its case or its patient.
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
	Bytes      []byte           `json:"bytes,omitempty"`   // as sent, when it is not
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
		current := v.currentRow(rows)
		for i, row := range rows {
			a := v.arrived(row)
			a.Counts = i == current
			out.Deliveries = append(out.Deliveries, a)
		}
		flags, err := v.flagsOf(r, rows, id)
		for _, f := range flags {
			out.Flags = append(out.Flags, f.shown)
		}
		return err
	})
	return out, err
}

func (v *Receiver) arrived(row store.Delivery) Arrived {
	a := Arrived{
		Record: row.Record, Answer: row.Answer, Received: row.Received.UTC().Format(resource.LastUpdatedLayout),
		AgeSeconds: int64(v.Clock().Sub(row.Received).Seconds()), Hash: row.Hash, Urgent: row.Superseded,
	}
	_ = json.Unmarshal(row.Reasons, &a.Reasons) // written by deliveryRow
	if utf8.Valid(row.Body) && json.Valid(row.Body) {
		a.Content = row.Body
	} else {
		a.Bytes = row.Body
	}
	return a
}

// standingFlag is a flag as stored and as shown.
type standingFlag struct {
	store.Flag
	shown mapping.Flag
}

// flagsOf are the flags that stand on the record, its case or the patient as a
// whole, for every patient that the record ever named.
func (v *Receiver) flagsOf(r store.Reader, rows []store.Delivery, id string) ([]standingFlag, error) {
	cases, patients := map[string]bool{id: true}, map[string]bool{}
	for _, row := range rows {
		if row.Surgery != "" {
			cases[row.Surgery] = true
		}
	}
	var out []standingFlag
	for _, row := range rows {
		if row.Patient == "" || patients[row.Patient] {
			continue
		}
		patients[row.Patient] = true
		stored, err := r.Flags(store.Owner{Clinic: row.Clinic, Patient: row.Patient})
		if err != nil {
			return nil, err
		}
		for _, s := range stored {
			f := standingFlag{Flag: s}
			if err := json.Unmarshal(s.JSON, &f.shown); err != nil {
				return nil, fmt.Errorf("stored flag: %w", err)
			}
			if cases[f.shown.Case] || concerns(f.shown, id, id) {
				out = append(out, f)
			}
		}
	}
	return out, nil
}

// flagOf is the flag with an id among those of a record. An amendment may
// leave it standing for two patients; the open one counts, then the last.
func (v *Receiver) flagOf(r store.Reader, recordID, flagID string) (standingFlag, error) {
	rows, err := r.Deliveries(v.Settings.Clinic.ID, recordID)
	if err != nil {
		return standingFlag{}, err
	}
	all, err := v.flagsOf(r, rows, recordID)
	if err != nil {
		return standingFlag{}, err
	}
	var out standingFlag
	for _, f := range all {
		if f.ID == flagID && (out.ID == "" || f.Open || !out.Open) {
			out = f
		}
	}
	if out.ID == "" {
		return out, ErrNoFlag
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
