package mapping

import (
	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	rpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/related_person_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
)

// consentGivers refers to who gave a consent: the patient, or the adult who
// consented for the patient, who is built as a RelatedPerson (D3.3, D5.5); both
// where the record names both. None when it does not say.
func (b *builder) consentGivers(c *record.Consent) []*dpb.Reference {
	var out []*dpb.Reference
	if c.GivenBy == "patient" {
		out = append(out, r4.Ref(b.patientRef()))
	}
	switch {
	case c.Relationship != "" || r4.NameText(c.Giver) != "":
		adult := r4.Ref(b.relatedPerson(c))
		if c.GivenBy == "other" {
			adult.Display = r4.String(record.ConsentGiverSet.Display(c.GivenBy))
		}
		out = append(out, adult)
	case c.GivenBy == "other":
		out = append(out, &dpb.Reference{Display: r4.String(record.ConsentGiverSet.Display(c.GivenBy))})
	}
	return out
}

// relatedPerson builds the adult who consented for the patient. The same adult
// of another record is the same resource.
func (b *builder) relatedPerson(c *record.Consent) resource.Ref {
	name := c.Giver
	if name == nil {
		name = &record.Name{}
	}
	ref := b.ownRef("RelatedPerson", "consent-giver", name.Prefix, keyOf(name.Given...), name.Family, string(c.Relationship))
	if b.has(ref) {
		return ref
	}
	out := &rpb.RelatedPerson{
		Id:      r4.ID(ref.ID),
		Patient: r4.Ref(b.patientRef()),
		Text: r4.NewText("Adult who consented for the patient").
			Row("Name", r4.NameText(name)).
			Row("Relationship", record.RelationshipSet.Display(c.Relationship)).
			Narrative(),
	}
	if rel := b.translate("relationship", c.Relationship); rel != nil {
		out.Relationship = []*dpb.CodeableConcept{rel}
	}
	if n := r4.HumanName(name, cpb.NameUseCode_INVALID_UNINITIALIZED); n != nil {
		out.Name = []*dpb.HumanName{n}
	}
	b.perPatient().add(out)
	return ref
}
