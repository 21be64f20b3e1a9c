package searchparam

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

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
	return q.Match[0].Holds(rows)
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
		{"family", "Müller  Quiñones", true}, {"given", "zoe", true}, {"given", "an", true}, {"name", "mull", true}, {"name", "ana", true},
		{"active", "true", true}, {"active", "false", false}, {"phone", "555", true}, {"email", "555", false}, {"telecom", "555,666", true},
		{"birthdate", "1950", true}, {"birthdate", "1950-03-01", false},
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
	assert.Equal(t, []string{"CodeSystem", "ConceptMap", "PlanDefinition", "StructureDefinition", "ValueSet"}, ArtifactTypes())
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
		{"patient.identifier", "x", Unknown, "not-supported"},
		{"_include", "CarePlan:goal", Unknown, "not-supported"},
		{"_revinclude", "Provenance:target", Unknown, "not-supported"},
		{"status:foo", "x", Refused, "not-supported"},
		{"status:not", "x", Refused, "not-supported"},
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
		{"date", "ap2024", Refused, "value"},
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
	long := strings.TrimSuffix(strings.Repeat("x,", maxAlternatives+1), ",")
	_, problems := index.Parse("CarePlan", []Pair{{"_id", long}})
	require.Len(t, problems, 1)
	assert.Equal(t, "too-costly", problems[0].Code)
	_, problems = index.Parse("CarePlan", []Pair{{"_id", strings.TrimSuffix(strings.Repeat("x,", maxAlternatives), ",")}})
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

func FuzzParse(f *testing.F) {
	for _, s := range []string{"patient=Patient/p1&status=active", "patient=%zz", `identifier=urn:x%7CA%5C,1&date=ge2024-05-01T10:00:00%2B02:00`,
		"subject:Patient=1&_id=a,b&category=|x", "activity-date=sa2024&_sort=-_lastUpdated", "a=b;c", "status=\\"} {
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
			if len(c.Any) == 0 {
				t.Fatal("a condition without values")
			}
		}
		// What the self link says means the same search again.
		again, err := ParseQuery(EncodeQuery(q.Used))
		if err != nil {
			t.Fatal(err)
		}
		q2, _ := index.Parse("CarePlan", again)
		if len(q.Match) <= maxConditions {
			assert.Equal(t, q.Match, q2.Match)
		}
	})
}
