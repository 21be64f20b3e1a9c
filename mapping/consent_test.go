package mapping

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/mapping/record"
)

func TestD3_3_ProcedureConsent(t *testing.T) {
	item := func(border, procedure record.Code) record.ConsentItem {
		return record.ConsentItem{Side: "left", Digit: "1", Border: border, Procedure: procedure}
	}
	for _, c := range []struct {
		name string
		in   record.Consent
		want map[string][]any
		refs int // BodyStructures
	}{
		{"given for two borders", record.Consent{Status: "given", GivenBy: "patient", At: when(t, "2025-03-04"), For: []record.ConsentItem{
			item("medial", "partial-avulsion"), item("lateral", "total-avulsion"), item("medial", "nail-wedge")}},
			map[string][]any{
				"status": {"active"}, "dateTime": {"2025-03-04"}, "provision.type": nil, "provision.data.meaning": {"instance", "instance"},
				"provision.provision.type": {"permit", "permit", "permit"},
				"provision.provision.code.coding.code": {
					"partial-avulsion", "265698006", "total-avulsion", "183668008", "nail-wedge", "177735003"},
			}, 2},
		{"refused", record.Consent{Status: "refused", For: []record.ConsentItem{item("medial", "partial-avulsion")}},
			map[string][]any{"status": {"rejected"}, "provision.provision.type": {"deny"}, "performer": nil}, 1},
		{"withdrawn", record.Consent{Status: "withdrawn", For: []record.ConsentItem{item("medial", "")}},
			map[string][]any{"status": {"inactive"}, "provision.provision.type": {"deny"}, "provision.provision.code": nil}, 1},
		{"status not recorded", record.Consent{GivenBy: "patient"}, map[string][]any{"status": {"draft"}, "provision": nil, "dateTime": nil}, 0},
		{"border not named", record.Consent{Status: "given", For: []record.ConsentItem{item("", "total-avulsion")}},
			map[string][]any{"provision.data.meaning": {"instance"}}, 1},
		{"toe not named", record.Consent{Status: "given", For: []record.ConsentItem{{Procedure: "total-avulsion"}, {}}},
			map[string][]any{"provision.data": nil, "provision.provision.code.coding.code": {"total-avulsion", "183668008"}, "provision.provision.type": {"permit"}}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := leftHallux(nil)
			s.Surgery.Consent = &c.in
			rs := buildCase(t, s, nil, (*builder).procedureConsent)
			r := only(t, rs, "Consent")
			hasAll(t, r, c.want)
			hasAll(t, r, map[string][]any{
				"scope.coding.code": {"treatment"}, "category.coding.code": {"59284-0"}, "category.coding.system": {"http://loinc.org"},
				"category.text": {"Consent to the procedure"}, "policy.uri": {"https://north.example/id/policy/procedure-consent"}, // ppc-1
			})
			assert.NotEmpty(t, at(r, "patient.reference"), "ppc-5")
			assert.Len(t, ofType(rs, "BodyStructure"), c.refs)
		})
	}
	assert.Empty(t, buildCase(t, leftHallux(nil), nil, (*builder).procedureConsent), "no consent recorded, none published")
}

// A consent without status claims none: its narrative says what is missing.
func TestConsentWithoutStatusSaysSo(t *testing.T) {
	s := leftHallux(nil)
	s.Surgery.Consent = &record.Consent{GivenBy: "patient"}
	r := only(t, buildCase(t, s, nil, (*builder).procedureConsent), "Consent")
	assert.Contains(t, narrative(t, r), "Status: not recorded")
}

func TestD3_3_SharingConsent(t *testing.T) {
	for stated, status := range map[record.Code]string{"agreed": "active", "declined": "rejected"} {
		r := only(t, buildCase(t, nil, nil, func(b *builder) { b.sharingConsent(Sharing{Stated: stated}) }), "Consent")
		hasAll(t, r, map[string][]any{
			"status": {status}, "scope.coding.code": {"patient-privacy"}, "category.coding.code": {"IDSCL"}, "performer": nil, "dateTime": nil,
			"provision.actor.role.coding.code": {"IRCP"}, "policy.uri": {"https://north.example/id/policy/sharing"},
		})
		assert.NotEmpty(t, at(r, "patient.reference"), "ppc-2")
	}
	assert.Empty(t, buildCase(t, nil, nil, func(b *builder) { b.sharingConsent(Sharing{Shared: true}) }), "never stated, nothing claimed")
}
