package validate_test

import (
	"encoding/json"

	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/validate"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

var (
	codes    = terms.MustLoad()
	freeSet  = terms.Setting{SnomedCT: terms.FreeSet}
	licensed = terms.Setting{SnomedCT: terms.Licensed, HCPCS: true}
)

const text = `"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><p>Seen.</p></div>"}`

// valid holds one valid resource of each type that an invariant here is on.
var valid = map[string]string{
	"AllergyIntolerance": `{"resourceType":"AllergyIntolerance","id":"a",` + text + `,"clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical","code":"active","display":"Active"}]},
		"verificationStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/allergyintolerance-verification","code":"confirmed","display":"Confirmed"}]},"patient":{"reference":"Patient/p"}}`,
	"CarePlan": `{"resourceType":"CarePlan","id":"a",` + text + `,"status":"active","intent":"plan","subject":{"reference":"Patient/p"},"period":{"start":"2026-03-02","end":"2026-03-02"},
		"activity":[{"id":"day-2","detail":{"status":"scheduled","scheduledPeriod":{"start":"2026-03-03","end":"2026-03-06"}}}]}`,
	"Condition": `{"resourceType":"Condition","id":"a",` + text + `,"clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"resolved","display":"Resolved"}]},
		"verificationStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-ver-status","code":"confirmed","display":"Confirmed"}]},
		"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-category","code":"problem-list-item","display":"Problem List Item"}]}],
		"subject":{"reference":"Patient/p"},"abatementDateTime":"2026-03-02","stage":[{"summary":{"text":"II"}}],"evidence":[{"code":[{"text":"pus"}]}]}`,
	"Consent": `{"resourceType":"Consent","id":"a",` + text + `,"status":"active","scope":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/consentscope","code":"treatment","display":"Treatment"}]},
		"category":[{"text":"consent"}],"patient":{"reference":"Patient/p"},"policy":[{"uri":"https://north.example/policy"}]}`,
	"Goal": `{"resourceType":"Goal","id":"a",` + text + `,"lifecycleStatus":"active","description":{"text":"healed"},"subject":{"reference":"Patient/p"},
		"target":[{"measure":{"text":"wound stage"},"detailString":"healed"}]}`,
	"Media": `{"resourceType":"Media","id":"a",` + text + `,"status":"completed","subject":{"reference":"Patient/p"},"content":{"contentType":"image/png","data":"aGk="}}`,
	"MedicationAdministration": `{"resourceType":"MedicationAdministration","id":"a",` + text + `,"status":"completed","medicationCodeableConcept":{"text":"lidocaine"},"subject":{"reference":"Patient/p"},
		"effectiveDateTime":"2026-03-02","dosage":{"dose":{"value":3,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}}`,
	"Medication": `{"resourceType":"Medication","id":"a",` + text + `,"code":{"text":"lidocaine"},"ingredient":[{"itemCodeableConcept":{"text":"lidocaine"},
		"strength":{"numerator":{"value":20,"unit":"mg","system":"http://unitsofmeasure.org","code":"mg"},"denominator":{"value":1,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}}]}`,
	"Observation": `{"resourceType":"Observation","id":"a","meta":{"profile":["http://hl7.org/fhir/StructureDefinition/bodyweight"]},` + text + `,"status":"final","category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs","display":"Vital Signs"}]}],"code":{"coding":[{"system":"http://loinc.org","code":"29463-7","display":"Body weight"}]},"subject":{"reference":"Patient/p"},
		"effectiveDateTime":"2026-03-02","valueQuantity":{"value":70,"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"},"referenceRange":[{"text":"any"}],
		"component":[{"code":{"text":"basis"},"valueString":"measured"}]}`,
	"Organization": `{"resourceType":"Organization","id":"a",` + text + `,"name":"North Foot Clinic"}`,
	"Patient": `{"resourceType":"Patient","id":"a",` + text + `,"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/patient-birthPlace","valueAddress":{"text":"North"}}],
		"telecom":[{"system":"phone","value":"1"}],"contact":[{"name":{"text":"Ada"}}],
		"contained":[{"resourceType":"Organization","id":"o","name":"x"}],"managingOrganization":{"reference":"#o"}}`,
}

// check checks one resource under a licence setting; Patient/p is stored and
// nothing else.
func check(t testing.TB, body string, s terms.Setting) []validate.Issue {
	t.Helper()
	r, err := resource.FromJSON([]byte(body))
	require.NoError(t, err)
	stored := func(ref resource.Ref) bool { return ref == resource.Ref{Type: "Patient", ID: "p"} }
	checked, issues := validate.Check([]resource.Resource{r}, stored, codes, s)
	assert.Equal(t, len(issues) == 0, len(checked) == 1, "all pass or none does")
	return issues
}

// edit changes the JSON of a resource in one place.
func edit(t testing.TB, body, was, now string) string {
	t.Helper()
	require.Equal(t, 1, strings.Count(body, was), "%s in %s", was, body)
	out := strings.Replace(body, was, now, 1)
	require.True(t, json.Valid([]byte(out)), out)
	return out
}

// keys are the places of the issues by key.
func keys(issues []validate.Issue) map[string]string {
	out := map[string]string{}
	for _, i := range issues {
		out[i.Key] = i.Path
	}
	return out
}

func TestValidResourcesPass(t *testing.T) {
	for typ, body := range valid {
		assert.Empty(t, check(t, body, freeSet), typ)
	}
}

// brokenOnce breaks a valid resource by one change for each invariant key.
var brokenOnce = []struct{ key, typ, was, now, path string }{
	{"ait-1", "AllergyIntolerance", `"clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical","code":"active","display":"Active"}]},`, ``, "AllergyIntolerance"},
	{"ait-2", "AllergyIntolerance", `"confirmed","display":"Confirmed"`, `"entered-in-error","display":"Entered in Error"`, "AllergyIntolerance"},
	{"att-1", "Media", `"contentType":"image/png",`, ``, "Media.content"},
	{"con-1", "Condition", `{"summary":{"text":"II"}}`, `{"type":{"text":"II"}}`, "Condition.stage[0]"},
	{"con-2", "Condition", `{"code":[{"text":"pus"}]}`, `{"id":"e"}`, "Condition.evidence[0]"},
	{"con-3", "Condition", `"clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"resolved","display":"Resolved"}]},`, ``, "Condition"},
	{"con-4", "Condition", `"code":"resolved","display":"Resolved"`, `"code":"active","display":"Active"`, "Condition"},
	{"con-5", "Condition", `"code":"confirmed","display":"Confirmed"`, `"code":"entered-in-error","display":"Entered in Error"`, "Condition"},
	{"cpl-3", "CarePlan", `{"id":"day-2",`, `{"id":"day-2","reference":{"reference":"Task/t"},`, "CarePlan.activity[0]"},
	{"cpt-2", "Patient", `{"system":"phone","value":"1"}`, `{"value":"1"}`, "Patient.telecom[0]"},
	{"dom-2", "Patient", `"id":"o","name":"x"`, `"id":"o","name":"x","contained":[{"resourceType":"Organization","id":"o2","name":"y"}]`, "Patient"},
	{"dom-3", "Patient", `,"managingOrganization":{"reference":"#o"}`, ``, "Patient"},
	{"dom-4", "Patient", `"id":"o","name":"x"`, `"id":"o","name":"x","meta":{"versionId":"1"}`, "Patient"},
	{"dom-5", "Patient", `"id":"o","name":"x"`, `"id":"o","name":"x","meta":{"security":[{"system":"http://terminology.hl7.org/CodeSystem/v3-ActReason","code":"TREAT"}]}`, "Patient"},
	{"dom-6", "Organization", text + `,`, ``, "Organization"},
	{"ele-1", "Goal", `"description":{"text":"healed"}`, `"description":{"id":"x"}`, "Goal.description"},
	{"ext-1", "Patient", `,"valueAddress":{"text":"North"}`, ``, "Patient.extension[0]"},
	{"gol-1", "Goal", `"measure":{"text":"wound stage"},`, ``, "Goal.target[0]"},
	{"mad-1", "MedicationAdministration", `"dose":{"value":3,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}`, `"text":"3 mL"`, "MedicationAdministration.dosage"},
	{"obs-3", "Observation", `{"text":"any"}`, `{"type":{"text":"any"}}`, "Observation.referenceRange[0]"},
	{"obs-6", "Observation", `"status":"final"`, `"status":"final","dataAbsentReason":{"text":"unknown"}`, "Observation"},
	{"obs-7", "Observation", `"component":[{"code":{"text":"basis"}`, `"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"29463-7","display":"Body weight"}]}`, "Observation"},
	{"vs-1", "Observation", `"effectiveDateTime":"2026-03-02"`, `"effectiveDateTime":"2026-03"`, "Observation.effective"},
	{"vs-1", "Observation", `"effectiveDateTime":"2026-03-02"`, `"effectivePeriod":{"start":"2026-03-01","end":"2026-03-31"}`, "Observation.effective"},
	{"vs-2", "Observation", `"valueQuantity":{"value":70,"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"},"referenceRange":[{"text":"any"}],
		"component":[{"code":{"text":"basis"},"valueString":"measured"}]`, `"referenceRange":[{"text":"any"}]`, "Observation"},
	{"vs-3", "Observation", `,"valueString":"measured"`, ``, "Observation.component[0]"},
	{"org-1", "Organization", `,"name":"North Foot Clinic"`, ``, "Organization"},
	{"pat-1", "Patient", `{"name":{"text":"Ada"}}`, `{"relationship":[{"text":"mother"}]}`, "Patient.contact[0]"},
	{"per-1", "CarePlan", `"end":"2026-03-06"`, `"end":"2026-03-01"`, "CarePlan.activity[0].detail.scheduled"},
	{"ppc-1", "Consent", `,"policy":[{"uri":"https://north.example/policy"}]`, ``, "Consent"},
	{"ppc-5", "Consent", `"patient":{"reference":"Patient/p"},`, ``, "Consent"},
	{"qty-3", "Observation", `"system":"http://unitsofmeasure.org",`, ``, "Observation.value"},
	{"rat-1", "Medication", `,"denominator":{"value":1,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}`, ``, "Medication.ingredient[0].strength"},
	{"ref-1", "Patient", `"#o"`, `"#p"`, "Patient.managingOrganization"},
	{"txt-1", "Organization", `<p>Seen.</p>`, `<p>Seen.<script>x</script></p>`, "Organization.text.div"},
	{"txt-2", "Organization", `<p>Seen.</p>`, `<p> </p>`, "Organization.text.div"},
}

// R-CONT-03: what breaks one invariant is found by its key at its place, and stops the
// commit.
func TestInvariant(t *testing.T) {
	for _, c := range brokenOnce {
		t.Run(c.key, func(t *testing.T) {
			got := keys(check(t, edit(t, valid[c.typ], c.was, c.now), freeSet))
			require.Contains(t, got, c.key)
			assert.Equal(t, c.path, got[c.key])
			for k := range got {
				// con-3 and con-4 speak of the same absent status, dom-3 and
				// ref-1 of the two ends of one reference.
				// The definition of an extension or profile asks for what is missing.
				assert.Contains(t, []string{c.key, "con-4", "dom-3", "ele-1", "D7.4", "ref", "cardinality-min"}, k, "one change, one rule")
			}
		})
	}
}

// ppc-2 to ppc-4 differ from ppc-5 in the scope alone; none of these scopes is
// used, so their codings are not listed.
func TestInvariantPpc2To4(t *testing.T) {
	for key, scope := range map[string]string{"ppc-2": "patient-privacy", "ppc-3": "research", "ppc-4": "adr"} {
		body := edit(t, valid["Consent"], `"code":"treatment"`, `"code":"`+scope+`"`)
		assert.NotContains(t, keys(check(t, body, freeSet)), key)
		assert.Contains(t, keys(check(t, edit(t, body, `"patient":{"reference":"Patient/p"},`, ``), freeSet)), key)
	}
}

// per-1 speaks only where the order is certain: a date covers its whole day,
// and beside an instant that day as each is written (R4 datatypes.html#Period).
func TestPer1IsCertain(t *testing.T) {
	for _, c := range []struct {
		start, end string
		broken     bool
	}{
		{"2026-03-02", "2026-03-02", false},
		{"2026-03", "2026-03-01", false},
		{"2026-03-02T10:00:00Z", "2026-03-02", false},
		{"2026-03-02T23:00:00-11:00", "2026-03-02", false},
		{"2026-03-02T10:00:00Z", "2026-03-02T10:00:00Z", false},
		{"2026-03-02T10:00:00Z", "2026-03-02T11:00:00+01:00", false},
		{"2026-03-02T10:00:01Z", "2026-03-02T11:00:00+01:00", true},
		{"2026-03-02T10:00:00Z", "2026-03-02T09:59:59Z", true},
		{"2026", "2025", true},
		{"2026-03-03", "2026-03-02", true},
		{"2026-03-03T13:00:00Z", "2026-03-02", true},
		{"2026-03-03T14:00:00Z", "2026-03-02", true},
		{"2026-03-02", "2026-03-01T09:59:59Z", true},
		{"2026-03-02", "2026-03-01T11:00:00Z", false},
		{"2026-03-04T12:00:00Z", "2026-03-02", true},
	} {
		body := edit(t, valid["CarePlan"], `"period":{"start":"2026-03-02","end":"2026-03-02"}`, `"period":{"start":"`+c.start+`","end":"`+c.end+`"}`)
		_, broken := keys(check(t, body, freeSet))["per-1"]
		assert.Equal(t, c.broken, broken, "%s to %s", c.start, c.end)
		asked := false // whoever asks gets the verdict of the commit
		for _, i := range validate.Engine(codes).Validate([]byte(body), validate.Options(nil)) {
			asked = asked || i.Key == "per-1"
		}
		assert.Equal(t, c.broken, asked, "%s to %s, asked", c.start, c.end)
	}
}

// References resolve inside the set or the store (R4 references.html), a
// versioned one to a resource that is there.
func TestReferencesResolve(t *testing.T) {
	for ref, want := range map[string]string{
		"Patient/p": "", "Patient/p/_history/e1-1": "", "Patient/b": "ref", "Patient/b/_history/1": "ref",
		"Patient/p/_history/": "ref", "Patient/p/_history/1/2": "ref", "Patient/p/": "ref", "p": "ref", "Patient/": "ref",
		"https://x.example/fhir/Patient/p": "ref", "urn:uuid:7f3ded7e-e459-5862-bba3-0fdada1c2f3b": "ref", "": "json-empty",
	} {
		body := edit(t, valid["Goal"], `"Patient/p"`, `"`+ref+`"`)
		got := keys(check(t, body, freeSet))
		if want == "" {
			assert.Empty(t, got, ref)
			continue
		}
		assert.Equal(t, "Goal.subject"+map[string]string{"json-empty": ".reference"}[want], got[want], ref)
	}
	wrongType := edit(t, valid["Goal"], `"Patient/p"`, `"Goal/a"`)
	issues := check(t, wrongType, freeSet)
	require.NotEmpty(t, issues)
	assert.Equal(t, "reference-target", issues[0].Key, "a Goal is no subject")

	a, err := resource.FromJSON([]byte(edit(t, valid["Goal"], `"Patient/p"`, `"Patient/a"`)))
	require.NoError(t, err)
	b, err := resource.FromJSON([]byte(valid["Patient"]))
	require.NoError(t, err)
	none := func(resource.Ref) bool { return false }
	_, issues = validate.Check([]resource.Resource{a, b}, none, codes, freeSet)
	assert.Empty(t, issues, "inside the set")
	checked, issues := validate.Check([]resource.Resource{a, b, a}, none, codes, freeSet)
	require.Len(t, issues, 1)
	assert.Equal(t, "set", issues[0].Key)
	assert.Empty(t, checked, "all pass or none does")
}

// D7.4, R-TERM-03: every coding that leaves is listed, with the display of the table
// and a right check digit; D7.1: and the licence setting permits it.
func TestD7_4_CodingsThatLeave(t *testing.T) {
	weight := `"code":"29463-7","display":"Body weight"`
	for name, now := range map[string]string{
		"wrong display":      `"code":"29463-7","display":"Weight"`,
		"no display":         `"code":"29463-7"`,
		"wrong check digit":  `"code":"29463-8","display":"Body weight"`,
		"unlisted":           `"code":"718-7","display":"Hemoglobin [Mass/volume] in Blood"`,
		"unlisted, no name":  `"code":"718-7"`,
		"wrong case of code": `"code":"29463-7 ","display":"Body weight"`,
	} {
		got := keys(check(t, edit(t, valid["Observation"], weight, now), freeSet))
		assert.Equal(t, "Observation.code.coding[0]", got["D7.4"], name)
	}
	for name, system := range map[string]string{
		"unknown system": `"system":"https://elsewhere.example/codes",`, "no system": ``,
		"unknown local system": `"system":"https://nailbridge.example/fhir/CodeSystem/none-such",`,
	} {
		got := keys(check(t, edit(t, valid["Observation"], `"system":"http://loinc.org",`, system), freeSet))
		assert.Equal(t, "Observation.code.coding[0]", got["D7.4"], name)
	}
}

func TestD7_1_LicenceSettings(t *testing.T) {
	coding := func(c terms.Coding) string {
		b, err := json.Marshal(map[string]string{"system": c.System, "code": c.Code, "display": c.Display})
		require.NoError(t, err)
		body := edit(t, valid["Observation"], `"meta":{"profile":["http://hl7.org/fhir/StructureDefinition/bodyweight"]},`, ``)
		return edit(t, body, `{"system":"http://loinc.org","code":"29463-7","display":"Body weight"}`, string(b))
	}
	seen := 0
	for _, c := range codes.ToeConcept("left", "1", licensed).Codings {
		body := coding(c)
		assert.Empty(t, check(t, body, licensed), c.Code)
		got := keys(check(t, body, terms.Setting{SnomedCT: terms.Off}))
		if c.System == terms.SNOMEDCT || c.System == terms.HCPCS {
			seen++
			assert.Contains(t, got, "D7.1", c.Code)
			assert.Contains(t, keys(check(t, body, freeSet)), "D7.1", "a lateralised toe and a HCPCS modifier need their settings")
		} else {
			assert.Empty(t, got, "our own code always leaves")
		}
	}
	assert.Equal(t, 2, seen, "a SNOMED CT code and a HCPCS modifier were tried")
}

// R-TERM-09: units are UCUM's, and listed.
func TestUnitsAreUCUM(t *testing.T) {
	unit := `"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"`
	for now, key := range map[string]string{
		`"unit":"kg","system":"http://loinc.org","code":"29463-7"`:           "ucum",
		`"unit":"stone","system":"http://unitsofmeasure.org","code":"stone"`: "D7.4",
		`"unit":"kg","system":"http://unitsofmeasure.org","code":"KG"`:       "D7.4",
		`"unit":"kg","system":"http://unitsofmeasure.org","code":"kg{body}"`: "D7.4",
		`"unit":"kg","code":"kg"`: "qty-3",
	} {
		got := keys(check(t, edit(t, valid["Observation"], unit, now), freeSet))
		assert.Equal(t, "Observation.value", got[key], now)
	}
	words := edit(t, valid["MedicationAdministration"], `"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"`, `"unit":"mL"`)
	assert.Empty(t, check(t, words, freeSet), "a unit in words alone")
}

// Structure, required codes and JSON's own form.
func TestStructure(t *testing.T) {
	for name, c := range map[string]struct{ typ, was, now, key string }{
		"required code":            {"CarePlan", `"status":"active"`, `"status":"open"`, "binding-required"},
		"required element":         {"CarePlan", `"intent":"plan",`, ``, "cardinality-min"},
		"unknown element":          {"CarePlan", `"intent":"plan",`, `"intent":"plan","purpose":"x",`, "element-unknown"},
		"wrong type":               {"CarePlan", `"intent":"plan",`, `"intent":["plan"],`, "json-list"},
		"malformed date":           {"MedicationAdministration", `"effectiveDateTime":"2026-03-02"`, `"effectiveDateTime":"2026-3-2"`, "format"},
		"id with odd characters":   {"Organization", `"id":"a"`, `"id":"a_b"`, "id"},
		"empty array":              {"Organization", `"name":`, `"alias":[],"name":`, "json-empty"},
		"empty string":             {"Organization", `"North Foot Clinic"`, `""`, "json-empty"},
		"null":                     {"Organization", `"name":`, `"partOf":null,"name":`, "json-null"},
		"two values of one choice": {"Observation", `"valueQuantity"`, `"valueString":"x","valueQuantity"`, "choice"},
	} {
		var found []string
		for _, i := range check(t, edit(t, valid[c.typ], c.was, c.now), freeSet) {
			found = append(found, i.Key)
			assert.NotContains(t, i.Text, "North Foot", "issues hold nothing of the resource")
		}
		assert.Contains(t, found, c.key, name)
	}
}
