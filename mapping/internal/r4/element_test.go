package r4

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	cpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/codes_go_proto"
	dpb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/datatypes_go_proto"
	epb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/encounter_go_proto"
	ppb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/patient_go_proto"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

func minimalEncounter(edit func(*epb.Encounter)) *epb.Encounter {
	e := &epb.Encounter{
		Id: ID("e"), Status: &epb.Encounter_StatusCode{Value: cpb.EncounterStatusCode_FINISHED},
		ClassValue: Coding("http://terminology.hl7.org/CodeSystem/v3-ActCode", "AMB", "ambulatory"),
	}
	edit(e)
	return e
}

// elementJSON writes one element as google/fhir does.
func elementJSON(t *testing.T, m proto.Message) string {
	t.Helper()
	w, err := jsonformat.NewMarshaller(false, "", "", fhirversion.R4)
	require.NoError(t, err)
	b, err := w.MarshalElement(m)
	require.NoError(t, err)
	return string(b)
}

func TestElements(t *testing.T) {
	patient := resource.Ref{Type: "Patient", ID: "p1"}
	for _, c := range []struct {
		name string
		m    proto.Message
		want string
	}{
		{"reference", Ref(patient), `{"reference":"Patient/p1"}`},
		{"reference with extension", RefWithExtension(patient, Extension("http://example.org/a", String("x"))),
			`{"reference":"Patient/p1","extension":[{"url":"http://example.org/a","valueString":"x"}]}`},
		{"identifier", Identifier(cpb.IdentifierUseCode_USUAL, CodeableConcept("", Coding("http://terminology.hl7.org/CodeSystem/v2-0203", "MR", "")), "https://clinic.example/mrn", "7", resource.Ref{Type: "Organization", ID: "o"}),
			`{"use":"usual","type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"MR"}]},"system":"https://clinic.example/mrn","value":"7","assigner":{"reference":"Organization/o"}}`},
		{"concept", Concept(terms.Concept{Text: "Left hallux", Codings: []terms.Coding{{System: "http://a.example", Code: "x", Display: "X"}}}),
			`{"text":"Left hallux","coding":[{"system":"http://a.example","code":"x","display":"X"}]}`},
		{"absent concept", AbsentConcept("unknown"), `{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}`},
		{"quantity", Quantity("2.50", "mL", "mL"), `{"value":2.50,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}`},
		{"period", Period(nil, AbsentDateTime("unknown")), `{"_end":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}}`},
		{"name", HumanName(&record.Name{Family: "Brook", Given: []string{"Ada", ""}, Prefix: "Dr"}, cpb.NameUseCode_OFFICIAL),
			`{"use":"official","text":"Dr Ada Brook","family":"Brook","given":["Ada"],"prefix":["Dr"]}`},
		{"address", Address("1 Mill Lane", "", "AB1"), `{"line":["1 Mill Lane"],"postalCode":"AB1"}`},
		{"phone", Phone("555 0100"), `{"system":"phone","value":"555 0100"}`},
		{"note", Annotation("Line one\nline two", patient, nil), `{"authorReference":{"reference":"Patient/p1"},"text":"Line one\nline two"}`},
		{"complex extension", ComplexExtension("http://example.org/a", Extension("b", Integer(3))), `{"url":"http://example.org/a","extension":[{"url":"b","valueInteger":3}]}`},
	} {
		t.Run(c.name, func(t *testing.T) { assert.JSONEq(t, c.want, elementJSON(t, c.m)) })
	}
}

// CommonMark 0.30: section 6.2 (entities), 6.6 (raw HTML).
func TestMarkdownOfPlainWordsHoldsNoHTML(t *testing.T) {
	for recorded, want := range map[string]string{
		`a <b>bold</b> remark`: `a &lt;b>bold&lt;/b> remark`, "5 < 6 & 7": "5 < 6 & 7", "&lt;b&gt;": "&amp;lt;b&amp;gt;", "<!-- x": "&lt;!-- x", "&#60;": "&amp;#60;",
	} {
		assert.Equal(t, want, Markdown(recorded).GetValue())
	}
	assert.Nil(t, Markdown(" "))
}

func TestNothingRecordedIsNothing(t *testing.T) {
	assert.Nil(t, String(" \t"))
	assert.Nil(t, Strings("", " "))
	assert.Nil(t, Markdown(""))
	assert.Nil(t, URI(""))
	assert.Nil(t, Canonical(""))
	assert.Nil(t, Code(""))
	assert.Nil(t, DecimalText(""))
	assert.Nil(t, CodeableConcept(""))
	assert.Nil(t, Concept(terms.Concept{}))
	assert.Nil(t, Concepts(terms.Concept{}))
	assert.Nil(t, ConceptCoding(terms.Concept{Text: "only text"}))
	assert.Nil(t, Quantity("", "mL", "mL"))
	assert.Nil(t, SimpleQuantity("", "mL", "mL"))
	assert.Nil(t, HumanName(nil, 0))
	assert.Nil(t, HumanName(&record.Name{Given: []string{" "}}, 0))
	assert.Nil(t, Address("", " ", ""))
	assert.Nil(t, Phone(""))
	assert.Nil(t, Annotation(" ", resource.Ref{}, nil))
	assert.Nil(t, Meta(nil))
}

// R4 datatypes.html#decimal, R-DATA-07: precision is significant.
func TestDecimalTextIsKept(t *testing.T) {
	for _, text := range []string{"2.50", "0", "0.0", "10", "100.000", "-1.20", "0.05", "70.125", "0.010"} {
		assert.Equal(t, `{"value":`+text+`}`, elementJSON(t, &dpb.Quantity{Value: DecimalText(text)}))
	}
}

// R4 datatypes.html#string: no control characters but tab, CR and LF.
func TestStringsShowWhatTheyMayNotHold(t *testing.T) {
	for in, want := range map[string]string{
		"a\x00b": "a\uFFFDb", "a\x1bb": "a\uFFFDb", "a\u0085b": "a\uFFFDb", "a\uFFFEb": "a\uFFFDb", "bad\xffutf8": "bad\uFFFDutf8",
		"a\tb\r\nc": "a\tb\r\nc", "  kept inside  it ": "kept inside  it", "\U0001F9B6 ñ": "\U0001F9B6 ñ",
	} {
		assert.Equal(t, want, String(in).GetValue(), "%q", in)
	}
}

// R4 narrative.html, R-CONT-24, R-CONT-25: generated, XHTML in its namespace, entities
// of XML only.
func TestNarrativeEscapesEverything(t *testing.T) {
	n := NewText("T & <script>").Line(`"quoted" <b>`).Line(" ").Row("Label <", "v & w").Row("None", "").
		List("Items", "<li>", "two").List("Empty").Narrative()
	assert.Equal(t, `<div xmlns="http://www.w3.org/1999/xhtml"><p><b>T &amp; &lt;script&gt;</b></p><p>&quot;quoted&quot; &lt;b&gt;</p>`+
		`<p>Label &lt;: v &amp; w</p><p>Items:</p><ul><li>&lt;li&gt;</li><li>two</li></ul></div>`, n.GetDiv().GetValue())
	assert.Equal(t, cpb.NarrativeStatusCode_GENERATED, n.GetStatus().GetValue())
}

// Every datatype that R4 allows in Extension.value[x] finds its member.
func TestExtensionTakesEveryChoice(t *testing.T) {
	assert.Len(t, extensionChoices, (&dpb.Extension_ValueX{}).ProtoReflect().Descriptor().Fields().Len())
	for name, c := range map[string]struct {
		v    proto.Message
		want string
	}{
		"code":      {Code("a"), `"valueCode":"a"`},
		"reference": {Ref(resource.Ref{Type: "Patient", ID: "p"}), `"valueReference":{"reference":"Patient/p"}`},
		"concept":   {CodeableConcept("t"), `"valueCodeableConcept":{"text":"t"}`},
		"uri":       {URI("urn:x"), `"valueUri":"urn:x"`},
	} {
		got := elementJSON(t, Extension("http://example.org/e", c.v))
		assert.Contains(t, got, c.want, name)
	}
	assert.Panics(t, func() { Extension("http://example.org/e", &ppb.Patient{}) })
}

// R-DATA-06: a required primitive without value has its extension in the member of its
// name with an underscore; google/fhir's own mark never leaves.
func TestAbsentValueOfAPrimitive(t *testing.T) {
	r, err := Marshal(minimalEncounter(func(e *epb.Encounter) { e.Status = &epb.Encounter_StatusCode{Extension: AbsentValue("masked")} }))
	require.NoError(t, err)
	assert.NotContains(t, string(r.JSON()), "primitiveHasNoValue")
	b, err := json.Marshal(r.Tree()["_status"])
	require.NoError(t, err)
	assert.JSONEq(t, `{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"masked"}]}`, string(b))
	assert.NotContains(t, r.Tree(), "status")
}

func TestMetaHoldsProfilesAndTags(t *testing.T) {
	got := elementJSON(t, Meta([]string{terms.ProfileBodyWeight}, Coding("http://a.example", "open", "Open")))
	assert.JSONEq(t, `{"profile":["http://hl7.org/fhir/StructureDefinition/bodyweight"],"tag":[{"system":"http://a.example","code":"open","display":"Open"}]}`, got)
	assert.False(t, strings.Contains(got, "versionId"))
}
