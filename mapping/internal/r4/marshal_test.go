package r4

import (
	"sync"
	"testing"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	epb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/encounter_go_proto"
	opb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/organization_go_proto"
	ppb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/patient_go_proto"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"nailbridge/mapping/resource"
)

func TestMarshalOrdersMembersAndKeepsValues(t *testing.T) {
	org := &opb.Organization{
		Id: ID("o1"), Meta: Meta(nil, Coding("http://example.org/tags", "open", "")), Active: Boolean(true),
		Name: String("Foot & <Nail>"), Text: NewText("Clinic <1>").Row("Status", "active").Narrative(),
		Extension: []*dpb.Extension{Extension("http://example.org/x", DecimalText("2.50"))},
	}
	r, err := Marshal(org)
	require.NoError(t, err)
	assert.Equal(t, resource.Ref{Type: "Organization", ID: "o1"}, r.Ref())
	assert.Equal(t, `{"resourceType":"Organization","id":"o1","meta":{"tag":[{"code":"open","system":"http://example.org/tags"}]},`+
		`"active":true,"extension":[{"url":"http://example.org/x","valueDecimal":2.50}],"name":"Foot & <Nail>",`+
		`"text":{"div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><p><b>Clinic &lt;1&gt;</b></p><p>Status: active</p></div>","status":"generated"}}`,
		string(r.JSON()))
}

// D5.10: reference targets, required elements and primitives are checked only
// when the bytes are read again. The issue names place and rule, never a value.
func TestD5_10_CheckFindsWhatMarshalWrites(t *testing.T) {
	secret := "Zyxwv"
	for _, c := range []struct {
		name, path, detail string
		msg                proto.Message
	}{
		{"reference to a type that R4 does not allow there", "Encounter.subject", "invalid reference to a Practitioner resource",
			minimalEncounter(func(e *epb.Encounter) { e.Subject = Ref(resource.Ref{Type: "Practitioner", ID: secret}) })},
		{"required element missing", "Encounter", `missing required field "class"`,
			minimalEncounter(func(e *epb.Encounter) { e.ClassValue = nil })},
		{"id with characters that R4 does not allow", "Encounter.id", "invalid Id format",
			minimalEncounter(func(e *epb.Encounter) { e.Id = ID(secret + "_") })},
		{"enumeration left at zero", "Encounter", `missing required field "status"`,
			minimalEncounter(func(e *epb.Encounter) { e.Status = &epb.Encounter_StatusCode{} })},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := Marshal(c.msg)
			require.NoError(t, err)
			issues := Check(r.JSON())
			require.Len(t, issues, 1)
			assert.Equal(t, c.path, issues[0].Path)
			assert.Contains(t, issues[0].Text, c.detail)
			assert.NotContains(t, issues[0].Text, secret)
		})
	}
}

// A resource without id is none. The error names the type, never a value.
func TestMarshalRefusesWithoutID(t *testing.T) {
	_, err := Marshal(minimalEncounter(func(e *epb.Encounter) { e.Id = nil }))
	var e *Error
	require.ErrorAs(t, err, &e)
	assert.Equal(t, "Encounter", e.Type)
	assert.Contains(t, e.Detail, "has no id")
}

func TestCheckNamesPlacesWithoutValues(t *testing.T) {
	for _, c := range []struct{ name, json, path, text string }{
		{"member that R4 does not know", `{"resourceType":"Patient","id":"p","Zyxwv":1}`, "Patient", "unknown field"},
		{"malformed date", `{"resourceType":"Patient","id":"p","birthDate":"Zyxwv"}`, "Patient.birthDate", "expected date"},
		{"unlisted code", `{"resourceType":"Patient","id":"p","gender":"Zyxwv"}`, "Patient.gender", "code type mismatch"},
		{"unknown type", `{"resourceType":"Zyxwv","id":"p"}`, "Zyxwv", "unknown resource type"},
		{"not JSON", `{"resourceType":"Patient",`, "", "invalid JSON"},
		{"reference target", `{"resourceType":"Patient","id":"p","managingOrganization":{"reference":"Patient/Zyxwv"}}`,
			"Patient.managingOrganization", "invalid reference to a Patient resource, want Organization"},
	} {
		t.Run(c.name, func(t *testing.T) {
			issues := Check([]byte(c.json))
			require.Len(t, issues, 1)
			assert.Equal(t, c.path, issues[0].Path)
			assert.Equal(t, c.text, issues[0].Text)
			assert.NotContains(t, issues[0].Text, "Zyxwv")
		})
	}
	assert.Empty(t, Check([]byte(`{"resourceType":"Patient","id":"p","gender":"female"}`)))
}

func TestUnmarshalGivesTheResourceItself(t *testing.T) {
	msg, err := Unmarshal([]byte(`{"resourceType":"Patient","id":"p"}`))
	require.NoError(t, err)
	assert.IsType(t, &ppb.Patient{}, msg)
	_, err = Unmarshal([]byte(`{"resourceType":"Patient","id":"p","birthDate":"Zyxwv"}`))
	assert.EqualError(t, err, "r4: Patient at Patient.birthDate: expected date")
}

func TestMarshalIsSafeForConcurrentUse(t *testing.T) {
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for range 20 {
				_, err := Marshal(minimalEncounter(func(*epb.Encounter) {}))
				assert.NoError(t, err)
			}
		})
	}
	wg.Wait()
}
