package mapping

import (
	"strings"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	bpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/body_structure_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
)

// bodyStructure builds the nail border p: the nail unit as location, side and
// border as qualifiers, and our local code of toe, side and border, so that two
// borders never look alike (D5.1).
func (b *builder) bodyStructure(p place) {
	ref, ok := b.bodyStructureRef(p.side, p.digit, p.border)
	if !ok {
		return
	}
	words := placeText(p.side, p.digit, p.border)
	b.add(&bpb.BodyStructure{
		Id:                r4.ID(ref.ID),
		Identifier:        []*dpb.Identifier{b.identifier("body-structure", strings.Trim(b.caseID+"/"+record.ToeCode(p.side, p.digit)+"/"+string(p.border), "/"))},
		Active:            r4.Boolean(true),
		Location:          b.location(p),
		LocationQualifier: r4.Concepts(b.s.Terms.Qualifiers(p.side, p.border, b.s.Codes)...),
		Description:       r4.String(words),
		Patient:           r4.Ref(b.patientRef()),
		Text:              r4.NewText("Nail operated on or looked at").Row("Place", words).Row("Status", "active").Narrative(),
	})
}

// location is the border; while it is not known, the toe.
func (b *builder) location(p place) *dpb.CodeableConcept {
	if p.border == "" {
		return b.toeSite(p.side, p.digit)
	}
	return r4.Concept(b.s.Terms.Location(p.side, p.digit, p.border, b.s.Codes))
}
