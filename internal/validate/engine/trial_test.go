package engine

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/jsontree"
)

const trialBase = "https://trials.example/StructureDefinition/"

// trialOf validates with profiles on a type, each a list of elements by name.
func trialOf(t testing.TB, typ string, profiles map[string]string, text string) *run {
	t.Helper()
	d := defs.New()
	for name, elements := range profiles {
		_, err := d.Add(fmt.Appendf(nil, `{"resourceType":"StructureDefinition","url":%q,"type":%q,"kind":"resource","derivation":"constraint",
			"baseDefinition":%q,"differential":{"element":[%s]}}`, trialBase+name, typ, defs.Base+typ, elements))
		require.NoError(t, err)
	}
	v := New(d)
	tree, twice, err := jsontree.Read([]byte(text))
	require.NoError(t, err)
	return v.run(tree, twice, Options{})
}

func keysOf(r *run) (out []string) {
	for _, i := range r.issues {
		if i.Invalid() && !slices.Contains(out, i.Key) {
			out = append(out, i.Key)
		}
	}
	return out
}

// linkedPatients is a Bundle of n Patients that claim a profile and link to all
// others; the last has no name, unless all have one.
func linkedPatients(n int, all bool) string {
	var entries []string
	for i := range n {
		var links []string
		for j := range n {
			links = append(links, fmt.Sprintf(`{"other":{"reference":"urn:uuid:00000000-0000-4000-8000-%012d"},"type":"seealso"}`, j))
		}
		name := `"name":[{"family":"x"}],`
		if i == n-1 && !all {
			name = ""
		}
		entries = append(entries, fmt.Sprintf(`{"fullUrl":"urn:uuid:00000000-0000-4000-8000-%012d","resource":{"resourceType":"Patient",
			"meta":{"profile":[%q]},%s"link":[%s]}}`, i, trialBase+"linked", name, strings.Join(links, ",")))
	}
	return `{"resourceType":"Bundle","type":"collection","entry":[` + strings.Join(entries, ",") + `]}`
}

const linkedElements = `{"path":"Patient.name","min":1},
	{"path":"Patient.link.other","type":[{"code":"Reference","targetProfile":["` + trialBase + `linked"]}]}`

// What references lead to is held to a target profile once for each number of
// references away, not once for each way there (R4 profiling.html: targetProfile).
func TestTargetProfilesAreHeldOnce(t *testing.T) {
	for _, n := range []int{5, 10, 20} {
		r := trialOf(t, "Patient", map[string]string{"linked": linkedElements}, linkedPatients(n, true))
		assert.Empty(t, keysOf(r))
		assert.Equal(t, n*(2+maxHops), r.trials.steps, "aloud, and at each of the distances 0 to %d", maxHops)
	}
	r := trialOf(t, "Patient", map[string]string{"linked": linkedElements}, linkedPatients(5, false))
	assert.Equal(t, []string{"target-profile", "cardinality-min"}, keysOf(r), "what does not conform is found all the same")
}

// A profile may name itself, in an invariant, behind a reference, or for what
// stands within what it is on; what it asks is asked all the same.
func TestProfilesThatNameThemselves(t *testing.T) {
	self := func(expression string) string {
		return fmt.Sprintf(`{"path":"Patient","constraint":[{"key":"x-1","severity":"error","human":"x","expression":%q}]},{"path":"Patient.name","min":1}`, expression)
	}
	patient := func(name string) string {
		return fmt.Sprintf(`{"resourceType":"Bundle","type":"collection","entry":[{"fullUrl":"http://trials.example/Patient/1","resource":{"resourceType":"Patient","id":"1",
			"meta":{"profile":[%q]},%s"link":[{"other":{"reference":"Patient/1"},"type":"seealso"}]}}]}`, trialBase+"self", name)
	}
	const named = `"name":[{"family":"x"}],`
	for what, elements := range map[string]string{
		"itself":      self("conformsTo('" + trialBase + "self')"),
		"referred to": self("link.other.resolve().all(conformsTo('" + trialBase + "self'))"),
		"discriminator": `{"path":"Patient.name","min":1},{"path":"Patient.link","slicing":{"discriminator":[{"type":"profile","path":"other.resolve()"}],"rules":"closed"}},
			{"path":"Patient.link","sliceName":"a"},{"path":"Patient.link.other","type":[{"code":"Reference","targetProfile":["` + trialBase + `self"]}]}`,
	} {
		r := trialOf(t, "Patient", map[string]string{"self": elements}, patient(named))
		assert.Empty(t, keysOf(r), what)
		r = trialOf(t, "Patient", map[string]string{"self": elements}, patient(""))
		assert.Contains(t, keysOf(r), "cardinality-min", what)
		assert.Less(t, r.trials.steps, 10, what)
	}
}

// Two profiles that ask each other are clean only together: what was taken for
// clean on the way is asked again.
func TestProfilesThatNameEachOther(t *testing.T) {
	asks := func(other, element string) string {
		return fmt.Sprintf(`{"path":"Patient","constraint":[{"key":"x-%s","severity":"error","human":"x","expression":"conformsTo('%s%s')"}]}%s`, other, trialBase, other, element)
	}
	profiles := map[string]string{"a": asks("b", `,{"path":"Patient.name","min":1}`), "b": asks("a", "")}
	for _, claims := range []string{`"%[1]sa","%[1]sb"`, `"%[1]sb","%[1]sa"`} {
		claims = fmt.Sprintf(claims, trialBase)
		r := trialOf(t, "Patient", profiles, `{"resourceType":"Patient","meta":{"profile":[`+claims+`]}}`)
		var by []string
		for _, i := range r.issues {
			if strings.HasPrefix(i.Key, "x-") {
				by = append(by, i.Key)
			}
		}
		assert.ElementsMatch(t, []string{"x-a", "x-b"}, by, claims)
		r = trialOf(t, "Patient", profiles, `{"resourceType":"Patient","name":[{"family":"x"}],"meta":{"profile":[`+claims+`]}}`)
		assert.Empty(t, keysOf(r))
	}
}

// A profile on what stands within itself is asked once a level, aloud and not,
// though an invariant and the walk both ask at each: else work would double with
// every level.
func TestProfilesWithinThemselves(t *testing.T) {
	elements := `{"path":"Extension","constraint":[{"key":"x-1","severity":"error","human":"x","expression":"extension.all(conformsTo('` + trialBase + `deep'))"}]},
		{"path":"Extension.extension","slicing":{"rules":"open"}},{"path":"Extension.extension","sliceName":"a","type":[{"code":"Extension"}]}`
	deep := func(n int) string {
		x := `{"url":"` + trialBase + `deep"}`
		for range n {
			x = `{"url":"` + trialBase + `deep","extension":[` + x + `]}`
		}
		return `{"resourceType":"Patient","extension":[` + x + `]}`
	}
	for _, n := range []int{10, 20, 40} {
		r := trialOf(t, "Extension", map[string]string{"deep": elements}, deep(n))
		assert.LessOrEqual(t, r.trials.steps, 2*(n+1))
	}
}

// A profile that is asked for sees the resource as one that is claimed does:
// %resource, what is contained, and the Bundle around (R4 fhirpath.html#variables).
func TestAskedAsClaimed(t *testing.T) {
	elements := `{"path":"Patient","constraint":[{"key":"x-1","severity":"error","human":"x","expression":"%resource.id = 'p' and managingOrganization.resolve().name = 'x'"}]},
		{"path":"Patient.managingOrganization","type":[{"code":"Reference","targetProfile":["` + defs.Base + `Organization"]}]}`
	d := defs.New()
	_, err := d.Add(fmt.Appendf(nil, `{"resourceType":"StructureDefinition","url":%q,"type":"Patient","kind":"resource","derivation":"constraint",
		"baseDefinition":%q,"differential":{"element":[%s]}}`, trialBase+"asked", defs.Base+"Patient", elements))
	require.NoError(t, err)
	v := New(d)
	body := `"id":"p",%s"contained":[{"resourceType":"Organization","id":"o","name":"x"}],"managingOrganization":{"reference":"#o"}}`
	claimed := v.Validate(fmt.Appendf(nil, `{"resourceType":"Patient",`+body, `"meta":{"profile":["`+trialBase+`asked"]},`), Options{})
	asked := v.Validate(fmt.Appendf(nil, `{"resourceType":"Patient",`+body, ""), Options{Profiles: []string{trialBase + "asked"}})
	assert.Equal(t, claimed, asked)
	assert.False(t, Invalid(claimed), claimed)
}

// Members that occur twice are looked up by their object.
func TestRepeatedMembers(t *testing.T) {
	var b strings.Builder
	b.WriteString(`{"resourceType":"Patient","active":true,"active":true,"name":[`)
	const n = 20_000
	for i := range n {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(`{"family":"x","family":"x"}`)
	}
	b.WriteString(`]}`)
	tree, twice, err := jsontree.Read([]byte(b.String()))
	require.NoError(t, err)
	by := repeated(twice)
	assert.Len(t, by, n+1)
	for _, names := range by {
		assert.Len(t, names, 1)
	}
	r := New(defs.New()).run(tree, twice, Options{})
	assert.True(t, Invalid(r.issues))
	assert.Nil(t, repeated(nil))
}

// slice() gives the elements of a slice, by the slicing of its profile, whatever
// the profile asks beside; a slice of another element with the same name is not
// meant, nor is one that is not there (R4 fhirpath.html, additional functions).
func TestSlice(t *testing.T) {
	coded := func(code string) string {
		return `{"path":"Observation.component.code","patternCodeableConcept":{"coding":[{"system":"https://local.example/codes","code":"` + code + `"}]}}`
	}
	const by = `"slicing":{"discriminator":[{"type":"value","path":"code"}],"rules":"open"}`
	sliced := `{"path":"Observation.category",` + strings.ReplaceAll(by, `"code"`, `"$this"`) + `},
		{"path":"Observation.category","sliceName":"depth","patternCodeableConcept":{"text":"x"}},
		{"path":"Observation.component",` + by + `},
		{"path":"Observation.component","sliceName":"depth","slicing":{"discriminator":[{"type":"type","path":"value"}],"rules":"open"}},` + coded("depth") + `,
		{"path":"Observation.component","sliceName":"depth/number"},{"path":"Observation.component.value[x]","type":[{"code":"integer"}]},
		{"path":"Observation.component","sliceName":"width"},` + coded("width")
	component := func(code, value string) string {
		return `{"code":{"coding":[{"system":"https://local.example/codes","code":"` + code + `"}]},` + value + `}`
	}
	text := `{"resourceType":"Observation","status":"final","code":{"text":"x"},"meta":{"profile":["` + trialBase + `asks"]},"category":[{"text":"x"},{"text":"y"}],
		"component":[` + component("depth", `"valueInteger":1`) + "," + component("depth", `"valueString":"2"`) + "," + component("other", `"valueInteger":3`) + `]}`
	for expression, want := range map[string]bool{
		"component.slice('" + trialBase + "sliced', 'depth').value = component.take(2).value": true,
		"component.slice('" + trialBase + "sliced', 'depth/number').value = 1":                true,
		"component.slice('" + trialBase + "sliced', 'width').empty()":                         true,
		"category.slice('" + trialBase + "sliced', 'depth').text = 'x'":                       true,
		"method.slice('" + trialBase + "sliced', 'depth').empty()":                            true,
		"code.slice('" + trialBase + "sliced', 'depth').empty()":                              true,
		"component.slice('" + trialBase + "sliced', 'depth').count() = 3":                     false,
		"component.slice('" + trialBase + "sliced', 'height').empty()":                        false, // an error
		"component.slice('" + trialBase + "nowhere', 'depth').empty()":                        false,
	} {
		asks := fmt.Sprintf(`{"path":"Observation","constraint":[{"key":"x-1","severity":"error","human":"x","expression":%q}]}`, expression)
		r := trialOf(t, "Observation", map[string]string{"sliced": sliced, "asks": asks}, text)
		assert.Equal(t, want, len(keysOf(r)) == 0, "%s: %v", expression, r.issues)
	}
}
