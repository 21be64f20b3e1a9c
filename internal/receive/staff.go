package receive

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// What the published sources of each patient say of the clinic's staff is kept
// by patient, since Practitioner is folded per clinic (D1.3), and from nothing
// that is not itself published (D3.1).

func patientSource(patient string) string { return "patient:" + patient }

// keepStaff gives the fold what other patients' sources say of the persons it
// names, and keeps what this one's say from now on. It returns a patient of
// each person of whom this one's say nothing any more: that Practitioner is
// folded again there, without what was said here.
func (v *Receiver) keepStaff(w store.Writer, a *attempt) (others []record.Identifier, err error) {
	all, err := v.staffNamed(w, a.in)
	if err != nil {
		return nil, err
	}
	says := mapping.StaffPublished(v.Settings, a.in)
	var said []mapping.StaffStatement
	a.in.Staff = nil
	for _, st := range all {
		if st.Patient == a.owner.Patient {
			said = append(said, st)
		} else {
			a.in.Staff = append(a.in.Staff, st)
		}
	}
	if sameStaff(said, says) {
		return nil, nil
	}
	for _, key := range lostPersons(said, says) {
		others = append(others, namedBy(a.in.Staff, key)...)
	}
	return others, v.replaceStaff(w, patientSource(a.owner.Patient), says)
}

// sameStaff compares statements as sets.
func sameStaff(a, b []mapping.StaffStatement) bool {
	return len(a) == len(b) && !slices.ContainsFunc(a, func(x mapping.StaffStatement) bool {
		return !slices.ContainsFunc(b, func(y mapping.StaffStatement) bool {
			return x.SavedAt.Equal(y.SavedAt) && x.Record == y.Record && x.Revision == y.Revision && reflect.DeepEqual(x.Person, y.Person)
		})
	})
}

// lostPersons are the keys of those of whom something was said and nothing is.
func lostPersons(said, says []mapping.StaffStatement) []string {
	keys := map[string]bool{}
	for _, st := range said {
		keys[st.Person.Key()] = true
	}
	for _, st := range says {
		delete(keys, st.Person.Key())
	}
	return slices.Sorted(maps.Keys(keys))
}

// namedBy is a patient one of whose records names the person.
func namedBy(all []mapping.StaffStatement, key string) []record.Identifier {
	for _, st := range all {
		if id, ok := mapping.ParsePatientKey(st.Patient); ok && st.Record != "" && st.Person.Key() == key {
			return []record.Identifier{id}
		}
	}
	return nil
}

// replaceStaff keeps the statements of one source, those about a person
// together.
func (v *Receiver) replaceStaff(w store.Writer, source string, statements []mapping.StaffStatement) error {
	byKey := map[string][]mapping.StaffStatement{}
	for _, st := range statements {
		byKey[st.Person.Key()] = append(byKey[st.Person.Key()], st)
	}
	var out []store.Statement
	for _, key := range slices.Sorted(maps.Keys(byKey)) {
		b, err := json.Marshal(byKey[key])
		if err != nil {
			return err
		}
		out = append(out, store.Statement{Key: key, JSON: b})
	}
	return w.ReplaceStaff(v.Settings.Clinic.ID, source, out)
}

func (v *Receiver) readStaff(r store.Reader, key string) ([]mapping.StaffStatement, error) {
	stored, err := r.Staff(v.Settings.Clinic.ID, key)
	if err != nil {
		return nil, err
	}
	var out []mapping.StaffStatement
	for _, b := range stored {
		if !bytes.HasPrefix(b, []byte("[")) {
			continue // kept by record: not known to be published
		}
		var of []mapping.StaffStatement
		if err := json.Unmarshal(b, &of); err != nil {
			v.Log.Error("stored statements about staff could not be read", "fault", fmt.Sprintf("%T", err))
			continue
		}
		out = append(out, of...)
	}
	return out, nil
}

// staffNamed reads the clinic's statements about every person that the
// deliveries and acknowledgements name.
func (v *Receiver) staffNamed(r store.Reader, in mapping.PatientFold) ([]mapping.StaffStatement, error) {
	keys := map[string]bool{}
	for _, d := range slices.Concat(in.Deliveries, in.Merges) {
		for _, key := range mapping.StaffNamed(d.Record) {
			keys[key] = true
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
