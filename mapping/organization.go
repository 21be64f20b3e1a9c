package mapping

import (
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	opb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/organization_go_proto"

	"nailbridge/mapping/internal/r4"
)

// organization builds the clinic.
func (b *builder) organization() {
	b.perPatient().add(&opb.Organization{
		Id:         r4.ID(b.orgRef().ID),
		Identifier: []*dpb.Identifier{b.identifier("clinic", b.s.Clinic.ID)},
		Active:     r4.Boolean(true),
		Type:       []*dpb.CodeableConcept{b.element("organization-type-provider")},
		Name:       r4.String(b.s.Clinic.Name),
		Text:       r4.NewText("Clinic").Row("Name", b.s.Clinic.Name).Row("Status", "active").Narrative(),
	})
}
