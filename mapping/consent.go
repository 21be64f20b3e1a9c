package mapping

import (
	"cmp"
	"slices"
	"strings"

	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	npb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/consent_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
)

var consentStates = map[record.Code]cpb.ConsentStateCode_Value{
	"given":     cpb.ConsentStateCode_ACTIVE,
	"refused":   cpb.ConsentStateCode_REJECTED,
	"withdrawn": cpb.ConsentStateCode_INACTIVE,
	"agreed":    cpb.ConsentStateCode_ACTIVE,
	"declined":  cpb.ConsentStateCode_REJECTED,
}

// procedureConsent builds the consent to the procedures of the sitting: who
// gave it, and for which borders (D3.3). Each item is a provision of its own,
// so that border and procedure stay together; the root names all borders.
func (b *builder) procedureConsent() {
	if b.surgery == nil || b.surgery.Surgery == nil || b.surgery.Surgery.Consent == nil {
		return
	}
	c := b.surgery.Surgery.Consent
	out := &npb.Consent{
		Id:         r4.ID(b.consentRef().ID),
		Identifier: []*dpb.Identifier{b.identifier("consent", partValue(b.caseID, "procedure"))},
		Status:     consentState(c.Status),
		Scope:      b.element("consent-scope-treatment"),
		Category:   []*dpb.CodeableConcept{b.withText("consent-category-procedure", "Consent to the procedure")},
		DateTime:   b.when(c.At),
		Policy:     b.consentPolicy("procedure-consent"),
		Provision:  b.consentProvision(c),
		Text:       consentText(c),
	}
	out.Performer = b.consentGivers(c)
	b.addConsent(out)
}

// sharingConsent builds the patient's statement on sharing with the region,
// where one was made (D3.1, D3.3). Records do not say who made it or when.
func (b *builder) sharingConsent(s Sharing) {
	if s.Stated == "" {
		return
	}
	p := b.perPatient()
	p.addConsent(&npb.Consent{
		Id:       r4.ID(p.ownRef("Consent", "sharing").ID),
		Status:   consentState(s.Stated),
		Scope:    b.element("consent-scope-patient-privacy"),
		Category: []*dpb.CodeableConcept{b.withText("consent-category-sharing", "Sharing records with the region")},
		Policy:   b.consentPolicy("sharing"),
		Provision: &npb.Consent_Provision{Actor: []*npb.Consent_Provision_ProvisionActor{{
			Role:      b.element("consent-role-recipient"),
			Reference: &dpb.Reference{Display: r4.String("The region's health record")},
		}}},
		Text: r4.NewText("Sharing with the region").Row("Status", record.SharingSet.Display(s.Stated)).Narrative(),
	})
}

// letterConsent builds the patient's word on the letter to other carers (C-70),
// where one was asked.
func (c *caseFold) letterConsent() {
	if c.sur.Letter == "" {
		return
	}
	c.addConsent(&npb.Consent{
		Id:         r4.ID(c.caseRef("Consent", "letter").ID),
		Identifier: []*dpb.Identifier{c.identifier("consent", partValue(c.caseID, "letter"))},
		Status:     consentState(c.sur.Letter),
		Scope:      c.element("consent-scope-patient-privacy"),
		Category:   []*dpb.CodeableConcept{c.withText("consent-category-sharing", "A letter to the patient's other carers")},
		Policy:     c.consentPolicy("letter"),
		Text:       r4.NewText("Letter to the patient's other carers").Row("Status", letterText(c.sur.Letter)).Narrative(),
	})
}

func letterText(word record.Code) string {
	return map[record.Code]string{"agreed": "agreed", "declined": "declined"}[word]
}

func (b *builder) addConsent(out *npb.Consent) {
	out.Patient = r4.Ref(b.patientRef())
	out.Organization = r4.Refs(b.orgRef())
	b.add(out)
}

// consentState is the status. R4 demands a code here and takes no reason in its
// place; where none was recorded it is draft, "not yet intended to be acted
// upon", which claims no consent, and the narrative says not recorded.
func consentState(code record.Code) *npb.Consent_StatusCode {
	if s, ok := consentStates[code]; ok {
		return &npb.Consent_StatusCode{Value: s}
	}
	return &npb.Consent_StatusCode{Value: cpb.ConsentStateCode_DRAFT}
}

// consentPolicy names the clinic's policy that the consent is under (ppc-1).
func (b *builder) consentPolicy(name string) []*npb.Consent_Policy {
	return []*npb.Consent_Policy{{Uri: r4.URI(b.s.numbering("policy") + "/" + name)}}
}

// provisionType is permit or deny; nil for a status not recorded, since a
// consent is not invented.
func provisionType(status record.Code) *npb.Consent_Provision_TypeCode {
	switch status {
	case "given":
		return &npb.Consent_Provision_TypeCode{Value: cpb.ConsentProvisionTypeCode_PERMIT}
	case "refused", "withdrawn":
		return &npb.Consent_Provision_TypeCode{Value: cpb.ConsentProvisionTypeCode_DENY}
	}
	return nil
}

// consentProvision is what was consented to, or what consent was refused or
// withdrawn for; nil when the record names nothing.
func (b *builder) consentProvision(c *record.Consent) *npb.Consent_Provision {
	kind := provisionType(c.Status)
	root := &npb.Consent_Provision{}
	var named []place
	for _, item := range c.For {
		p := place{item.Side, item.Digit, item.Border}
		part := &npb.Consent_Provision{
			Type: kind, Data: b.consentData(p),
		}
		if code := b.translate("nail-procedure", item.Procedure); code != nil {
			part.Code = []*dpb.CodeableConcept{code}
		}
		if part.Data == nil && p != (place{}) { // a toe not known in full has no BodyStructure
			where := r4.CodeableConcept(joinText(record.ProcedureSet.Display(item.Procedure), placeText(p.side, p.digit, p.border)))
			if part.Code != nil {
				where.Coding = part.Code[0].Coding
			}
			part.Code = []*dpb.CodeableConcept{where}
		}
		if part.Data == nil && part.Code == nil {
			continue
		}
		root.Provision = append(root.Provision, part)
		if !slices.Contains(named, p) {
			named = append(named, p)
			root.Data = append(root.Data, b.consentData(p)...)
		}
	}
	if root.Provision == nil {
		return nil
	}
	return root
}

func (b *builder) consentData(p place) []*npb.Consent_Provision_ProvisionData {
	ref, ok := b.bodyStructureRef(p.side, p.digit, p.border)
	if !ok {
		return nil
	}
	return []*npb.Consent_Provision_ProvisionData{{
		Meaning:   &npb.Consent_Provision_ProvisionData_MeaningCode{Value: cpb.ConsentDataMeaningCode_INSTANCE},
		Reference: r4.Ref(ref),
	}}
}

func consentText(c *record.Consent) *dpb.Narrative {
	t := r4.NewText("Consent to the procedure").
		Row("Status", cmp.Or(record.ConsentStatusSet.Display(c.Status), "not recorded")).
		Row("Given by", record.ConsentGiverSet.Display(c.GivenBy)).
		Row("Name", r4.NameText(c.Giver)).
		Row("Relationship", record.RelationshipSet.Display(c.Relationship)).
		Row("When", whenText(c.At))
	for _, item := range c.For {
		t.Row("For", strings.TrimPrefix(placeText(item.Side, item.Digit, item.Border)+": "+record.ProcedureSet.Display(item.Procedure), ": "))
	}
	return t.Narrative()
}

// withText is a fixed concept with our meaning as text: its element has a
// binding that takes no code of ours (D5.7).
func (b *builder) withText(name, text string) *dpb.CodeableConcept {
	c := b.s.Terms.Element(name, b.s.Codes)
	c.Text = text
	return r4.Concept(c)
}
