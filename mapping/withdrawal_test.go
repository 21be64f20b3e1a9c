package mapping

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/internal/r4"
	"nailbridge/mapping/resource"
)

// fixed makes a resource of a test from its members beside type and id.
func fixed(t *testing.T, typ, members string) resource.Resource {
	t.Helper()
	r, err := resource.FromJSON([]byte(`{"resourceType":"` + typ + `","id":"x1",` + members + `}`))
	require.NoError(t, err)
	require.Empty(t, r4.Check(r.JSON()), typ)
	return r
}

const (
	subject  = `"subject":{"reference":"Patient/p1","display":"SECRET"},"note":[{"text":"SECRET"}],"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">SECRET</div>"}`
	profiled = `"meta":{"profile":["http://hl7.org/fhir/StructureDefinition/bodyweight"],"tag":[{"system":"https://nailbridge.example/fhir/CodeSystem/tag","code":"open","display":"Open flag"}]}`
)

// vanished lists, for each type of D6, an example, the member that tells the
// withdrawal with its value, the members that must be gone, and the members
// that D1.5 lets stay.
var vanished = []struct {
	typ, members string
	path         string
	value        any
	gone         []string
	stay         []string
}{
	{"Procedure", `"status":"completed","code":{"text":"SECRET"},"performedDateTime":"2025-03-04",` + subject, "status", "entered-in-error", nil, []string{"status", "subject"}},
	{"Observation", profiled + `,"status":"final","code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}],"text":"SECRET"},"effectiveDateTime":"2025-03-04","valueString":"SECRET","performer":[{"reference":"Practitioner/SECRET"}],` + subject,
		"status", "entered-in-error", nil, []string{"status", "code", "subject", "performer", "_effectiveDateTime"}},
	{"MedicationAdministration", `"status":"completed","medicationReference":{"reference":"Medication/SECRET"},"effectiveDateTime":"2025-03-04",` + subject,
		"status", "entered-in-error", nil, []string{"status", "subject", "_effectiveDateTime", "medicationCodeableConcept"}},
	{"MedicationStatement", `"status":"active","medicationCodeableConcept":{"text":"SECRET"},"effectiveDateTime":"2025-03-04",` + subject,
		"status", "entered-in-error", nil, []string{"status", "subject", "medicationCodeableConcept"}},
	{"Medication", `"status":"active","code":{"text":"SECRET"}`, "status", "entered-in-error", nil, []string{"status"}},
	{"Encounter", `"status":"finished","class":{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"AMB"},"period":{"start":"2025-03-04"},"identifier":[{"value":"SECRET"}],"subject":{"reference":"Patient/p1"}`,
		"status", "entered-in-error", nil, []string{"status", "class", "subject"}},
	{"CarePlan", profiled + `,"status":"active","intent":"plan","activity":[{"detail":{"status":"scheduled","description":"SECRET"}},{"reference":{"display":"SECRET"}}],` + subject,
		"status", "entered-in-error", nil, []string{"status", "intent", "subject"}},
	{"DetectedIssue", profiled + `,"status":"final","detail":"SECRET","identifiedDateTime":"2025-03-04","patient":{"reference":"Patient/p1"}`,
		"status", "entered-in-error", nil, []string{"status", "patient"}},
	{"Specimen", `"status":"available","type":{"text":"SECRET"},` + subject, "status", "entered-in-error", nil, []string{"status", "subject"}},
	{"Consent", `"status":"active","scope":{"coding":[{"code":"treatment"}]},"category":[{"text":"SECRET"}],"policy":[{"uri":"https://a.example/p"}],"dateTime":"2025-03-04","patient":{"reference":"Patient/p1"},"performer":[{"reference":"RelatedPerson/SECRET"}]`,
		"status", "entered-in-error", nil, []string{"status", "scope", "category", "policy", "patient"}},
	{"Composition", `"status":"final","type":{"text":"SECRET"},"date":"2025-03-04","author":[{"reference":"Organization/o"}],"title":"Letter","section":[{"title":"SECRET"}],"subject":{"reference":"Patient/p1"}`,
		"status", "entered-in-error", nil, []string{"status", "type", "subject", "author", "title", "_date"}},
	{"Media", `"status":"completed","content":{"contentType":"image/jpeg","title":"SECRET"},"createdDateTime":"2025-03-04",` + subject,
		"status", "entered-in-error", nil, []string{"status", "subject", "content"}},
	{"Goal", `"lifecycleStatus":"active","description":{"coding":[{"system":"https://nailbridge.example/fhir/CodeSystem/goal","code":"healed"}],"text":"SECRET"},"startDate":"2025-03-04",` + subject, "lifecycleStatus", "entered-in-error", nil, []string{"lifecycleStatus", "description", "subject"}},
	{"Condition", `"clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"resolved"}]},"abatementDateTime":"2025-03-04","code":{"text":"SECRET"},` + subject,
		"verificationStatus.coding.code", "entered-in-error", []string{"clinicalStatus", "abatementDateTime"}, []string{"verificationStatus", "subject"}},
	{"AllergyIntolerance", `"clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical","code":"active"}]},"verificationStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/allergyintolerance-verification","code":"refuted"}]},"code":{"text":"SECRET"},"patient":{"reference":"Patient/p1"}`,
		"verificationStatus.coding.code", "entered-in-error", []string{"clinicalStatus"}, []string{"verificationStatus", "patient"}},
	{"BodyStructure", `"active":true,"location":{"text":"SECRET"},"patient":{"reference":"Patient/p1"}`, "active", false, nil, []string{"active", "patient"}},
	{"PractitionerRole", `"active":true,"practitioner":{"reference":"Practitioner/p"},"organization":{"reference":"Organization/o"},"code":[{"text":"Nurse"}]`,
		"active", false, nil, []string{"active", "practitioner", "organization"}},
}

// D6, R-CONT-07: what was made in error says so in the status of its type, and stays.
func TestD6_EachTypeShowsItsWithdrawal(t *testing.T) {
	s := buildSettings(t)
	for _, c := range vanished {
		t.Run(c.typ, func(t *testing.T) {
			r := fixed(t, c.typ, c.members)
			before := string(r.JSON())
			out, changed, err := EnterInError(s, r, false)
			require.NoError(t, err)
			assert.True(t, changed)
			assert.Equal(t, r.Ref(), out.Ref())
			want := map[string][]any{c.path: {c.value}, "meta.tag": nil, "meta.profile": at(r, "meta.profile")}
			for _, name := range c.gone {
				want[name] = nil
			}
			hasAll(t, out, want)
			assert.NotContains(t, narrative(t, out), "SECRET")
			// The rest stays as it was: what was published is not hidden.
			for name, v := range r.Tree() {
				if slices.Contains(append(c.gone, "text", "meta", "activity", strings.Split(c.path, ".")[0]), name) {
					continue
				}
				assert.Equal(t, v, out.Tree()[name], name)
			}
			assert.Equal(t, before, string(r.JSON()), "the resource given is not changed")
			again, changed, err := EnterInError(s, out, false)
			require.NoError(t, err)
			assert.False(t, changed, "once is enough")
			assert.True(t, again.Equal(out))
		})
	}
}

func TestD6_ActivitiesOfAPlanToo(t *testing.T) {
	for _, c := range vanished {
		if c.typ != "CarePlan" {
			continue
		}
		out, _, err := EnterInError(buildSettings(t), fixed(t, c.typ, c.members), false)
		require.NoError(t, err)
		hasAll(t, out, map[string][]any{"activity.detail.status": {"entered-in-error"}, "activity.detail.description": {"SECRET"}, "activity.reference.display": {"SECRET"}})
	}
}

// D1.5: only status, required elements, subject and what the decision names
// stay; nothing else that could tell of the other patient.
func TestD1_5_MaskedHoldsOnlyWhatMayStay(t *testing.T) {
	s := buildSettings(t)
	for _, c := range vanished {
		t.Run(c.typ, func(t *testing.T) {
			out, changed, err := EnterInError(s, fixed(t, c.typ, c.members), true)
			require.NoError(t, err)
			assert.True(t, changed)
			got := slices.Sorted(maps.Keys(out.Tree()))
			want := append([]string{"resourceType", "id", "text"}, c.stay...)
			slices.Sort(want)
			assert.Equal(t, want, got)
			assert.NotContains(t, string(out.JSON()), "SECRET")
			hasAll(t, out, map[string][]any{c.path: {c.value}})
			assert.Contains(t, []string{
				`<div xmlns="http://www.w3.org/1999/xhtml"><p>This resource was entered in error.</p></div>`,
				`<div xmlns="http://www.w3.org/1999/xhtml"><p>This resource is no longer in use.</p></div>`,
			}, narrative(t, out))
			_, changed, err = EnterInError(s, out, true)
			require.NoError(t, err)
			assert.False(t, changed)
		})
	}
}

func TestD1_5_MaskedValues(t *testing.T) {
	s := buildSettings(t)
	masked := map[string]resource.Resource{}
	for _, c := range vanished {
		out, _, err := EnterInError(s, fixed(t, c.typ, c.members), true)
		require.NoError(t, err)
		masked[c.typ] = out
	}
	hasAll(t, masked["Observation"], map[string][]any{
		"performer.reference": {s.organizationRef().String()}, "_effectiveDateTime.extension.valueCode": {"masked"}})
	hasAll(t, masked["MedicationAdministration"], map[string][]any{
		"_effectiveDateTime.extension.valueCode": {"masked"}, "medicationCodeableConcept.extension.valueCode": {"masked"}})
	hasAll(t, masked["MedicationStatement"], map[string][]any{"medicationCodeableConcept.extension.valueCode": {"masked"}})
	hasAll(t, masked["Composition"], map[string][]any{"_date.extension.valueCode": {"masked"}, "title": {"Letter"}})
	hasAll(t, masked["Media"], map[string][]any{"content.contentType": {"image/jpeg"}, "content.title": nil})
	hasAll(t, masked["Consent"], map[string][]any{"policy.uri": {"https://a.example/p"}, "category.extension.valueCode": {"masked"}, "scope.coding.code": {"treatment"}})
	hasAll(t, masked["Observation"], map[string][]any{"code.coding.code": {"29463-7"}})
	hasAll(t, masked["Goal"], map[string][]any{"description.coding.code": {"healed"}})
	// One that was entered in error before is masked all the same.
	for _, c := range vanished {
		plain, _, err := EnterInError(s, fixed(t, c.typ, c.members), false)
		require.NoError(t, err)
		out, _, err := EnterInError(s, plain, true)
		require.NoError(t, err)
		assert.True(t, out.Equal(masked[c.typ]), c.typ)
	}
}

// D1.5: a required element keeps only what cannot tell of the patient.
func TestD1_5_BareElements(t *testing.T) {
	m := func(members ...any) map[string]any {
		out := map[string]any{}
		for i := 0; i < len(members); i += 2 {
			out[members[i].(string)] = members[i+1]
		}
		return out
	}
	for _, c := range []struct{ from, to any }{
		{m("reference", "Patient/a", "display", "Ada Marsh"), m("reference", "Patient/a")},
		{m("display", "Ada Marsh"), maskedValue()},
		{m("identifier", m("value", "P-1")), maskedValue()},
		{m("text", "toe of Ada Marsh"), maskedValue()},
		{m("coding", []any{m("code", "treatment")}, "text", "of Ada Marsh"), m("coding", []any{m("code", "treatment")})},
		{m("system", "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code", "AMB", "display", "ambulatory"),
			m("system", "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code", "AMB", "display", "ambulatory")},
		{[]any{m("display", "Ada Marsh")}, []any{maskedValue()}},
	} {
		assert.Equal(t, c.to, bare(c.from))
	}
}

func TestD6_UntouchedTypes(t *testing.T) {
	for typ, members := range map[string]string{
		"Patient": `"gender":"female"`, "RelatedPerson": `"patient":{"reference":"Patient/p1"}`, "Practitioner": `"active":true`,
		"Organization": `"active":true`, "Device": `"status":"active"`,
		"Provenance": `"target":[{"reference":"Patient/p1"}],"recorded":"2025-03-04T10:00:00Z","agent":[{"who":{"reference":"Device/d"}}]`,
	} {
		r := fixed(t, typ, members)
		for _, masked := range []bool{false, true} {
			out, changed, err := EnterInError(buildSettings(t), r, masked)
			require.NoError(t, err)
			assert.False(t, changed, typ)
			assert.True(t, out.Equal(r), typ)
		}
	}
}
