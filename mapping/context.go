package mapping

import (
	"maps"
	"slices"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
)

// PatientKey names a patient within a clinic.
func PatientKey(p record.Identifier) string { return p.Key() }

// ParsePatientKey reads what PatientKey wrote.
func ParsePatientKey(s string) (record.Identifier, bool) { return record.ParseIdentifierKey(s) }

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
// record says no allergy is known while another's allergy stands (D1.3), and
// that the word on sharing cannot be read (D3.1). b is nil when nothing of the
// patient is published.
func (v *patientView) patientSignals(b *builder, sharing Sharing) []Flag {
	var raised []signal
	if stand := standAllergies(v.statements()); stand.contradicted() {
		raised = append(raised, signal{Flag: Flag{
			Code: "contradiction", Level: Warning, Place: "/allergies", Rule: "D1.3",
			Inputs: inputs("allergy", slices.Sorted(maps.Keys(stand.items))...),
			Text:   "One record says that no allergy is known, and an allergy stated by another stands.",
		}})
	}
	if s, unreadable := sharingSignal(sharing); unreadable {
		raised = append(raised, s)
	}
	return publish(b, raised, v.acksOf(""))
}

// mapClinic builds what is folded per clinic, of those the patient's resources
// name. It comes last.
func (v *patientView) mapClinic(b *builder, sharing Sharing) {
	b.organization()
	b.device()
	b.staff(v.staffSaid(sharing))
}

// mapWaiting folds a review or contact whose surgery is unknown. It is
// published only if it holds a red flag and sharing is agreed: the encounter,
// the findings and the issues at once, with the ids they keep when the surgery
// comes (D2, waiting).
func mapWaiting(b *builder, w Current, moved bool, acks []Acknowledgement, sharing Sharing) caseResult {
	id := caseRecord(w.Record)
	red := redSignals(w, id)
	raised := append(red, standingSignals(w, id, b.s.Clinic.Zone)...)
	raised = append(raised, waitingSignal(w.Record, id, moved))
	if !publishedWaiting(w, sharing) {
		return caseResult{flags: publish(nil, raised, acks)}
	}
	c := b.inCase(id, nil, []*record.Record{w.Record})
	c.encounters()
	c.visitFindings(w.Record)
	return caseResult{flags: publish(c, raised, acks), sources: []Source{c.source(w)}, published: true}
}

// publishedWaiting reports whether a visit is published though its surgery is
// unknown: it holds a red flag, and sharing was agreed (D2, waiting).
func publishedWaiting(w Current, sharing Sharing) bool {
	return sharing.Stated == "agreed" && len(record.RedFlags(w.Record)) > 0
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
