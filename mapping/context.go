package mapping

import (
	"maps"
	"slices"
)

// mapPatientContext builds what is folded per patient (D1.3).
func (v *patientView) mapPatientContext(b *builder, sharing Sharing) {
	p := b.perPatient()
	p.patient(v.demographics())
	p.allergies(standAllergies(v.statements()))
	p.sharingConsent(sharing)
}

// patientSignals are the flags about the patient as such: that one current
// record says no allergy is known while another's allergy stands (D1.3), that
// the word on sharing cannot be read or is outranked (D3.1), and that a record id changed its
// kind (D1.1). b is nil when nothing of the patient is published.
func (v *patientView) patientSignals(b *builder, sharing Sharing) []Flag {
	var raised []signal
	if stand := standAllergies(v.statements()); stand.contradicted() {
		raised = append(raised, signal{Flag: Flag{
			Code: "contradiction", Level: Warning, Place: "/allergies", Rule: "D1.3",
			Inputs: inputs("allergy", slices.Sorted(maps.Keys(stand.items))...),
			Text:   "One record says that no allergy is known, and an allergy stated by another stands.",
		}})
	}
	raised = append(raised, sharingSignals(sharing)...)
	for _, k := range v.kinds {
		raised = append(raised, kindSignal(k))
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

// FoldedPerClinic reports whether resources of a type are folded per clinic
// and belong to it, not to a patient (D1.3).
func FoldedPerClinic(typ string) bool {
	switch typ {
	case "Practitioner", "PractitionerRole", "Organization", "Device":
		return true
	}
	return false
}
