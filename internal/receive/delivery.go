package receive

import (
	"encoding/json"
	"errors"
	"time"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// deliveryRow is the delivery as the store keeps it.
func (v *Receiver) deliveryRow(in incoming) store.Delivery {
	r := in.record
	d := store.Delivery{
		Clinic: v.Settings.Clinic.ID, Record: r.Record,
		Kind: string(r.Kind), Status: string(r.Status),
		Hash: in.hash, Received: in.received, Body: in.body, Reasons: reasonsJSON(in.findings),
	}
	if id := patientOf(r); id != nil {
		d.Patient = mapping.PatientKey(*id)
	}
	if id := r.Case(); id != r.Record {
		d.Surgery = id
	}
	if r.SavedAt != nil {
		d.SavedAt, _ = r.SavedAt.In(v.Settings.Clinic.Zone)
	}
	return d
}

func reasonsJSON(fs []record.Finding) []byte {
	b, _ := json.Marshal(fs) // plain strings: always marshals
	return b
}

// delivery reads a stored delivery again for the fold.
func (v *Receiver) delivery(row store.Delivery) mapping.Delivery {
	return deliveryOf(row, v.Settings.Clinic.Zone)
}

func deliveryOf(row store.Delivery, zone *time.Location) mapping.Delivery {
	d := record.Read(row.Body, zone)
	return mapping.Delivery{
		Record: d.Record, Findings: d.Findings, Hash: row.Hash, Received: row.Received,
		Held: row.Held, Refused: row.Refused,
	}
}

// Counting is the content that counts among the deliveries of one record id; nil when none
// does.
func Counting(rows []store.Delivery, zone *time.Location) *record.Record {
	if now := mapping.Stand(deliveriesOf(rows, zone), zone).Current; now != nil {
		return now.Record
	}
	return nil
}

func (v *Receiver) deliveries(rows []store.Delivery) []mapping.Delivery {
	return deliveriesOf(rows, v.Settings.Clinic.Zone)
}

func deliveriesOf(rows []store.Delivery, zone *time.Location) []mapping.Delivery {
	ds := make([]mapping.Delivery, len(rows))
	for i, row := range rows {
		ds[i] = deliveryOf(row, zone)
	}
	return ds
}

// stand chooses the content that counts among the deliveries of one record id.
func (v *Receiver) stand(rows []store.Delivery) mapping.Standing {
	return mapping.Stand(v.deliveries(rows), v.Settings.Clinic.Zone)
}

// currentRow is the index of the delivery that counts among those of one
// record id; -1 when none does.
func (v *Receiver) currentRow(rows []store.Delivery) int {
	ds := v.deliveries(rows)
	st := mapping.Stand(ds, v.Settings.Clinic.Zone)
	for i := range ds {
		if st.Current == &ds[i] {
			return i
		}
	}
	return -1
}

// patientNamed is the patient whom a stored owner is.
func patientNamed(o store.Owner) (record.Identifier, error) {
	id, ok := mapping.ParsePatientKey(o.Patient)
	if !ok {
		return id, errors.New("a stored owner names no patient")
	}
	return id, nil
}

// patientOf is the patient that a record names; nil when it names none.
func patientOf(r *record.Record) *record.Identifier {
	if r == nil || r.Patient == nil {
		return nil
	}
	return r.Patient.Identifier
}
