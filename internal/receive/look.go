package receive

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
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
	// Acknowledgements are all that were given of these flags, as they came,
	// those too that no flag shows.
	Acknowledgements []GivenAcknowledgement `json:"acknowledgements,omitempty"`
}

// GivenAcknowledgement is an acknowledgement as kept.
type GivenAcknowledgement struct {
	Flag string `json:"flag"`
	Acknowledgement
	Stands bool `json:"stands"` // the flag shows this one
}

// Arrived is one delivery as listed.
type Arrived struct {
	Record     string           `json:"record,omitempty"`
	Answer     string           `json:"answer"`
	Received   string           `json:"received"`
	AgeSeconds int64            `json:"ageSeconds"`
	Hash       string           `json:"contentHash"`
	Counts     bool             `json:"counts,omitempty"`
	Settled    bool             `json:"settled,omitempty"` // refused, and a later content made it good
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
			a.Counts, a.Settled = i == current, v.settled(row, rows)
			out.Deliveries = append(out.Deliveries, a)
		}
		flags, err := v.flagsOf(r, rows, id)
		if err != nil {
			return err
		}
		for _, f := range flags {
			out.Flags = append(out.Flags, f.shown)
		}
		out.Acknowledgements, err = given(r, flags)
		return err
	})
	return out, err
}

// given are the acknowledgements of flags, by patient, as they came.
func given(r store.Reader, flags []standingFlag) (out []GivenAcknowledgement, err error) {
	byOwner := map[store.Owner]map[string]standingFlag{}
	var owners []store.Owner
	for _, f := range flags {
		if byOwner[f.Owner] == nil {
			byOwner[f.Owner] = map[string]standingFlag{}
			owners = append(owners, f.Owner)
		}
		byOwner[f.Owner][f.ID] = f
	}
	for _, o := range owners {
		kept, err := r.Acks(o)
		if err != nil {
			return nil, err
		}
		for i, k := range kept {
			f, of := byOwner[o][k.Flag]
			if !of {
				continue
			}
			a, err := readAck(k)
			if err != nil {
				return nil, err
			}
			stands, err := standingAck(kept, f.ID, f.InputsHash)
			if err != nil {
				return nil, err
			}
			out = append(out, GivenAcknowledgement{k.Flag, Acknowledgement{a.Who, a.Reason, a.At, a.InputsHash}, stands == i})
		}
	}
	return out, nil
}

func (v *Receiver) arrived(row store.Delivery) Arrived {
	a := Arrived{
		Record: row.Record, Answer: standingAnswer(row), Received: row.Received.UTC().Format(resource.LastUpdatedLayout),
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

// standingAnswer is how a delivery stands: a stored one may have come to wait,
// when its surgery went, and one that waited has found it.
func standingAnswer(row store.Delivery) string {
	switch {
	case row.Waiting:
		return string(Waiting)
	case row.Answer == string(Waiting):
		return string(Stored)
	}
	return row.Answer
}

// settled reports that a delivery was refused and made good since: that a
// content of its record id came later that can be understood and counts, or
// would but for a later one, and is not older by what can be read of the
// refused one, its revision, else its saved-at. A draft settles a draft alone.
func (v *Receiver) settled(refused store.Delivery, of []store.Delivery) bool {
	if !refused.Refused || refused.Record == "" {
		return false
	}
	r := v.delivery(refused).Record
	return slices.ContainsFunc(of, func(x store.Delivery) bool {
		if x.Seq <= refused.Seq || x.Record != refused.Record || x.Refused || x.Held || x.Status == "draft" && refused.Status != "draft" {
			return false
		}
		if later := v.delivery(x).Record; r.Revision != nil && later.Revision != nil {
			return *later.Revision >= *r.Revision
		}
		return !x.SavedAt.Before(refused.SavedAt)
	})
}

// settledIn is settled among what is kept. Those without a record id are settled
// by nothing, and not read once for each of them.
func (v *Receiver) settledIn(r store.Reader, refused store.Delivery) (bool, error) {
	if refused.Record == "" {
		return false, nil
	}
	of, err := r.Deliveries(refused.Clinic, refused.Record)
	return err == nil && v.settled(refused, of), err
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

// Lists are the lists of deliveries that List gives.
var Lists = []string{"refused", "settled", "held", "waiting", "superseded"}

// List gives the deliveries that are refused and open, refused and settled,
// held, waiting or superseded, oldest first, with their age and reasons.
func (v *Receiver) List(ctx context.Context, list string) ([]Arrived, error) {
	out := []Arrived{}
	mark := list
	if list == "settled" {
		mark = "refused"
	}
	err := v.Store.View(ctx, func(r store.Reader) error {
		rows, err := r.DeliveriesList(v.Settings.Clinic.ID, mark)
		if err != nil {
			return err
		}
		for _, row := range rows {
			a := v.arrived(row)
			if mark == "refused" {
				if a.Settled, err = v.settledIn(r, row); err != nil {
					return err
				}
				if a.Settled != (list == "settled") {
					continue
				}
			}
			out = append(out, a)
		}
		return nil
	})
	if err != nil {
		return nil, unavailable(err)
	}
	return out, nil
}
