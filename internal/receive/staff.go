package receive

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// What the clinic's records and acknowledgements say of its staff is kept by
// source, since Practitioner is folded per clinic from current contents
// (D1.3).

func recordSource(id string) string { return "record:" + id }

func ackSource(flag, inputsHash string) string { return "acknowledgement:" + flag + ":" + inputsHash }

// staffIn are the statements of a record's current content; none while it has
// none, or is withdrawn.
func (v *Receiver) staffIn(st mapping.Standing) []mapping.StaffStatement {
	if st.Current == nil || st.Current.Record.Status == "withdrawn" {
		return nil
	}
	return st.Current.Staff(v.Settings.Clinic.Zone)
}

func (v *Receiver) replaceStaff(w store.Writer, source string, statements []mapping.StaffStatement) error {
	var out []store.Statement
	for _, st := range statements {
		b, err := json.Marshal(st)
		if err != nil {
			return err
		}
		out = append(out, store.Statement{Key: st.Person.Key(), JSON: b})
	}
	return w.ReplaceStaff(v.Settings.Clinic.ID, source, out)
}

func (v *Receiver) readStaff(r store.Reader, key string) ([]mapping.StaffStatement, error) {
	stored, err := r.Staff(v.Settings.Clinic.ID, key)
	if err != nil {
		return nil, err
	}
	out := make([]mapping.StaffStatement, len(stored))
	for i, b := range stored {
		if err := json.Unmarshal(b, &out[i]); err != nil {
			return nil, fmt.Errorf("stored staff statement: %w", err)
		}
	}
	return out, nil
}

// staffNamed reads the clinic's statements about every person that the
// deliveries and acknowledgements name.
func (v *Receiver) staffNamed(r store.Reader, in mapping.PatientFold) ([]mapping.StaffStatement, error) {
	keys := map[string]bool{}
	for _, d := range in.Deliveries {
		for _, named := range mapping.StaffOf(d.Record, v.Settings.Clinic.Zone) {
			keys[named.Person.Key()] = true
		}
	}
	for _, a := range in.Acks {
		keys[a.Who.Key()] = true
	}
	var out []mapping.StaffStatement
	for _, key := range slices.Sorted(maps.Keys(keys)) {
		statements, err := v.readStaff(r, key)
		if err != nil {
			return nil, err
		}
		out = append(out, statements...)
	}
	return out, nil
}

// stillNaming finds, for each person that a record no longer names, a patient
// one of whose records does: that person's Practitioner is folded again too,
// without what the record said (D1.3).
func (v *Receiver) stillNaming(r store.Reader, was, is []mapping.StaffStatement) ([]record.Identifier, error) {
	var out []record.Identifier
	for _, st := range was {
		key := st.Person.Key()
		if slices.ContainsFunc(is, func(x mapping.StaffStatement) bool { return x.Person.Key() == key }) {
			continue
		}
		left, err := v.readStaff(r, key)
		if err != nil {
			return nil, err
		}
		for _, x := range left {
			if x.Record == "" {
				continue
			}
			rows, err := r.Deliveries(v.Settings.Clinic.ID, x.Record)
			if err != nil {
				return nil, err
			}
			if cur := v.stand(rows).Current; cur != nil && patientOf(cur.Record) != nil {
				out = append(out, *patientOf(cur.Record))
				break
			}
		}
	}
	return out, nil
}
