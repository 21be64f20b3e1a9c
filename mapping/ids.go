package mapping

import (
	"strconv"
	"strings"

	"github.com/google/uuid"

	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// An id is a UUIDv5, in the deployment's secret namespace, of the parts that
// identify a resource (D1.7). The parts are joined with their lengths, so that
// no two different lists give one name.

// newID gives the logical id of a resource of type typ with these parts.
func (s Settings) newID(typ string, parts ...string) string {
	return uuid.NewSHA1(s.Namespace, []byte(keyOf(append([]string{typ}, parts...)...))).String()
}

// keyOf writes parts one after another, each led by its length in bytes and a
// colon: ("ab", "c") is "2:ab1:c", and nothing else is.
func keyOf(parts ...string) string {
	var b strings.Builder
	size := 0
	for _, p := range parts {
		size += len("1000:") + len(p)
	}
	b.Grow(size)
	for _, p := range parts {
		b.WriteString(strconv.Itoa(len(p)))
		b.WriteByte(':')
		b.WriteString(p)
	}
	return b.String()
}

// PatientKey names a patient within a clinic.
func PatientKey(p record.Identifier) string { return p.Key() }

// ParsePatientKey reads what PatientKey wrote.
func ParsePatientKey(s string) (record.Identifier, bool) { return record.ParseIdentifierKey(s) }

// organizationRef is the clinic.
func (s Settings) organizationRef() resource.Ref {
	return resource.Ref{Type: "Organization", ID: s.newID("Organization", s.Clinic.ID)}
}

// deviceRef is the bridge, as it works for the clinic.
func (s Settings) deviceRef() resource.Ref {
	return resource.Ref{Type: "Device", ID: s.newID("Device", s.Clinic.ID, "bridge")}
}

// patientRef is a patient by identifier system and value within the clinic.
func (s Settings) patientRef(p record.Identifier) resource.Ref {
	return resource.Ref{Type: "Patient", ID: s.newID("Patient", s.Clinic.ID, p.System, p.Value)}
}

// personParts identify a member of staff: the registration, else the clinic's
// staff key (D5.2); ok is false when the record gives neither.
func personParts(p *record.Person) (parts []string, ok bool) {
	switch {
	case p == nil:
		return nil, false
	case p.Registration != nil && p.Registration.Value != "":
		return []string{"registration", p.Registration.System, p.Registration.Value}, true
	case p.StaffKey != "":
		return []string{"staff-key", p.StaffKey}, true
	}
	return nil, false
}

// staffRef is the resource of type typ (Practitioner, PractitionerRole) of a
// member of staff; ok is false when the record does not identify the person.
func (s Settings) staffRef(typ string, p *record.Person) (ref resource.Ref, ok bool) {
	parts, ok := personParts(p)
	if !ok {
		return resource.Ref{}, false
	}
	return resource.Ref{Type: typ, ID: s.newID(typ, append([]string{s.Clinic.ID}, parts...)...)}, true
}

// ownedRef is a resource folded per patient. The patient is part of its id
// (D1.5).
func (s Settings) ownedRef(typ string, owner record.Identifier, parts ...string) resource.Ref {
	all := append([]string{s.Clinic.ID, owner.System, owner.Value, "patient"}, parts...)
	return resource.Ref{Type: typ, ID: s.newID(typ, all...)}
}

// caseRef is a resource of a case: of the patient (D1.5) and the record id of
// the surgery.
func (s Settings) caseRef(typ string, owner record.Identifier, surgery string, parts ...string) resource.Ref {
	all := append([]string{s.Clinic.ID, owner.System, owner.Value, "case", surgery}, parts...)
	return resource.Ref{Type: typ, ID: s.newID(typ, all...)}
}
