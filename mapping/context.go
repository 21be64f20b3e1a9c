package mapping

import (
	"maps"
	"slices"
	"time"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// PatientKey names a patient within a clinic.
func PatientKey(p record.Identifier) string { return p.Key() }

// ParsePatientKey reads what PatientKey wrote.
func ParsePatientKey(s string) (record.Identifier, bool) { return record.ParseIdentifierKey(s) }

// StaffOf lists what a record says of the clinic's staff, one statement per
// person, later mentions adding to earlier ones.
func StaffOf(r *record.Record, zone *time.Location) []StaffStatement {
	at := time.Time{}
	if r.SavedAt != nil {
		at, _ = r.SavedAt.In(zone)
	}
	byKey := map[string]int{}
	var out []StaffStatement
	for _, p := range peopleOf(r) {
		key := p.Key()
		if key == "" {
			continue
		}
		if i, ok := byKey[key]; ok {
			out[i].Person = overlay(out[i].Person, *p)
			continue
		}
		byKey[key] = len(out)
		out = append(out, StaffStatement{Person: *p, SavedAt: at, Record: r.Record, Revision: revisionOf(r)})
	}
	return out
}

// Staff is StaffOf of a delivery that counts, saved when it counts as saved: a
// clock years ahead must not win a name for good (D1.1).
func (d *Delivery) Staff(zone *time.Location) []StaffStatement {
	out := StaffOf(d.Record, zone)
	at, _ := d.SavedAt(zone)
	for i := range out {
		out[i].SavedAt = at
	}
	return out
}

// peopleOf lists every member of staff that a record names.
func peopleOf(r *record.Record) []*record.Person {
	out := []*record.Person{r.Author}
	if s := r.Surgery; s != nil {
		out = append(out, s.Operator)
		for i := range s.Toes {
			if b := s.Toes[i].Block; b != nil {
				for j := range b.Agents {
					out = append(out, b.Agents[j].Giver)
				}
			}
			for j := range s.Toes[i].Tourniquets {
				out = append(out, s.Toes[i].Tourniquets[j].Remover)
			}
		}
		for i := range s.PlannedReviews {
			out = append(out, s.PlannedReviews[i].With)
		}
	}
	if v := r.Review; v != nil {
		out = append(out, v.Reviewer)
		if v.NextReview != nil {
			out = append(out, v.NextReview.With)
		}
	}
	if k := r.Contact; k != nil {
		out = append(out, k.TakenBy)
		if k.NextReview != nil {
			out = append(out, k.NextReview.With)
		}
	}
	return out
}

// caseInput gathers what one case is folded from.
func (v *patientView) caseInput(c caseView) CaseInput {
	id := c.surgery.Record.Record
	in := CaseInput{Surgery: c.surgery, Visits: c.visits, Acks: v.acksOf(id), Patient: v.demographics()}
	for _, f := range v.in.Facts {
		if f.Case == id {
			in.Facts = append(in.Facts, f)
		}
	}
	for _, other := range v.cases {
		if o := other.surgery.Record; o.Record != id {
			in.Others = append(in.Others, safety.GivenDoses(o.Record, o.Surgery, v.s.Clinic.Zone)...)
		}
	}
	return in
}

// mapPatientContext builds what is folded per patient (D1.3).
func (v *patientView) mapPatientContext(b *builder, sharing Sharing) {
	p := b.perPatient()
	p.patient(v.demographics())
	p.allergies(standAllergies(v.statements()))
	p.sharingConsent(sharing)
}

// patientSignals are the flags about the patient as such: that one current
// record says no allergy is known while another's allergy stands (D1.3). b is
// nil when nothing of the patient is published.
func (v *patientView) patientSignals(b *builder) []Flag {
	stand := standAllergies(v.statements())
	if !stand.contradicted() {
		return nil
	}
	s := signal{Flag: Flag{
		Code: "contradiction", Level: Warning, Place: "/allergies", Rule: "D1.3",
		Inputs: inputs("allergy", slices.Sorted(maps.Keys(stand.items))...),
		Text:   "One record says that no allergy is known, and an allergy stated by another stands.",
	}}
	return publish(b, []signal{s}, v.acksOf(""))
}

// mapClinic builds what is folded per clinic, of those the patient's resources
// name. It comes last.
func (v *patientView) mapClinic(b *builder) {
	b.organization()
	b.device()
	b.staff(v.in.Staff)
}

// mapWaiting folds a review or contact whose surgery is unknown. It is
// published only if it holds a red flag and sharing is agreed: the encounter,
// the findings and the issues at once, with the ids they keep when the surgery
// comes (D2, waiting).
func mapWaiting(b *builder, w Current, moved bool, acks []Acknowledgement, agreed bool) caseResult {
	id := caseRecord(w.Record)
	red := redSignals(w, id)
	raised := append(red, standingSignals(w, id, b.s.Clinic.Zone)...)
	raised = append(raised, waitingSignal(w.Record, id, moved))
	if len(red) == 0 || !agreed {
		return caseResult{flags: publish(nil, raised, acks)}
	}
	c := b.inCase(id, nil, []*record.Record{w.Record})
	c.encounters()
	c.visitFindings(w.Record)
	return caseResult{flags: publish(c, raised, acks), sources: []Source{c.source(w)}, published: true}
}

// waitingSignal says that a visit waits for its surgery; that its surgery names
// another patient now is critical (D1.5).
func waitingSignal(r *record.Record, caseID string, moved bool) signal {
	f := Flag{
		Code: "surgery-unknown", Level: Note, Case: caseID, Record: r.Record, Place: "/" + string(r.Kind) + "/surgery",
		Text: "The surgery that this record names is not known yet; the record waits for it.", Rule: "D2",
	}
	if moved {
		f.Code, f.Level, f.Rule = "review-of-other-patient", Critical, "D1.5"
		f.Text = "The surgery that this record names is another patient's; the record waits."
	}
	return signal{Flag: f, identified: visitAt(r)}
}

// FoldedPerClinic reports whether resources of a type are folded per clinic
// and belong to it, not to a patient (D1.3).
func FoldedPerClinic(typ string) bool {
	switch typ {
	case "Practitioner", "PractitionerRole", "Organization", "Device":
		return true
	}
	return false
}
