package mapping

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"nailbridge/mapping/record"
	"nailbridge/mapping/terms"
)

const typeMR = `{"coding":[{"code":"MR","display":"Medical record number","system":"http://terminology.hl7.org/CodeSystem/v2-0203"}],"text":"Medical record number"}`

func TestPatient(t *testing.T) {
	for _, c := range []struct {
		name string
		in   *record.Patient
		want map[string][]any
	}{
		{"nothing but the identifier", nil, map[string][]any{
			"identifier.system": {"https://north.example/id/patient"}, "identifier.value": {"P-1"}, "identifier.use": {"usual"},
			"identifier.type.coding.code": {"MR"},
			"name":                        nil, "gender": nil, "birthDate": nil, "deceasedDateTime": nil, "telecom": nil, "address": nil, "link": nil, "active": nil,
		}},
		{"all", &record.Patient{
			Name: &record.Name{Family: "Reed", Given: []string{"Sam", "Lee"}, Prefix: "Mx"}, BirthDate: when(t, "2011-05-06"), Gender: "other",
			Phone: "555 0101", AddressLine: "1 Mill Lane", City: "Northam", PostalCode: "N1",
		}, map[string][]any{
			"name.family": {"Reed"}, "name.given": {"Sam", "Lee"}, "name.prefix": {"Mx"}, "name.text": {"Mx Sam Lee Reed"},
			"birthDate": {"2011-05-06"}, "gender": {"other"}, "telecom.system": {"phone"}, "telecom.value": {"555 0101"},
			"address.line": {"1 Mill Lane"}, "address.city": {"Northam"}, "address.postalCode": {"N1"},
		}},
		{"year of birth only", &record.Patient{BirthDate: when(t, "1948")}, map[string][]any{"birthDate": {"1948"}}},
		{"month of birth only", &record.Patient{BirthDate: when(t, "1948-02")}, map[string][]any{"birthDate": {"1948-02"}}},
		{"date of death", &record.Patient{DeathDate: when(t, "2025-03")}, map[string][]any{"deceasedDateTime": {"2025-03"}, "deceasedBoolean": nil}},
		{"time of death, no seconds", &record.Patient{DeathDate: when(t, "2025-03-04T10:05")}, map[string][]any{
			"deceasedDateTime": {"2025-03-04T10:05:00+01:00"}, "_deceasedDateTime.extension.url": {terms.ExtSecondsNotRecorded}}},
		{"asked, not known", &record.Patient{Gender: "unknown"}, map[string][]any{"gender": {"unknown"}}},
		{"half an address", &record.Patient{City: "Northam"}, map[string][]any{"address.city": {"Northam"}, "address.line": nil}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := only(t, buildCase(t, nil, nil, func(b *builder) { b.patient(c.in) }), "Patient")
			hasAll(t, p, c.want)
			assert.Equal(t, at(p, "managingOrganization.reference"), at(p, "identifier.assigner.reference"))
		})
	}
	p := only(t, buildCase(t, nil, nil, func(b *builder) { b.patient(nil) }), "Patient")
	assert.JSONEq(t, typeMR, jsonOf(t, at(p, "identifier.type")[0]))
}

// A patient belongs to no case, though a case's builder makes it.
func TestPatientBelongsToNoCase(t *testing.T) {
	b := newBuilder(buildSettings(t), buildPatient).inCase("S-1", nil, nil)
	b.patient(nil)
	out, caseOf, err := b.finish()
	assert.NoError(t, err)
	assert.Equal(t, "", caseOf[out[0].Ref()])
}

func TestNarrativeShowsOneEscapedName(t *testing.T) {
	p := only(t, buildCase(t, nil, nil, func(b *builder) {
		b.patient(&record.Patient{Name: &record.Name{Family: `<img src="x">`}})
	}), "Patient")
	assert.Contains(t, narrative(t, p), "Name: &lt;img src=&quot;x&quot;&gt;")
	assert.NotContains(t, narrative(t, p), "<img")
}

func TestD3_3_RelatedPerson(t *testing.T) {
	giver := &record.Name{Family: "Reed", Given: []string{"Kim"}}
	for _, c := range []struct {
		name string
		in   record.Consent
		want map[string][]any // of the RelatedPerson
		ref  string           // prefix of the reference, or the display
	}{
		{"the patient", record.Consent{GivenBy: "patient"}, nil, "Patient/"},
		{"another adult, named", record.Consent{GivenBy: "other", Giver: giver, Relationship: "parent"}, map[string][]any{
			"name.family": {"Reed"}, "name.given": {"Kim"}, "relationship.coding.code": {"PRN"}, "relationship.text": {"Parent"}}, "RelatedPerson/"},
		{"a relationship that R4's set does not hold", record.Consent{GivenBy: "other", Relationship: "attorney"}, map[string][]any{
			"name": nil, "relationship.coding": nil, "relationship.text": {"Holder of power of attorney"}}, "RelatedPerson/"},
		{"a name though nobody said who consented", record.Consent{Giver: giver}, map[string][]any{"relationship": nil, "name.family": {"Reed"}}, "RelatedPerson/"},
		{"another adult, nothing else", record.Consent{GivenBy: "other"}, nil, "Another adult for the patient"},
		{"not recorded", record.Consent{}, nil, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := ""
			rs := buildCase(t, nil, nil, func(b *builder) {
				for _, ref := range b.consentGivers(&c.in) {
					got += ref.GetUri().GetValue() + ref.GetDisplay().GetValue()
				}
			})
			assert.Contains(t, got, c.ref)
			if c.want == nil {
				assert.Empty(t, rs)
				return
			}
			p := only(t, rs, "RelatedPerson")
			hasAll(t, p, c.want)
			said := map[record.Code]string{"other": "Another adult for the patient"}[c.in.GivenBy]
			assert.Equal(t, got, p.Ref().String()+said, "that another adult consented is told apart from nothing said")
			assert.NotEmpty(t, at(p, "patient.reference"))
		})
	}
}

// The same adult in two consents is one resource; another name is another.
func TestRelatedPersonIsBuiltOnce(t *testing.T) {
	rs := buildCase(t, nil, nil, func(b *builder) {
		for _, given := range []string{"Kim", "Kim", "Pat"} {
			b.consentGivers(&record.Consent{GivenBy: "other", Giver: &record.Name{Family: "Reed", Given: []string{given}}})
		}
	})
	assert.Len(t, ofType(rs, "RelatedPerson"), 2)
}

// A record that says the patient consented and names an adult too says both.
func TestD3_3_ConsentOfPatientAndAdult(t *testing.T) {
	rs := buildCase(t, nil, nil, func(b *builder) {
		refs := b.consentGivers(&record.Consent{GivenBy: "patient", Giver: &record.Name{Family: "Reed"}})
		if !assert.Len(t, refs, 2) {
			return
		}
		assert.Contains(t, refs[0].GetUri().GetValue(), "Patient/")
		assert.Contains(t, refs[1].GetUri().GetValue(), "RelatedPerson/")
	})
	only(t, rs, "RelatedPerson")
}

func TestStaffTakesTheLatestStatementOfEachDetail(t *testing.T) {
	reg := &record.Identifier{System: "https://register.example", Value: "R-7"}
	day := func(d int) time.Time { return time.Date(2025, 3, d, 0, 0, 0, 0, time.UTC) }
	statements := []StaffStatement{
		{Person: record.Person{Registration: reg, Name: &record.Name{Family: "Brook-Hill"}}, SavedAt: day(2), Record: "B", Revision: 1},
		{Person: record.Person{Registration: reg, Name: &record.Name{Family: "Brook"}, Role: "podiatrist"}, SavedAt: day(1), Record: "A", Revision: 9},
		{Person: record.Person{Registration: reg, Name: &record.Name{Family: "Older"}}, SavedAt: day(2), Record: "A", Revision: 9},
		{Person: record.Person{Registration: reg, StaffKey: "k7"}, SavedAt: day(3), Record: "A", Revision: 1},
		{Person: record.Person{StaffKey: "k8", Name: &record.Name{Family: "Not referred to"}}, SavedAt: day(3), Record: "A", Revision: 1},
	}
	build := func(b *builder) {
		b.who(&record.Person{Registration: reg})
		b.who(&record.Person{StaffKey: "k9", Role: "nurse"})
		b.staff(statements)
	}
	rs := buildCase(t, nil, nil, build)
	people := ofType(rs, "Practitioner")
	assert.Len(t, people, 2, "only who is referred to")
	for _, p := range people {
		if len(at(p, "name")) == 0 {
			hasAll(t, p, map[string][]any{"identifier.system": {"https://north.example/id/staff"}, "identifier.value": {"k9"}, "identifier.type": nil})
			continue
		}
		hasAll(t, p, map[string][]any{
			"name.family": {"Brook-Hill"}, "identifier.value": {"R-7", "k7"}, "identifier.type.coding.code": {"PRN"},
			"identifier.system": {"https://register.example", "https://north.example/id/staff"},
		})
	}
	var roles []any
	for _, r := range ofType(rs, "PractitionerRole") {
		hasAll(t, r, map[string][]any{"active": {true}})
		roles = append(roles, at(r, "code.coding.code")...)
		assert.Contains(t, at(r, "practitioner.reference")[0], "Practitioner/")
		assert.Contains(t, at(r, "organization.reference")[0], "Organization/")
	}
	assert.ElementsMatch(t, []any{"podiatrist", "nurse"}, roles)
	// The order in which statements arrive does not matter (D1.4).
	statements[0], statements[2], statements[3] = statements[3], statements[0], statements[2]
	again := buildCase(t, nil, nil, build)
	for i := range rs {
		assert.Equal(t, string(rs[i].JSON()), string(again[i].JSON()))
	}
}

// Who is known by name or role alone stands as text; nobody stands as nothing.
func TestWhoWithoutIdentification(t *testing.T) {
	b := newBuilder(buildSettings(t), buildPatient)
	ref := b.who(&record.Person{Name: &record.Name{Family: "Hill", Given: []string{"Jo"}}})
	assert.Equal(t, "Jo Hill", ref.GetDisplay().GetValue())
	assert.Nil(t, ref.GetUri())
	assert.Nil(t, b.who(nil))
	assert.Equal(t, "nurse", b.who(&record.Person{Role: "nurse"}).GetDisplay().GetValue())
	assert.Nil(t, b.who(&record.Person{}))
	assert.Equal(t, b.orgRef().String(), b.whoOrClinic(nil).GetUri().GetValue(), "D5.4: the clinic performs what nobody else is named for")
}

func TestOrganizationAndDevice(t *testing.T) {
	rs := buildCase(t, nil, nil, func(b *builder) { b.organization(); b.device() })
	org := only(t, rs, "Organization")
	hasAll(t, org, map[string][]any{
		"name": {"North Street Foot Clinic"}, "identifier.system": {"https://north.example/id/clinic"}, "identifier.value": {"north"},
		"type.coding.code": {"prov"}, "active": {true},
	})
	hasAll(t, only(t, rs, "Device"), map[string][]any{
		"status": {"active"}, "deviceName.name": {"Nailbridge"}, "type.coding.code": {"bridge"}, "owner.reference": {org.Ref().String()},
		"version.type.text": {"Mapping", "Code maps"}, "version.value": {Version, "1.0.0"},
		"property.type.text":      {"SNOMED CT codes", "HCPCS modifiers", "Dose limits"},
		"property.valueCode.text": {"licensed", "on", "no ceiling chosen"},
	})
}

func TestD5_1_BodyStructure(t *testing.T) {
	build := func(places ...place) func(b *builder) {
		return func(b *builder) {
			for _, p := range places {
				b.bodyStructureRef(p.side, p.digit, p.border)
			}
		}
	}
	one := only(t, buildCase(t, nil, nil, build(place{"left", "1", "lateral"}, place{"left", "1", "lateral"})), "BodyStructure")
	hasAll(t, one, map[string][]any{
		"active": {true}, "identifier.value": {"S-1/left-1/lateral"},
		"location.coding.code":          {"left-1-lateral", "770822006"},
		"location.text":                 {"Left hallux, lateral (fibular) border"},
		"locationQualifier.coding.code": {"left", "7771000", "lateral", "49370004"},
		"description":                   {"left hallux, lateral (fibular) border"},
	})
	toe := only(t, buildCase(t, nil, nil, build(place{"right", "2", ""})), "BodyStructure")
	hasAll(t, toe, map[string][]any{"location.coding.code": {"right-2", "T6"}, "locationQualifier.text": {"Right"}, "identifier.value": {"S-1/right-2"}})
	// Two borders never look alike: all thirty differ in id and in location.
	var all []place
	for _, side := range record.SideSet.Values {
		for _, digit := range record.DigitSet.Values {
			for _, border := range record.BorderSet.Values {
				all = append(all, place{side.Code, digit.Code, border.Code})
			}
		}
	}
	locations := map[any]bool{}
	for _, r := range buildCase(t, nil, nil, build(all...)) {
		locations[at(r, "location.coding.code")[0]] = true
	}
	assert.Len(t, locations, 30)
	// No toe, no structure.
	assert.Empty(t, buildCase(t, nil, nil, build(place{"", "1", "medial"}, place{"left", "", "medial"})))
}

// D5.1, R-TERM-06: a bodySite never has a coding without the side.
func TestD5_1_BodySiteHasASide(t *testing.T) {
	b := newBuilder(buildSettings(t), buildPatient)
	for _, digit := range record.DigitSet.Values {
		left, right := b.toeSite("left", digit.Code), b.toeSite("right", digit.Code)
		for _, l := range left.GetCoding() {
			for _, r := range right.GetCoding() {
				assert.NotEqual(t, l.GetCode().GetValue(), r.GetCode().GetValue())
			}
		}
	}
	assert.Nil(t, b.toeSite("", "1"))
	assert.Nil(t, b.toeSite("left", ""))
	assert.Nil(t, b.siteExtension("left", "1", ""))
	assert.Nil(t, b.targetExtension("", "1", "medial"))
}
