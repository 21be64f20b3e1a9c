package searchparam

import (
	"cmp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/cockroachdb/apd/v3"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"nailbridge/mapping/resource"
)

const base = "https://clinic.example/fhir"

var index = Index{Base: base}

func rowsOf(t *testing.T, json string) []Row {
	t.Helper()
	r, err := resource.FromJSON([]byte(json))
	require.NoError(t, err)
	rows, err := index.Rows(r)
	require.NoError(t, err)
	return rows
}

// finds reports whether a query of one pair holds for the rows.
func finds(t *testing.T, typ string, rows []Row, name, value string) bool {
	t.Helper()
	q, problems := index.Parse(typ, []Pair{{name, value}})
	require.Empty(t, problems, "%s=%s", name, value)
	require.Len(t, q.Match, 1)
	return q.Match[0].Holds(rows, nil)
}

type want struct {
	name, value string
	found       bool
}

func check(t *testing.T, typ string, rows []Row, wants []want) {
	t.Helper()
	for _, w := range wants {
		assert.Equal(t, w.found, finds(t, typ, rows, w.name, w.value), "%s=%s", w.name, w.value)
	}
}

const plan = `{"resourceType":"CarePlan","id":"c1",
 "meta":{"profile":["https://clinic.example/fhir/StructureDefinition/p|2"],"tag":[{"system":"urn:tags","code":"open"}]},
 "identifier":[{"system":"urn:plans","value":"A,1"}],
 "instantiatesCanonical":["https://nailbridge.example/fhir/PlanDefinition/partial|1"],
 "status":"active","intent":"plan",
 "category":[{"coding":[{"system":"urn:local","code":"post-op"},{"system":"http://snomed.info/sct","code":"1"}]},{"text":"words only"}],
 "subject":{"reference":"Patient/p1"},"encounter":{"reference":"https://clinic.example/fhir/Encounter/e1"},
 "period":{"start":"2024-05-01"},
 "addresses":[{"reference":"Condition/d1"},{"identifier":{"value":"x"}}],
 "activity":[{"detail":{"status":"scheduled","scheduledPeriod":{"start":"2024-05-08","end":"2024-05-10"},"performer":[{"reference":"Practitioner/w1"}]}},
  {"detail":{"status":"scheduled","scheduledString":"next spring"}}]}`

func TestRowsOfACarePlan(t *testing.T) {
	rows := rowsOf(t, plan)
	check(t, "CarePlan", rows, []want{
		{"_id", "c1", true}, {"_id", "C1", false}, {"_id", "c0,c1", true}, // R-SP-01
		{"_tag", "urn:tags|open", true}, {"_tag", "open", true}, {"_tag", "|open", false}, // R-SP-03
		{"_profile", base + "/StructureDefinition/p", true}, {"_profile", base + "/StructureDefinition/p|2", true},
		{"_profile", base + "/StructureDefinition/p|3", false},
		{"identifier", `urn:plans|A\,1`, true}, {"identifier", "urn:plans|A,1", false}, {"identifier", `A\,1`, true}, // R-SRCH-13
		// R-SP-06 and R-SP-07: the four token forms, any coding.
		{"category", "post-op", true}, {"category", "urn:local|post-op", true}, {"category", "|post-op", false},
		{"category", "urn:local|", true}, {"category", "urn:other|", false}, {"category", "http://snomed.info/sct|1", true},
		{"category", "urn:local|1", false},
		{"status", "active", true}, {"status", "http://hl7.org/fhir/request-status|active", true}, {"status", "|active", true},
		{"status", "urn:other|active", false}, {"status", "completed,active", true},
		// R-SP-24: the three forms of a reference.
		{"patient", "p1", true}, {"patient", "Patient/p1", true}, {"patient", base + "/Patient/p1", true},
		{"patient", "https://other.example/fhir/Patient/p1", false}, {"patient", "Group/p1", false},
		{"subject", "p1", true}, {"subject:Patient", "p1", true}, {"subject:Group", "p1", false}, {"subject:Patient", "Patient/p1", true},
		{"encounter", "Encounter/e1", true}, {"condition", "d1", true}, {"performer", "w1", true},
		// R-SP-38: canonicals with and without a version.
		{"instantiates-canonical", "https://nailbridge.example/fhir/PlanDefinition/partial", true},
		{"instantiates-canonical", "https://nailbridge.example/fhir/PlanDefinition/partial|1", true},
		{"instantiates-canonical", "https://nailbridge.example/fhir/PlanDefinition/partial|2", false},
		{"activity-date", "ge2024-05-09", true}, {"activity-date", "gt2024-05-10", false}, {"activity-date", "2024-05", true},
		{"date", "ge2099", true},
	})
	for _, r := range rows {
		assert.NotEqual(t, LastUpdatedName, r.Param)
	}
	assert.Len(t, withoutRepeats(append(rows, rows...)), len(rows))
}

// R-SP-27: the patient parameter reaches references to a Patient only.
func TestR_SP_27_PatientOnly(t *testing.T) {
	rows := rowsOf(t, `{"resourceType":"Procedure","id":"x","subject":{"reference":"Group/p1"},"performedDateTime":"2024-05-01T10:00:00Z"}`)
	check(t, "Procedure", rows, []want{{"patient", "p1", false}, {"subject", "p1", true}, {"subject", "Group/p1", true}, {"date", "2024-05-01", true}})
}

// R-SP-29: a versioned reference is found without its version.
func TestR_SP_29_VersionedReference(t *testing.T) {
	rows := rowsOf(t, `{"resourceType":"Provenance","id":"x","target":[{"reference":"CarePlan/c1/_history/e-2"},{"reference":"Patient/p1/_history/e-1"}],
		"recorded":"2024-05-01T10:00:00.000Z"}`)
	check(t, "Provenance", rows, []want{{"target", "CarePlan/c1", true}, {"target", "c1", true}, {"target", "CarePlan/c1/_history/e-2", true},
		{"target", "CarePlan/c1/_history/e-1", false}, {"patient", "p1", true}, {"patient", "c1", false}, {"recorded", "2024-05-01T10:00:00Z", true}})
}

// R-SP-22 and R-SP-23: strings ignore case and accents and match from the
// start; the words of a person's name are found alone.
func TestR_SP_22_23_Strings(t *testing.T) {
	rows := rowsOf(t, `{"resourceType":"Patient","id":"p","active":true,"name":[{"family":"Müller Quiñones-Weiß","given":["Zoë","Ana"]}],
		"telecom":[{"system":"phone","value":"555"},{"system":"email","value":"z@clinic.example"}],"birthDate":"1950-03"}`)
	check(t, "Patient", rows, []want{
		{"family", "mull", true}, {"family", "MÜLLER", true}, {"family", "quinones", true}, {"family", "weiss", true}, {"family", "ller", false},
		{"family", "Müller  Quiñones", true}, {"family", "muller quinones weiss", true}, {"family", "Quiñones–Weiß", true}, {"given", "zoe", true}, {"given", "an", true}, {"name", "mull", true}, {"name", "ana", true},
		{"active", "true", true}, {"active", "false", false}, {"phone", "555", true}, {"email", "555", false}, {"telecom", "555,666", true},
		{"birthdate", "1950", true}, {"birthdate", "1950-03-01", false},
	})
}

// A token on a string is compared without regard to case, any other with it
// (search.html#token).
// Punctuation is ignored on either side, but by :exact (search.html#string).
func TestStringsIgnorePunctuation(t *testing.T) {
	rows := rowsOf(t, `{"resourceType":"Patient","id":"p","name":[{"family":"O’Quill","given":["."],"prefix":["Dr."]}]}`)
	check(t, "Patient", rows, []want{
		{"family", "O'Quill", true}, {"family", "oquill", true}, {"family", "quill", false}, {"family:contains", "o'q", true}, {"name", "dr", true},
		{"family:exact", "O'Quill", false}, {"family:exact", "O’Quill", true},
		{"given:exact", ".", true}, {"given:missing", "false", true},
	})
	_, problems := index.Parse("Patient", []Pair{{"family", "-'"}})
	require.Len(t, problems, 1, "nothing to compare")
	assert.Equal(t, Refused, problems[0].Weight)
}

func TestTokensOnStringsIgnoreCase(t *testing.T) {
	rows := rowsOf(t, `{"resourceType":"Medication","id":"m","status":"active","identifier":[{"system":"urn:i","value":"Ab1"}],"batch":{"lotNumber":"Lot ß-7b"}}`)
	check(t, "Medication", rows, []want{
		{"lot-number", "Lot ß-7b", true}, {"lot-number", "LOT SS-7B", true}, {"lot-number:not", "lot ß-7b", false}, {"lot-number", "lot", false},
		{"status", "ACTIVE", false}, {"identifier", "ab1", false}, {"identifier", "urn:i|Ab1", true},
	})
}

func TestEveryTypeHasTheCommonParameters(t *testing.T) {
	for _, typ := range Types() {
		for _, c := range common {
			assert.NotNil(t, registry[typ][c.Name], "%s %s", typ, c.Name)
		}
		_, problems := index.Parse(typ, []Pair{{"_lastUpdated", "ge2024-05-01T10:00:00.123Z"}})
		assert.Empty(t, problems)
	}
	assert.Len(t, CareTypes(), 23)
	assert.Equal(t, []string{"CapabilityStatement", "CodeSystem", "ConceptMap", "PlanDefinition", "SearchParameter", "StructureDefinition", "ValueSet"}, ArtifactTypes())
	assert.Nil(t, Definitions("Nonsense"))
}

// R-SP-02: gt and le partition by the instant of the last change.
func TestR_SP_02_LastUpdated(t *testing.T) {
	at := time.Date(2024, 5, 1, 10, 0, 0, 123_000_000, time.UTC)
	rows := []Row{LastUpdated(at)}
	check(t, "CarePlan", rows, []want{
		{"_lastUpdated", "ge2024-05-01T10:00:00.123Z", true}, {"_lastUpdated", "gt2024-05-01T10:00:00.123Z", false},
		{"_lastUpdated", "le2024-05-01T10:00:00.123Z", true}, {"_lastUpdated", "lt2024-05-01T10:00:00.123Z", false},
		{"_lastUpdated", "gt2024-05-01T10:00:00.122Z", true}, {"_lastUpdated", "lt2024-05-01T10:00:00.124Z", true},
		{"_lastUpdated", "2024-05-01", true},
	})
}

// R-SRCH-05, R-SRCH-09, R-SRCH-10: what is not understood is a problem of the
// weight that D8.1 gives it, and its text never repeats a value.
func TestR_SRCH_05_09_10_Problems(t *testing.T) {
	for _, c := range []struct {
		name, value string
		weight      Weight
		code        string
	}{
		{"foo", "bar", Unknown, "not-supported"},
		{"Status", "active", Unknown, "not-supported"},
		{"patient.nothing", "x", Unknown, "not-supported"},
		{"performer.name", "x", Refused, "not-supported"},
		{"subject:Group.identifier", "x", Refused, "not-supported"},
		{"status.identifier", "x", Refused, "not-supported"},
		{"encounter.part-of.part-of.status", "x", Refused, "too-costly"},
		{"_include:iterate", "CarePlan:goal", Unknown, "not-supported"},
		{"status:foo", "x", Refused, "not-supported"},
		{"status:text", "x", Refused, "not-supported"},
		{"status:missing", "yes", Refused, "value"},
		{"_id:missing", "false", Refused, "not-supported"},
		{"_lastUpdated:missing", "false", Refused, "not-supported"},
		{"date:not", "2024", Refused, "not-supported"},
		{"patient:contains", "x", Refused, "not-supported"},
		{"patient:identifier", "|", Refused, "value"},
		{"date:exact", "2024", Refused, "not-supported"},
		{"subject:Practitioner", "x", Refused, "not-supported"},
		{"subject:", "x", Refused, "not-supported"},
		{"status", "", Ignored, "informational"},
		{"status", "a,,b", Refused, "value"},
		{"status", "a|b|c", Refused, "value"},
		{"status", "|", Refused, "value"},
		{"status", `a\b`, Refused, "value"},
		{"status", `a\`, Refused, "value"},
		{"_id", "s|c1", Refused, "value"},
		{"date", "23May2009", Refused, "value"},
		{"date", "xx2024", Refused, "value"},
		{"date", "ge", Refused, "value"},
		{"patient", "Patient/", Refused, "value"},
		{"patient", "a b", Refused, "value"},
		{"patient", "a_b", Refused, "value"},
		{"subject:Patient", "Group/p1", Refused, "value"},
	} {
		q, problems := index.Parse("CarePlan", []Pair{{c.name, c.value}})
		if assert.Len(t, problems, 1, "%s=%s", c.name, c.value) {
			assert.Equal(t, c.weight, problems[0].Weight, "%s=%s", c.name, c.value)
			assert.Equal(t, c.code, problems[0].Code, "%s=%s", c.name, c.value)
		}
		assert.Empty(t, q.Match)
		assert.Empty(t, q.Used)
	}
	_, problems := index.Parse("Patient", []Pair{{"active", "yes"}, {"active", "x|true"}, {"phone", "phone|555"}, {"family", "\u0301"}})
	assert.Len(t, problems, 4)
	for name, value := range map[string]string{"Zebedee Marker, 1950": "x", "date": "Marker", "subject": "Marker Marker"} {
		_, problems := index.Parse("CarePlan", []Pair{{name, value}})
		require.Len(t, problems, 1)
		assert.NotContains(t, problems[0].Text, "Marker") // R-OO-09
	}
}

// R-SRCH-12: repeats mean and, commas mean or.
func TestR_SRCH_12_AndOr(t *testing.T) {
	q, problems := index.Parse("CarePlan", []Pair{{"category", "a,b"}, {"category", "c"}, {"_count", "5"}})
	require.Empty(t, problems)
	require.Len(t, q.Match, 2)
	assert.Len(t, q.Match[0].Any, 2)
	assert.Equal(t, []Pair{{"_count", "5"}}, q.Control)
	assert.Equal(t, []Pair{{"category", "a,b"}, {"category", "c"}}, q.Used)
}

func TestQueriesAreBounded(t *testing.T) {
	long := strings.TrimSuffix(strings.Repeat("x,", MaxValues+1), ",")
	_, problems := index.Parse("CarePlan", []Pair{{"_id", long}})
	require.Len(t, problems, 1)
	assert.Equal(t, "too-costly", problems[0].Code)
	_, problems = index.Parse("CarePlan", []Pair{{"_id", strings.TrimSuffix(strings.Repeat("x,", MaxValues), ",")}})
	assert.Empty(t, problems)
}

// A malformed query string is refused whole, never read in part.
func TestMalformedQueryStrings(t *testing.T) {
	for _, raw := range []string{"patient=%zz&status=active", "patient=%", "patient=%2", "%zz=1", "a=%ff", "=x", "a=%00"} {
		_, err := ParseQuery(raw)
		assert.ErrorIs(t, err, ErrMalformed, raw)
	}
	pairs, err := ParseQuery("b=2&a=1%2C2&&a=x+y&c&family=M%C3%BCller&d=a;b")
	require.NoError(t, err)
	assert.Equal(t, []Pair{{"b", "2"}, {"a", "1,2"}, {"a", "x y"}, {"c", ""}, {"family", "Müller"}, {"d", "a;b"}}, pairs)
	again, err := ParseQuery(EncodeQuery(pairs))
	require.NoError(t, err)
	assert.Equal(t, pairs, again)
	assert.Equal(t, "patient=Patient/p1&code=urn:x%7C1,2&d=%252F", EncodeQuery([]Pair{{"patient", "Patient/p1"}, {"code", "urn:x|1,2"}, {"d", "%2F"}}))
}

// What a reference points to is known by its text alone: an index that asked the
// store would depend on what else is in it.
func TestReferencesResolveToTheirType(t *testing.T) {
	for ref, want := range map[string]bool{
		"Patient/p": true, "https://clinic.example/fhir/Patient/p": true, "Patient/p/_history/2": true, "https://else.example/x/Patient/p": true,
		"Practitioner/p": false, "p": false, "#p": false, "urn:uuid:0c1a3c5e-0f0e-4a53-b9b0-0f3a5a7a0f4e": false,
	} {
		rows := rowsOf(t, `{"resourceType":"Observation","id":"a","subject":{"reference":"`+ref+`"}}`)
		assert.Equal(t, want, slices.ContainsFunc(rows, func(r Row) bool { return r.Param == "patient" }), ref)
	}
}

// R-SP-04, R-SP-10: :missing of anything, :not over the whole set of codings, and :identifier of a
// reference (search.html#modifiers).
func TestR_SP_04_10_Modifiers(t *testing.T) {
	rows := rowsOf(t, plan)
	check(t, "CarePlan", rows, []want{
		{"encounter:missing", "false", true}, {"encounter:missing", "true", false},
		{"goal:missing", "true", true}, {"goal:missing", "false", false},
		{"status:missing", "false", true}, {"date:missing", "false", true}, {"activity-date:missing", "false", true},
		{"_tag:missing", "false", true}, {"_tag:missing", "true", false}, {"_security:missing", "true", true},
		{"category:not", "post-op", false}, {"category:not", "1", false}, {"category:not", "other", true}, {"category:not", "other,post-op", false},
		{"condition:identifier", "x", true}, {"condition:identifier", "|x", true}, {"condition:identifier", "y", false},
	})
	words := rowsOf(t, `{"resourceType":"CarePlan","id":"a","category":[{"text":"words only"}],"subject":{"identifier":{"system":"urn:n","value":"7"}}}`)
	check(t, "CarePlan", words, []want{
		{"category:missing", "false", true}, {"category:missing", "true", false}, {"category:not", "post-op", true},
		{"subject:missing", "false", true}, {"subject:identifier", "urn:n|7", true}, {"subject:identifier", "urn:m|7", false},
	})
	absent := rowsOf(t, `{"resourceType":"Procedure","id":"a","status":"completed","_performedDateTime":{"extension":[
	  {"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}}`)
	check(t, "Procedure", absent, []want{{"date:missing", "true", true}, {"date:missing", "false", false}})
}

// R-SP-22: the three ways to compare a string (search.html#string).
func TestR_SP_22_Strings(t *testing.T) {
	check(t, "Patient", rowsOf(t, `{"resourceType":"Patient","id":"a","name":[{"family":"Müller-Ost","given":["Ana","Lu, C"]}]}`), []want{
		{"family", "mull", true}, {"family", "ost", true}, {"family", "uller", false},
		{"family:contains", "ULLER", true}, {"family:contains", "r-o", true}, {"family:contains", "x", false},
		{"family:exact", "Müller-Ost", true}, {"family:exact", "Muller-Ost", false}, {"family:exact", "Müller", false}, {"family:exact", "müller-ost", false},
		{"name:exact", "Ana", true}, {"name:exact", `Lu\, C,Zed`, true}, {"given:contains", "u\\, c", true}, {"name:missing", "false", true},
	})
}

// R-SP-34: a number means what its digits stand for where equality is asked, and
// itself beside the other prefixes (search.html#quantity).
func TestR_SP_34_Quantities(t *testing.T) {
	of := func(value string) []Row {
		return rowsOf(t, `{"resourceType":"Observation","id":"a","code":{"coding":[{"system":"urn:c","code":"dose"}]},
		 "valueQuantity":{"value":`+value+`,"unit":"milligram","system":"http://unitsofmeasure.org","code":"mg"}}`)
	}
	const mg = "|http://unitsofmeasure.org|mg"
	for held, wants := range map[string][]want{
		"5.36": {{"value-quantity", "5.4" + mg, true}, {"value-quantity", "5.40" + mg, false}, {"value-quantity", "le5.4" + mg, true}, {"value-quantity", "ge5.4" + mg, false},
			{"value-quantity", "5.4||mg", true}, {"value-quantity", "5.4||milligram", true}, {"value-quantity", "5.4||g", false}, {"value-quantity", "5.4", true},
			{"value-quantity", "5.4|urn:other|mg", false}, {"value-quantity:missing", "false", true}, {"value-quantity", "5.3,5.4", true}},
		"5.46":  {{"value-quantity", "5.4" + mg, false}, {"value-quantity", "ne5.4" + mg, true}, {"value-quantity", "gt5.4", true}, {"value-quantity", "gt5.46", false}},
		"5.45":  {{"value-quantity", "5.4", false}, {"value-quantity", "5.5", true}},
		"94":    {{"value-quantity", "1e2", false}, {"value-quantity", "9e1", false}, {"value-quantity", "9.4e1", true}},
		"104.9": {{"value-quantity", "1e2", true}, {"value-quantity", "100", false}},
		"96":    {{"value-quantity", "100", false}, {"value-quantity", "1e2", true}, {"value-quantity", "9.6e1", true}},
		// R4's own: 5.40e-3 is 0.0054 +/- 0.000005, and 1.00e2 has as many digits as 100.
		"0.005404": {{"value-quantity", "5.40e-3", true}, {"value-quantity", "5.400e-3", false}},
		"0.005396": {{"value-quantity", "5.40e-3", true}, {"value-quantity", "0.00540", true}},
		"0.005406": {{"value-quantity", "5.40e-3", false}},
		"99.6":     {{"value-quantity", "1.00e2", true}, {"value-quantity", "1.000e2", false}, {"value-quantity", "100", true}},
		"-0.5":     {{"value-quantity", "lt0", true}, {"value-quantity", "gt-1", true}, {"value-quantity", "gt-0.49", false}, {"value-quantity", "-0.50", true}},
		"1e-20":    {{"value-quantity", "gt0", true}, {"value-quantity", "0", true}, {"value-quantity", "lt1e-19", true}},
		"5.5":      {{"value-quantity", "ap5", true}, {"value-quantity", "ap6", true}, {"value-quantity", "ap6.2", false}, {"value-quantity", "ap4.99", false}},
		"-5.5":     {{"value-quantity", "ap-5", true}, {"value-quantity", "ap5", false}, {"value-quantity", "ap-4.99", false}},
		"120.00":   {{"code-value-quantity", "urn:c|dose$120" + mg, true}, {"code-value-quantity", "dose$gt120", false}, {"code-value-quantity", "other$120", false}, {"code-value-quantity", "other$1,dose$ge120", true}},
	} {
		check(t, "Observation", of(held), wants)
	}
	for _, value := range []string{"", "x", "5.4|mg", "5.4|a|b|c", "5.4|urn:s|", "01", "+1", ".5", "5.", "1e9999", "ap"} {
		_, problems := index.Parse("Observation", []Pair{{"value-quantity", value}})
		assert.Len(t, problems, 1, value)
	}
	for _, value := range []string{"dose", "dose$", "$5", "dose$5$6"} {
		_, problems := index.Parse("Observation", []Pair{{"code-value-quantity", value}})
		assert.Len(t, problems, 1, value)
	}
}

// Keys sort as the numbers do, and are one for one value.
func TestNumberKeysSort(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		one := rapid.Custom(func(t *rapid.T) *apd.Decimal {
			return apd.New(rapid.Int64Range(-5000, 5000).Draw(t, "coefficient"), int32(rapid.IntRange(-6, 6).Draw(t, "exponent")))
		})
		a, b := one.Draw(t, "a"), one.Draw(t, "b")
		if got, want := cmp.Compare(numberKey(a), numberKey(b)), a.Cmp(b); got != want {
			t.Fatalf("%s and %s: %d, not %d", a, b, got, want)
		}
	})
}

// R-SP-30: a chain is what two steps would find.
func TestR_SP_30_Chains(t *testing.T) {
	patient := rowsOf(t, `{"resourceType":"Patient","id":"p1","identifier":[{"system":"urn:mrn","value":"123"}],"birthDate":"1950-05-01"}`)
	rows, seen := rowsOf(t, plan), []string{}
	target := func(ref string) []Row {
		seen = append(seen, ref)
		if ref == "Patient/p1" {
			return patient
		}
		return nil
	}
	for _, w := range []want{
		{"encounter.part-of.status", "x", false}, {"patient.identifier", "urn:mrn|123", true}, {"patient.identifier", "urn:mrn|124", false}, {"subject:Patient.birthdate", "lt1960", true},
		{"subject:Patient.birthdate:missing", "true", false}, {"patient.identifier:not", "urn:mrn|124", true}, {"encounter.status:missing", "true", false},
	} {
		q, problems := index.Parse("CarePlan", []Pair{{w.name, w.value}})
		require.Empty(t, problems, w.name)
		assert.Equal(t, w.found, q.Match[0].Holds(rows, target), "%s=%s", w.name, w.value)
	}
	assert.Contains(t, seen, "Encounter/e1")
}

// A reference to a version in a search means the resource, and the answer says
// so (search.html#versions).
func TestReferencesToVersionsMeanTheResource(t *testing.T) {
	q, problems := index.Parse("CarePlan", []Pair{{"patient", "Patient/p1/_history/3"}})
	require.Len(t, problems, 1)
	assert.Equal(t, Noted, problems[0].Weight)
	require.Len(t, q.Match, 1)
	assert.True(t, q.Match[0].Holds(rowsOf(t, plan), nil))
	q, problems = index.Parse("CarePlan", []Pair{{"goal.subject:Patient", "Patient/p1/_history/3"}})
	require.Len(t, problems, 1)
	assert.Equal(t, "Patient/p1", q.Match[0].Chain.Of.Any[0].Code)
	q, problems = index.Parse("Provenance", []Pair{{"target", "Patient/p1/_history/3"}})
	require.Empty(t, problems)
	assert.Equal(t, "Patient/p1/_history/3", q.Match[0].Any[0].Code)
}

// D8.2: review-due finds the windows of open activities, activity-date those of
// finished ones too.
func TestD8_2_ReviewDue(t *testing.T) {
	for status, open := range map[string]bool{"not-started": true, "scheduled": true, "in-progress": true, "on-hold": true,
		"completed": false, "cancelled": false, "stopped": false, "unknown": false, "entered-in-error": false} {
		check(t, "CarePlan", rowsOf(t, strings.ReplaceAll(plan, `"detail":{"status":"scheduled"`, `"detail":{"status":"`+status+`"`)), []want{
			{"review-due", "le2024-05-09", open}, {"review-due", "gt2024-05-10", false}, {"activity-date", "le2024-05-09", true},
		})
	}
}

// What may be included is what may be asked for.
func TestIncludes(t *testing.T) {
	assert.Contains(t, Index{}.Includes("CarePlan"), "CarePlan:goal")
	assert.NotContains(t, Index{}.Includes("CarePlan"), "CarePlan:instantiates-canonical")
	assert.Contains(t, Index{}.RevIncludes("Procedure"), "Provenance:target")
	for _, typ := range CareTypes() {
		for reverse, offered := range map[bool][]string{false: Index{}.Includes(typ), true: Index{}.RevIncludes(typ)} {
			for _, v := range offered {
				_, problem := Index{}.ParseInclude(typ, v, reverse)
				assert.Nil(t, problem, v)
			}
		}
	}
	for value, weight := range map[string]Weight{"": Refused, "CarePlan": Refused, "*": Refused, "CarePlan:*": Unknown, "CarePlan:nothing": Unknown,
		"CarePlan:status": Unknown, "Goal:patient": Refused, "CarePlan:subject:Device": Refused, "CarePlan:goal:Goal:x": Refused} {
		_, problem := Index{}.ParseInclude("CarePlan", value, false)
		if assert.NotNil(t, problem, value) {
			assert.Equal(t, weight, problem.Weight, value)
		}
	}
	i, problem := Index{}.ParseInclude("CarePlan", "CarePlan:subject:Patient", false)
	require.Nil(t, problem)
	assert.Equal(t, Include{"CarePlan", "subject", "Patient"}, i)
	_, problem = Index{}.ParseInclude("CarePlan", "Provenance:patient", true)
	assert.Equal(t, Refused, problem.Weight)
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"patient=Patient/p1&status=active", "patient=%zz", `identifier=urn:x%7CA%5C,1&date=ge2024-05-01T10:00:00%2B02:00`,
		"subject:Patient=1&_id=a,b&category=|x", "activity-date=sa2024&_sort=-_lastUpdated", "a=b;c", "status=\\", "status:missing=true&patient.identifier=x", "category:not=a,b", "subject:identifier=urn:n|7"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, raw string) {
		pairs, err := ParseQuery(raw)
		if err != nil {
			return
		}
		q, problems := index.Parse("CarePlan", pairs)
		if len(q.Match)+len(q.Control)+len(problems) < len(pairs) {
			t.Fatal("a parameter was dropped without a word")
		}
		for _, c := range q.Match {
			if ways := []bool{len(c.Any) > 0, c.Present, c.Chain != nil, len(c.Either) > 0}; !slices.Contains(ways, true) {
				t.Fatal("a condition that asks for nothing")
			}
		}
		// What the self link says means the same search again.
		again, err := ParseQuery(EncodeQuery(q.Used))
		if err != nil {
			t.Fatal(err)
		}
		q2, _ := index.Parse("CarePlan", again)
		if len(q.Match) <= MaxCriteria {
			assert.Equal(t, q.Match, q2.Match)
		}
	})
}
