package defs_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/validate/defs"
)

// The answers about codes of the core package, of what is added, and of systems
// with a grammar (R4 terminologies-systems.html).
func TestCodes(t *testing.T) {
	r := defs.New()
	for _, text := range []string{
		`{"resourceType":"CodeSystem","url":"https://a.example/cs","content":"complete","concept":[{"code":"a","display":"A","concept":[{"code":"b"}]},{"code":"c"}]}`,
		`{"resourceType":"ValueSet","url":"https://a.example/is-a","compose":{"include":[{"system":"https://a.example/cs","filter":[{"property":"concept","op":"is-a","value":"a"}]}]}}`,
		`{"resourceType":"ValueSet","url":"https://a.example/less","compose":{"include":[{"system":"https://a.example/cs"}],"exclude":[{"system":"https://a.example/cs","concept":[{"code":"c"}]}]}}`,
		`{"resourceType":"ValueSet","url":"https://a.example/both","compose":{"include":[{"valueSet":["https://a.example/is-a"]},{"system":"http://snomed.info/sct","filter":[{"property":"concept","op":"is-a","value":"1"}]}]}}`,
		`{"resourceType":"ValueSet","url":"https://a.example/narrow","compose":{"include":[{"system":"https://a.example/cs","valueSet":["https://a.example/is-a"],"concept":[{"code":"a"},{"code":"c"}]}]}}`,
		`{"resourceType":"ValueSet","url":"https://a.example/narrow-system","compose":{"include":[{"system":"https://a.example/cs","valueSet":["https://a.example/is-a"]}]}}`,
		`{"resourceType":"ValueSet","url":"https://a.example/narrow-unknown","compose":{"include":[{"system":"https://a.example/cs","valueSet":["https://a.example/nowhere"]}]}}`,
		`{"resourceType":"ValueSet","url":"https://a.example/united","compose":{"include":[{"valueSet":["https://a.example/narrow","https://a.example/only-c"]}]}}`,
		`{"resourceType":"ValueSet","url":"https://a.example/only-c","compose":{"include":[{"system":"https://a.example/cs"}],"exclude":[{"valueSet":["https://a.example/is-a"]}]}}`,
	} {
		ok, err := r.Add([]byte(text))
		require.NoError(t, err)
		assert.True(t, ok)
	}
	for _, other := range []string{`[1]`, `"x"`, `{"resourceType":1}`, `{"name":"a package","url":2}`} {
		taken, err := r.Add([]byte(other))
		require.NoError(t, err, other)
		assert.False(t, taken, other)
	}
	_, err := r.Add([]byte(`{"resourceType":"CodeSystem","url":1}`))
	assert.Error(t, err)
	taken, err := r.Add([]byte(`{"resourceType":"Patient"}`))
	require.NoError(t, err)
	assert.False(t, taken)
	_, err = r.Add([]byte(`{"resourceType":"StructureDefinition","type":"Patient"}`))
	assert.Error(t, err, "a definition without url")
	r.Ready()
	const cs = "https://a.example/cs"
	for _, c := range []struct {
		set, system, code string
		want              defs.Known
	}{
		{"https://a.example/is-a", cs, "b", defs.Yes}, {"https://a.example/is-a|1.0", cs, "a", defs.Yes}, {"https://a.example/is-a", cs, "c", defs.No},
		{"https://a.example/less", cs, "a", defs.Yes}, {"https://a.example/less", cs, "c", defs.No},
		{"https://a.example/both", cs, "b", defs.Yes}, {"https://a.example/both", cs, "c", defs.Unknown},
		{"https://a.example/none", cs, "a", defs.Unknown},
		{"https://a.example/narrow", cs, "a", defs.Yes}, {"https://a.example/narrow", cs, "b", defs.No}, {"https://a.example/narrow", cs, "c", defs.No},
		{"https://a.example/narrow-system", cs, "b", defs.Yes}, {"https://a.example/narrow-system", cs, "c", defs.No},
		{"https://a.example/narrow-unknown", cs, "a", defs.Unknown},
		{"https://a.example/united", cs, "a", defs.Yes}, {"https://a.example/united", cs, "c", defs.Yes}, {"https://a.example/united", cs, "b", defs.No},
		{"https://a.example/only-c", cs, "c", defs.Yes}, {"https://a.example/only-c", cs, "b", defs.No},
		{"http://hl7.org/fhir/ValueSet/observation-status", "", "final", defs.Yes}, {"http://hl7.org/fhir/ValueSet/observation-status", "", "Final", defs.No},
		{"http://hl7.org/fhir/ValueSet/all-languages", "", "en-IE", defs.Yes}, {"http://hl7.org/fhir/ValueSet/all-languages", "", "not a language", defs.No},
		{"http://hl7.org/fhir/ValueSet/mimetypes", "", "image/png", defs.Yes}, {"http://hl7.org/fhir/ValueSet/mimetypes", "", "a picture", defs.No},
		{"http://hl7.org/fhir/ValueSet/currencies", "", "EUR", defs.Yes}, {"http://hl7.org/fhir/ValueSet/currencies", "", "eur", defs.No},
		{"http://hl7.org/fhir/ValueSet/procedure-code", "http://snomed.info/sct", "1", defs.Unknown},
	} {
		assert.Equal(t, c.want, r.MemberOf(c.set, c.system, c.code), "%s %s|%s", c.set, c.system, c.code)
	}
	for code, want := range map[string]defs.Known{"mL": defs.Yes, "millilitre": defs.No, "mg/kg": defs.Yes} {
		_, known := r.Code("http://unitsofmeasure.org", code)
		assert.Equal(t, want, known, code)
	}
	display, known := r.Code("http://hl7.org/fhir/observation-status", "final")
	assert.Equal(t, "Final", display)
	assert.Equal(t, defs.Yes, known)
}

// Structures are found by canonical with and without version; that one of HL7's
// core is not found says nothing, since only a part of them is held.
func TestStructures(t *testing.T) {
	r := defs.New()
	assert.NotNil(t, r.Structure(defs.Base+"bodySite"))
	assert.Nil(t, r.Structure(defs.Base+"shareablevalueset"))
	assert.True(t, defs.InCore(defs.Base+"shareablevalueset"))
	assert.False(t, defs.InCore("https://a.example/StructureDefinition/x"))
	_, err := r.Add([]byte(`{"resourceType":"StructureDefinition","url":"https://a.example/p","version":"2","type":"Patient"}`))
	require.NoError(t, err)
	assert.NotNil(t, r.Structure("https://a.example/p"))
	assert.NotNil(t, r.Structure("https://a.example/p|2"))
	assert.Nil(t, r.Structure("https://a.example/p|3"))
}

// Of several versions of a definition the latest counts, whichever was added first,
// by numbers; a profile of an earlier version is found by it (R4
// references.html#canonical).
func TestTheLatestVersionCounts(t *testing.T) {
	const url = "https://a.example/StructureDefinition/p"
	profile := func(version string) []byte {
		return []byte(`{"resourceType":"StructureDefinition","url":"` + url + `","version":"` + version + `","type":"Goal","kind":"resource","derivation":"constraint"}`)
	}
	system := func(version, code string) []byte {
		return []byte(`{"resourceType":"CodeSystem","url":"https://a.example/s","version":"` + version + `","content":"complete","concept":[{"code":"` + code + `"}]}`)
	}
	for _, order := range [][]string{{"1.9.0", "1.10.0"}, {"1.10.0", "1.9.0"}} {
		r := defs.New()
		for _, version := range order {
			_, err := r.Add(profile(version))
			require.NoError(t, err)
			_, err = r.Add(system(version, "of-"+version))
			require.NoError(t, err)
			_, err = r.Add([]byte(`{"resourceType":"ValueSet","url":"https://a.example/v","version":"` + version + `","compose":{"include":[{"system":"https://a.example/s","concept":[{"code":"of-` + version + `"}]}]}}`))
			require.NoError(t, err)
		}
		r.Ready()
		assert.Equal(t, "1.10.0", r.Structure(url).Version)
		assert.Equal(t, "1.9.0", r.Structure(url+"|1.9.0").Version)
		assert.Nil(t, r.Structure(url+"|1.8.0"))
		require.Len(t, r.Structures(), 1)
		assert.Equal(t, "1.10.0", r.Structures()[0].Version)
		_, known := r.Code("https://a.example/s", "of-1.10.0")
		assert.Equal(t, defs.Yes, known)
		_, known = r.Code("https://a.example/s", "of-1.9.0")
		assert.Equal(t, defs.No, known)
		assert.Equal(t, defs.Yes, r.MemberOf("https://a.example/v", "https://a.example/s", "of-1.10.0"))
	}
}
