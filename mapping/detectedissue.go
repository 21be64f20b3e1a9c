package mapping

import (
	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	ipb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/detected_issue_go_proto"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

// detectedIssue builds the published form of a critical or warning flag
// (https://hl7.org/fhir/R4/detectedissue.html). Open ones are tagged, since R4
// has no search on the status (D5.11).
func (b *builder) detectedIssue(s signal, ack *Acknowledgement) {
	severity, word := cpb.DetectedIssueSeverityCode_MODERATE, "warning"
	if s.Level == Critical {
		severity, word = cpb.DetectedIssueSeverityCode_HIGH, "critical"
	}
	status, state := cpb.ObservationStatusCode_PRELIMINARY, "open"
	if !s.Open() {
		status, state = cpb.ObservationStatusCode_FINAL, "closed"
	}
	d := &ipb.DetectedIssue{
		Id:         r4.ID(b.issueRef(s.ID).ID),
		Meta:       r4.Meta(nil, b.openTag(s)...),
		Identifier: []*dpb.Identifier{b.identifier("flag", s.ID)},
		Extension:  []*dpb.Extension{r4.Extension(terms.ExtFlagInputsHash, r4.String(s.InputsHash))},
		Status:     &ipb.DetectedIssue_StatusCode{Value: status},
		Code:       b.flagConcept(s),
		Severity:   &ipb.DetectedIssue_SeverityCode{Value: severity},
		Patient:    r4.Ref(b.patientRef()),
		Identified: b.identified(s),
		Author:     r4.Ref(b.deviceRef()),
		Implicated: b.implicated(s),
		Evidence:   []*ipb.DetectedIssue_Evidence{{Code: codes(b.translate("flag", record.Code(s.Code)))}},
		Detail:     r4.String(s.Text),
	}
	t := r4.NewText("Flag").Row("Level", word).Row("Status", state).Row("Place", placeText(s.at.place.side, s.at.place.digit, s.at.place.border)).
		Line(s.Text)
	if ack != nil {
		d.Mitigation = append(d.Mitigation, &ipb.DetectedIssue_Mitigation{
			Action: r4.CodeableConcept("Acknowledged: " + ack.Reason), Date: r4.DateTimeAt(ack.At.In(b.s.Clinic.Zone)), Author: b.who(&ack.Who),
		})
		t.Row("Acknowledged by", personText(&ack.Who)).Row("Reason", ack.Reason)
	}
	if m := s.mitigation; m != nil {
		d.Mitigation = append(d.Mitigation, &ipb.DetectedIssue_Mitigation{Action: r4.CodeableConcept(m.Text), Date: b.when(m.By.At)})
		t.Line(m.Text)
	}
	d.Text = t.Narrative()
	b.add(d)
}

func (b *builder) openTag(s signal) []*dpb.Coding {
	if !s.Open() {
		return nil
	}
	return []*dpb.Coding{r4.ConceptCoding(b.s.Terms.Element("open-flag", b.s.Codes))}
}

// flagConcept is DetectedIssue.code: a code of R4's own set where one fits,
// else text (D5.7).
func (b *builder) flagConcept(s signal) *dpb.CodeableConcept {
	if c := b.translate("flag-category", record.Code(s.Code)); c != nil {
		return c
	}
	return r4.CodeableConcept(s.Text)
}

func (b *builder) identified(s signal) *ipb.DetectedIssue_IdentifiedX {
	at := b.when(s.identified)
	if at == nil && !s.instant.IsZero() {
		at = r4.DateTimeAt(s.instant.In(b.s.Clinic.Zone))
	}
	if at == nil {
		return nil
	}
	return &ipb.DetectedIssue_IdentifiedX{Choice: &ipb.DetectedIssue_IdentifiedX_DateTime{DateTime: at}}
}

// implicated is what the flag is about: the acts at its place, the activity of
// the plan, else the border, the encounter or, of a merge, the Patient.
func (b *builder) implicated(s signal) []*dpb.Reference {
	if s.activity != "" && b.planned {
		return []*dpb.Reference{b.planActivityRef(s.activity)}
	}
	if len(s.at.partOf) > 0 {
		return r4.Refs(s.at.partOf...)
	}
	if ref, ok := b.bodyStructureRef(s.at.place.side, s.at.place.digit, s.at.place.border); ok {
		return r4.Refs(ref)
	}
	if b.planned && (s.Record == "" || s.Record == b.caseID) {
		return r4.Refs(b.planRef())
	}
	switch {
	case s.Record == "":
		return nil
	case b.caseID == "": // a merge tells of no encounter
		return r4.Refs(b.patientRef())
	}
	return r4.Refs(b.encounterRef(s.Record))
}
