package mapping

import (
	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	ppb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/patient_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
)

var genders = map[record.Code]cpb.AdministrativeGenderCode_Value{
	"male":    cpb.AdministrativeGenderCode_MALE,
	"female":  cpb.AdministrativeGenderCode_FEMALE,
	"other":   cpb.AdministrativeGenderCode_OTHER,
	"unknown": cpb.AdministrativeGenderCode_UNKNOWN,
}

// patient builds the Patient from the demographics that count (D1.3): p is the
// latest live statement, nil when there is none.
func (b *builder) patient(p *record.Patient) {
	if p == nil {
		p = &record.Patient{}
	}
	out := &ppb.Patient{
		Id: r4.ID(b.patientRef().ID),
		Identifier: []*dpb.Identifier{r4.Identifier(
			cpb.IdentifierUseCode_USUAL, b.element("identifier-type-mr"), b.owner.System, b.owner.Value, b.orgRef())},
		BirthDate:            r4.Date(p.BirthDate),
		ManagingOrganization: r4.Ref(b.orgRef()),
	}
	b.link(out)
	out.Text = linkText(patientText(p), out.Link).Narrative()
	if n := r4.HumanName(p.Name, cpb.NameUseCode_INVALID_UNINITIALIZED); n != nil {
		out.Name = []*dpb.HumanName{n}
	}
	if t := r4.Phone(p.Phone); t != nil {
		out.Telecom = []*dpb.ContactPoint{t}
	}
	if a := r4.Address(p.AddressLine, p.City, p.PostalCode); a != nil {
		out.Address = []*dpb.Address{a}
	}
	if g, ok := genders[p.Gender]; ok {
		out.Gender = &ppb.Patient_GenderCode{Value: g}
	}
	if d := b.when(p.DeathDate); d != nil {
		out.Deceased = &ppb.Patient_DeceasedX{Choice: &ppb.Patient_DeceasedX_DateTime{DateTime: d}}
	}
	b.perPatient().add(out)
}

func patientText(p *record.Patient) *r4.Text {
	return r4.NewText("Patient").
		Row("Name", r4.NameText(p.Name)).
		Row("Born", whenText(p.BirthDate)).
		Row("Died", whenText(p.DeathDate)).
		Row("Gender", record.GenderSet.Display(p.Gender))
}
