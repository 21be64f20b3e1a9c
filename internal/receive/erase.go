package receive

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"nailbridge/internal/erasures"
	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// An erased patient stays erased. What was saved before the erasure, or does
// not say when, is refused when it comes again (from a stream, or sent again
// after a restore) and is kept nowhere. What was saved after it begins anew.

// Erased is what Erase took away, and the stamp of its commit.
type Erased struct {
	store.Belongings
	Made []store.Version // the DELETE entries that tell hubs
}

// Names reports whether a delivery, as it came, names the patient, as one whom
// another replaces too; one of which no patient can be read does where it holds
// system and value somewhere.
func Names(body []byte, p record.Identifier) bool {
	if r := readAgain(body); patientOf(r) != nil {
		return *patientOf(r) == p || slices.Contains(r.Names(), p)
	}
	return Mentions(body, p)
}

// readAgain reads a delivery; nothing where that fails through a fault of ours.
func readAgain(body []byte) (r *record.Record) {
	defer func() {
		if recover() != nil {
			r = &record.Record{}
		}
	}()
	return record.Read(body, time.UTC).Record
}

// Mentions reports whether JSON, whole or broken off, holds the system and the
// value of an identifier as values, however they are escaped.
func Mentions(body []byte, p record.Identifier) bool {
	var system, value bool
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	for {
		token, err := d.Token()
		if err != nil {
			return (system || quoted(body, p.System)) && (value || quoted(body, p.Value))
		}
		text := fmt.Sprint(token)
		system, value = system || text == p.System, value || text == p.Value
	}
}

// quoted reports whether what may be no JSON holds a text in quotation marks.
func quoted(body []byte, text string) bool {
	b, err := json.Marshal(text)
	return err == nil && (bytes.Contains(body, b) || bytes.Contains(body, []byte(`"`+text+`"`)))
}

// Erase leaves nothing of a patient in the store but the tombstone, and tells
// hubs of what was published: one DELETE entry a resource, and one event. It
// works on any store, whether or not the settings are at hand; the settings
// fold again at the next start whom the erased records concerned too.
func Erase(w store.Writer, o store.Owner, e store.Erasure, now time.Time) (Erased, error) {
	var done Erased
	if err := w.PutErasure(e); err != nil {
		return done, err
	}
	id, err := patientNamed(o) // else what names nobody would be taken for theirs
	if err != nil {
		return done, err
	}
	s, err := w.Stamp(now)
	if err != nil {
		return done, err
	}
	joined, err := w.Merges(o)
	if err != nil {
		return done, err
	}
	blank, err := json.Marshal(struct {
		Clinic    string `json:"clinic"`
		Withdrawn bool   `json:"withdrawn"`
	}{o.Clinic, true})
	if err != nil {
		return done, err
	}
	done.Belongings, done.Made, err = w.Erase(store.Erasing{
		Owner: o, Sources: []string{patientSource(o.Patient)}, Blank: blank,
		Unread: func(body []byte) bool { return Mentions(body, id) },
	})
	if err != nil {
		return done, err
	}
	if err := foldOthersAgain(w, o.Clinic, done.Records, len(joined) > 0); err != nil {
		return done, err
	}
	return done, announceErased(w, o.Clinic, s, done.Made)
}

// foldOthersAgain lets the next start fold the clinic again where records of
// others shared an id with those erased, or belong to their surgeries, and where
// a merge joined others to the one erased.
func foldOthersAgain(w store.Writer, clinic string, records []string, joined bool) error {
	if joined {
		return w.SetMark(clinic, markFolded, foldAgain)
	}
	for _, r := range records {
		left, err := w.Deliveries(clinic, r)
		if err != nil {
			return err
		}
		if len(left) > 0 {
			return w.SetMark(clinic, markFolded, foldAgain)
		}
	}
	return nil
}

func announceErased(w store.Writer, clinic string, s store.Stamp, made []store.Version) error {
	if len(made) == 0 {
		return nil
	}
	event := ChangeEvent{Clinic: clinic, Epoch: s.Epoch}
	for _, v := range made {
		event.Resources = append(event.Resources, mapping.VersionedRef{Ref: v.Ref, VersionID: v.VersionID}.String())
	}
	return putEvent(w, clinic, EventChange, event)
}

// erasedBefore gives the reason for keeping out what was saved before its
// patient was erased; nil when nothing keeps it out.
func (v *Receiver) erasedBefore(r store.Reader, in incoming) (*record.Finding, error) {
	saved := v.deliveryRow(in).SavedAt
	for _, id := range patientsOf(in.record) {
		o := store.Owner{Clinic: v.Settings.Clinic.ID, Patient: mapping.PatientKey(id)}
		known, err := r.Erasures(erasures.Subject(v.Settings.Namespace, o))
		if err != nil {
			return nil, err
		}
		if len(known) == 0 || saved.After(known[0].At) {
			continue
		}
		return &record.Finding{
			Severity: record.Refusal, Code: "erased", Pointer: "/patient", Rule: "D2",
			Text: "the patient, or one whom it says to be replaced, was erased here after this was saved, or it does not say when it was saved; nothing of it was stored",
		}, nil
	}
	return nil, nil
}

// patientsOf are the patients whom a record names, as far as each can be read.
func patientsOf(r *record.Record) []record.Identifier {
	out := r.Names()
	if id := patientOf(r); id != nil && !slices.Contains(out, *id) {
		out = append(out, *id)
	}
	return out
}

// keepOut answers a delivery of an erased patient: refused, and kept nowhere.
func (v *Receiver) keepOut(in incoming, why record.Finding) Answer {
	in.findings = append([]record.Finding{why}, in.findings...)
	return v.answer(in, Refused)
}
