package receive

import (
	"encoding/json"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// deliveryRow is the delivery as the store keeps it.
func (v *Receiver) deliveryRow(in incoming) store.Delivery {
	r := in.record
	reasons, _ := json.Marshal(in.findings) // plain strings: always marshals
	d := store.Delivery{
		Clinic: v.Settings.Clinic.ID, Record: r.Record,
		Kind: string(r.Kind), Status: string(r.Status),
		Hash: in.hash, Received: in.received, Body: in.body, Reasons: reasons,
	}
	if r.Patient != nil && r.Patient.Identifier != nil {
		d.Patient = mapping.PatientKey(*r.Patient.Identifier)
	}
	switch {
	case r.Review != nil:
		d.Surgery = r.Review.Surgery
	case r.Contact != nil:
		d.Surgery = r.Contact.Surgery
	}
	if r.SavedAt != nil {
		d.SavedAt, _ = r.SavedAt.In(v.Settings.Clinic.Zone)
	}
	return d
}

// delivery reads a stored delivery again for the fold.
func (v *Receiver) delivery(row store.Delivery) mapping.Delivery {
	d := record.Read(row.Body, v.Settings.Clinic.Zone)
	return mapping.Delivery{
		Record: d.Record, Findings: d.Findings, Hash: row.Hash, Received: row.Received,
		Held: row.Held, Refused: row.Refused,
	}
}

func (v *Receiver) deliveries(rows []store.Delivery) []mapping.Delivery {
	ds := make([]mapping.Delivery, len(rows))
	for i, row := range rows {
		ds[i] = v.delivery(row)
	}
	return ds
}

func (v *Receiver) stand(rows []store.Delivery) mapping.Standing {
	return mapping.Stand(v.deliveries(rows), v.Settings.Clinic.Zone)
}

// affected lists the patients whose fold one arrival may change: those the
// record named before, names now, and names in the content sent (whose
// sharing statement counts even when the content does not, D3.1).
func (v *Receiver) affected(was, is mapping.Standing, sent *mapping.Delivery) []record.Identifier {
	var out []record.Identifier
	seen := map[record.Identifier]bool{}
	for _, d := range []*mapping.Delivery{was.Current, is.Current, is.Top, sent} {
		if d == nil || d.Record.Patient == nil || d.Record.Patient.Identifier == nil {
			continue
		}
		if id := *d.Record.Patient.Identifier; !seen[id] {
			seen[id] = true
			out = append(out, id)
		}
	}
	return out
}

// putStaff keeps what a record says of the clinic's staff: Practitioner is
// folded per clinic (D1.3).
func (v *Receiver) putStaff(w store.Writer, r *record.Record) error {
	if r.Status == "draft" {
		return nil
	}
	for _, st := range mapping.StaffOf(r, v.Settings.Clinic.Zone) {
		b, err := json.Marshal(st)
		if err != nil {
			return err
		}
		if err := w.PutStaff(v.Settings.Clinic.ID, st.Person.Key(), r.Record, b); err != nil {
			return err
		}
	}
	return nil
}
