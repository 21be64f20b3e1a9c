package r4

import (
	"testing"

	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	opb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/organization_go_proto"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

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
