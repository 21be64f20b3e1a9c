package engine_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/spec"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
)

const base = "http://hl7.org/fhir/StructureDefinition/"

func profileOf(url, typ, base, elements string) string {
	return fmt.Sprintf(`{"resourceType":"StructureDefinition","url":%q,"type":%q,"kind":"resource","derivation":"constraint","baseDefinition":%q,
		"differential":{"element":[%s]}}`, url, typ, base, elements)
}

// A definition that cannot be used says why (R4 profiling.html: the elements of a
// differential stand in the order of the base).
func TestProfilesThatCannotBeUsed(t *testing.T) {
	for _, c := range []struct{ base, elements, want string }{
		{base + "Patient", `{"path":"Patient"},{"path":"Patient.birthDate"},{"path":"Patient.name"}`, "order of the base"},
		{base + "Patient", `{"path":"Patient.name.given"},{"path":"Patient.name.family"}`, "order of the base"},
		{base + "Patient", `{"path":"Patient.toenail"}`, "no element toenail"},
		{base + "Patient", `{"path":"Observation.status"}`, "begins with the type"},
		{base + "Patient", `{"path":"Patient.deceased[x].value"}`, "several types"},
		{base + "Patient", `{"path":"Patient","constraint":[{"key":"x-1","severity":"error","human":"x","expression":"name.("}]}`, "constraint x-1"},
		{base + "Patient", `{"path":"Patient","constraint":[{"key":"x-2","severity":"error","human":"x","expression":"toenail.exists()"}]}`, "constraint x-2"},
		{"https://a.example/none", `{"path":"Patient"}`, "no definition of its base"},
		{"https://a.example/p", `{"path":"Patient"}`, "its base is itself"},
	} {
		r := defs.New()
		_, err := r.Add([]byte(profileOf("https://a.example/p", "Patient", c.base, c.elements)))
		require.NoError(t, err)
		v := engine.New(r)
		assert.ErrorContains(t, v.Compile("https://a.example/p"), c.want)
		issues := v.Validate([]byte(`{"resourceType":"Patient","meta":{"profile":["https://a.example/p"]}}`), engine.Options{})
		assert.True(t, engine.Invalid(issues), "what claims it is not passed over")
	}
	assert.Error(t, engine.New(defs.New()).Compile("https://a.example/nowhere"))
}

// Every profile and extension of R4's core package can be used.
func TestProfilesOfTheCore(t *testing.T) {
	v := engine.New(defs.New())
	require.Greater(t, len(spec.Profiles()), 70)
	for _, url := range spec.Profiles() {
		assert.NoError(t, v.Compile(url), url)
	}
}

// A profile that is asked for counts without being claimed.
func TestAgainst(t *testing.T) {
	v := known(t)
	patient := []byte(`{"resourceType":"Patient","text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><p>x</p></div>"}}`)
	assert.Empty(t, v.Validate(patient, engine.Options{}))
	issues := v.Validate(patient, engine.Options{Profiles: []string{"https://profiles.example/StructureDefinition/named"}})
	require.Len(t, issues, 1)
	assert.Equal(t, "Patient.name", issues[0].Location)
	assert.Equal(t, "https://profiles.example/StructureDefinition/named", issues[0].Section)
}

// What is no resource is one fatal issue (R4 json.html).
func TestNoResource(t *testing.T) {
	v := engine.New(defs.New())
	for text, key := range map[string]string{
		``: "json", `{`: "json", `{} {}`: "json", `[]`: "resource-type", `{}`: "resource-type", `null`: "resource-type", `"x"`: "resource-type",
		`{"resourceType":"Toenail"}`: "resource-type", `{"resourceType":"HumanName"}`: "resource-type", `{"resourceType":"DomainResource"}`: "resource-type",
		`{"resourceType":5}`: "resource-type", `{"resourceType":"Patient.contact"}`: "resource-type",
	} {
		issues := v.Validate([]byte(text), engine.Options{})
		require.Len(t, issues, 1, text)
		assert.Equal(t, key, issues[0].Key, text)
		assert.Equal(t, engine.Fatal, issues[0].Severity)
	}
}

// An Observation with the code of a vital sign is held to its profile though it
// does not claim it, and told so as a warning (R4 observation-vitalsigns.html).
func TestVitalSignsUnclaimed(t *testing.T) {
	v := known(t)
	claimed := twin(t, "Observation-weight")
	unclaimed := strings.Replace(claimed, `"meta":{"profile":["http://hl7.org/fhir/StructureDefinition/bodyweight"]},`, ``, 1)
	require.NotEqual(t, claimed, unclaimed)
	assert.Empty(t, v.Validate([]byte(unclaimed), engine.Options{}))
	vague := func(s string) []engine.Issue {
		return v.Validate([]byte(strings.Replace(s, `"effectiveDateTime":"2026-03-02"`, `"effectiveDateTime":"2026"`, 1)), engine.Options{})
	}
	require.Len(t, vague(unclaimed), 1)
	assert.Equal(t, "vs-1", vague(unclaimed)[0].Key)
	assert.False(t, engine.Invalid(vague(unclaimed)))
	assert.True(t, engine.Invalid(vague(claimed)))
}

// Extensions that nobody here has a definition of are a warning where that is asked
// for, but for one that modifies, for what is no extension, and for what the
// definition of another forbids (R4 extensibility.html).
func TestAnyExtension(t *testing.T) {
	v := known(t)
	const one = `[{"url":"https://north.example/none","valueString":"x"}]`
	for members, want := range map[string]string{
		`"extension":` + one:                     "warning",
		`"_birthDate":{"extension":` + one + `}`: "warning",
		`"modifierExtension":` + one:             "error",
		`"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/bodyweight","valueString":"x"}]`:                                           "error",
		`"name":[{"extension":[{"url":"https://profiles.example/StructureDefinition/ext-pair","extension":[{"url":"toe","valueString":"x"}]}]}]`: "error",
	} {
		for any, severity := range map[bool]string{true: want, false: "error"} {
			issues := v.Validate([]byte(`{"resourceType":"Patient",`+members+`}`), engine.Options{AnyExtension: any})
			assert.True(t, slices.ContainsFunc(issues, func(i engine.Issue) bool {
				return i.Key == "extension-unknown" && i.Severity.String() == severity
			}), "%s: %s", members, told(issues))
		}
	}
}
