package back_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
	"nailbridge/mapping/back"
)

// leavesAddUp holds that every leaf of the input is read or named.
func leavesAddUp(t testing.TB, name string, data []byte) back.Result {
	t.Helper()
	got, err := back.Read(back.Options{Terms: settings().Terms, Clinic: "c"}, back.Input{Name: name, Data: data})
	require.NoError(t, err, name)
	named := 0
	for _, f := range got.Findings {
		named += f.Leaves
	}
	assert.Equal(t, got.Leaves.Named, named, name)
	assert.Equal(t, got.Leaves.All, got.Leaves.Read+named, name)
	return got
}

// TestForeignIsNotTakenForMore: what was not done, is only planned, was entered in
// error or is turned round by a modifier extension is in no record.
func TestForeignIsNotTakenForMore(t *testing.T) {
	const patient = `{"resourceType":"Patient","id":"p","identifier":[{"system":"https://x.example/n","value":"1"}]}` + "\n"
	const act = `{"resourceType":"Procedure","id":"a","status":"STATUS","subject":{"reference":"Patient/p"},"performedDateTime":"2025-02-03",` +
		`"code":{"coding":[{"system":"http://snomed.info/sct","code":"183668008"}]},"bodySite":[{"coding":[{"system":"http://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets","code":"TA"}]}]MORE}`
	for name, x := range map[string]struct {
		status, more string
		records      int
		outcome      string
	}{
		"done":                 {"completed", "", 1, "done"},
		"not done":             {"not-done", "", 1, "not-done"},
		"planned":              {"preparation", "", 0, ""},
		"in progress":          {"in-progress", "", 0, ""},
		"entered in error":     {"entered-in-error", "", 0, ""},
		"a modifier extension": {"completed", `,"modifierExtension":[{"url":"https://x.example/not","valueBoolean":true}]`, 0, ""},
	} {
		got := leavesAddUp(t, name, []byte(patient+strings.NewReplacer("STATUS", x.status, "MORE", x.more).Replace(act)))
		if !assert.Len(t, got.Records, x.records, name) || x.records == 0 {
			continue
		}
		s := got.Records[0].Surgery
		assert.Equal(t, "2025-02-03", s.Start.String(), name)
		assert.Equal(t, x.outcome, string(s.Toes[0].Borders[0].Outcome), name)
		assert.Equal(t, "left1total-avulsion", string(s.Toes[0].Side+s.Toes[0].Digit+s.Toes[0].Borders[0].Procedure), name)
	}
}

// TestToesAreNeverMixed: a finding whose body site names another toe than the act
// with its key is of that other toe.
func TestToesAreNeverMixed(t *testing.T) {
	const toe = `"bodySite":{"coding":[{"system":"https://nailbridge.example/fhir/CodeSystem/toe","code":"CODE"}]}`
	const review = `{"resourceType":"Encounter","id":"e","status":"finished","identifier":[{"system":"https://c.example/record","value":"R"}],"type":[{"coding":[{"system":"https://nailbridge.example/fhir/CodeSystem/record-kind","code":"review"}]}]}` + "\n"
	const pain = `{"resourceType":"Observation","id":"ID","status":"final","identifier":[{"system":"https://c.example/observation","value":"R/pain-score/left-1:t1"}],"code":{"coding":[{"system":"https://nailbridge.example/fhir/CodeSystem/finding","code":"pain-score"}]},"encounter":{"reference":"Encounter/e"},"valueQuantity":{"value":N,"code":"1"},`
	one := strings.NewReplacer("ID", "o1", "N}", "3}", "N,", "3,").Replace(pain) + strings.Replace(toe, "CODE", "left-1", 1) + "}\n"
	two := strings.NewReplacer("ID", "o2", "N}", "7}", "N,", "7,").Replace(pain) + strings.Replace(toe, "CODE", "right-1", 1) + "}\n"
	got := leavesAddUp(t, "two toes", []byte(review+one+two))
	require.Len(t, got.Records, 1)
	toes := got.Records[0].Review.Toes
	require.Len(t, toes, 2)
	for _, x := range toes {
		assert.Equal(t, map[string]int64{"left": 3, "right": 7}[string(x.Side)], *x.Pain)
	}
}

// The site of an injection and its body structure that name different toes are
// told, as of every other resource; a site that names none leaves it to the
// structure (D5.1).
func TestD5_1_AnInjectionOfTwoToesIsTold(t *testing.T) {
	const ours = "https://nailbridge.example/fhir/"
	const injection = `{"resourceType":"Encounter","id":"e","status":"finished","identifier":[{"system":"https://c.example/record","value":"R"}],"type":[{"coding":[{"system":"` + ours + `CodeSystem/record-kind","code":"surgery"}]}]}
{"resourceType":"BodyStructure","id":"b","location":{"coding":[{"system":"` + ours + `CodeSystem/toe","code":"right-1"}]}}
{"resourceType":"MedicationAdministration","id":"m","status":"completed","context":{"reference":"Encounter/e"},"medicationCodeableConcept":{"text":"x"},"dosage":{"site":SITE,"dose":{"value":3,"code":"mL"},"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/bodySite","valueReference":{"reference":"BodyStructure/b"}}]}}`
	for name, x := range map[string]struct {
		site, toe string
		told      bool
	}{
		"another toe":  {`{"coding":[{"system":"` + ours + `CodeSystem/toe","code":"left-1"}]}`, "left-1", true},
		"the same toe": {`{"coding":[{"system":"` + ours + `CodeSystem/toe","code":"right-1"}]}`, "right-1", false},
		"no toe":       {`{"text":"somewhere"}`, "right-1", false},
	} {
		got := leavesAddUp(t, name, []byte(strings.Replace(injection, "SITE", x.site, 1)))
		require.Len(t, got.Records, 1, name)
		require.Len(t, got.Records[0].Surgery.Toes, 1, name)
		toe := got.Records[0].Surgery.Toes[0]
		assert.Equal(t, x.toe, string(toe.Side+"-"+toe.Digit), name)
		told := slices.ContainsFunc(got.Findings, func(f back.Finding) bool { return f.Code == "places-disagree" })
		assert.Equal(t, x.told, told, "%s: %v", name, got.Findings)
	}
}

// A member that stands twice may be the wrong toe: nothing of the file is read.
func TestAMemberTwiceIsRefused(t *testing.T) {
	_, err := back.Read(back.Options{Terms: settings().Terms}, back.Input{Name: "f", Data: []byte(`{"resourceType":"Patient","id":"a","gender":"male","gender":"female"}`)})
	require.EqualError(t, err, "f: a member of an object stands twice")
}

// FuzzRead: whatever comes, nothing panics, and every leaf is read or named.
func FuzzRead(f *testing.F) {
	f.Add([]byte(`{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Encounter","id":"e","status":"finished"}},{"resource":{"resourceType":"Procedure","id":"p","status":"completed","encounter":{"reference":"Encounter/e"},"code":{"text":"x"}}}]}`))
	f.Add([]byte(`{"resourceType":"Observation","id":"o","status":"final","code":{"coding":[{"system":"https://nailbridge.example/fhir/CodeSystem/finding","code":"contact-time"}]},"identifier":[{"system":"https://c.example/observation","value":"R/contact-time"}],"encounter":{"reference":"Encounter/e"}}` + "\n" + `{"resourceType":"Encounter","id":"e","status":"finished","type":[{"coding":[{"system":"https://nailbridge.example/fhir/CodeSystem/record-kind","code":"surgery"}]}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := back.Read(back.Options{Terms: settings().Terms}, back.Input{Name: "fuzz", Data: data})
		if err == nil && got.Leaves.All != got.Leaves.Read+got.Leaves.Named {
			t.Fatalf("of %d leaves %d were read and %d named", got.Leaves.All, got.Leaves.Read, got.Leaves.Named)
		}
	})
}

// TestOfficialExamplesAddUp: of the official R4 examples (hl7.fhir.r4.examples
// 4.0.1) every leaf is read or named, one by one and all together.
func TestOfficialExamplesAddUp(t *testing.T) {
	var all []back.Input
	for _, d := range official.Examples(t) {
		if bytes.Contains(d.Text, []byte(`"resourceType"`)) && !strings.HasPrefix(d.Name, ".") {
			all = append(all, back.Input{Name: d.Name, Data: d.Text})
		}
	}
	require.Greater(t, len(all), 100)
	for _, in := range all {
		leavesAddUp(t, in.Name, in.Data)
	}
	got, err := back.Read(back.Options{Terms: settings().Terms, Clinic: "c"}, all...)
	require.NoError(t, err)
	assert.Equal(t, got.Leaves.All, got.Leaves.Read+got.Leaves.Named)
	t.Logf("%d files: %d records, %d leaves, %d read, %d named", len(all), len(got.Records), got.Leaves.All, got.Leaves.Read, got.Leaves.Named)
}
