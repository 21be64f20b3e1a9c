package main

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping"
	"nailbridge/mapping/terms"
)

// The answer of $validate goes through proxies and logs: it repeats nothing of what
// it is about, no value and no name that R4 does not have, and none of a profile
// that is asked for.
func TestValidateRepeatsNothing(t *testing.T) {
	v := validator(mapping.Settings{Terms: terms.MustLoad()}, func() time.Time { return time.Unix(0, 0) })
	const mark = "zyxquill"
	for _, text := range []string{
		`{"resourceType":"zyxquill"}`,
		`{"resourceType":"Patient","zyxquill":1,"Zyxquill":{"zyxquill":2}}`,
		`{"resourceType":"Patient","zyxquill":1,"zyxquill":2,"name":[{"zyxquill":[],"family":"zyxquill ","family":"zyxquill"}]}`,
		`{"resourceType":"Patient","_zyxquill":null,"birthDate":"zyxquill","_birthDate":"zyxquill","gender":"zyxquill","active":"zyxquill","id":"zyx_quill zyxquill"}`,
		`{"resourceType":"Patient","name":"zyxquill","contact":{"zyxquill":1},"telecom":[{"value":"zyxquill"}],"language":"zyxquill zyxquill"}`,
		`{"resourceType":"Patient","meta":{"profile":["https://zyxquill.example/p","http://hl7.org/fhir/StructureDefinition/zyxquill","zyxquill"],"tag":[{"system":"zyxquill","code":"zyxquill"}]}}`,
		`{"resourceType":"Patient","extension":[{"url":"zyxquill"},{"url":"https://zyxquill.example"},{"url":"http://hl7.org/fhir/StructureDefinition/zyxquill","valueString":"x"}]}`,
		`{"resourceType":"Patient","text":{"status":"zyxquill","div":"<zyxquill onzyxquill='zyxquill'>&zyxquill;"},"contained":[{"resourceType":"zyxquill","id":"zyxquill"},{"resourceType":"Basic","id":"zyxquill"}]}`,
		`{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"zyxquill"},{"system":"http://snomed.info/sct","code":"zyxquill","display":"zyxquill"}]},
			"subject":{"reference":"zyxquill zyxquill","type":"zyxquill"},"valueQuantity":{"value":1,"system":"http://unitsofmeasure.org","code":"zyxquill"},"effectivePeriod":{"start":"zyxquill"}}`,
		`{"resourceType":"Bundle","type":"zyxquill","entry":[{"fullUrl":"zyxquill","resource":{"resourceType":"Patient","id":"zyxquill"}},{"resource":{"resourceType":"zyxquill"}}]}`,
		`{"resourceType":"StructureDefinition","url":"zyxquill","name":"zyx quill","status":"draft","kind":"resource","abstract":false,"type":"zyxquill","differential":{"element":[{"path":"zyxquill","id":"zyxquill zyxquill"}]}}`,
		`{"resourceType":"Patient","zyxquill`, `zyxquill`, `{"zyxquill":zyxquill}`,
	} {
		out, err := v(t.Context(), []byte(text), []string{"https://zyxquill.example/asked", "zyxquill"})
		require.NoError(t, err)
		assert.Contains(t, string(out), `"severity":"`, text)
		assert.NotContains(t, strings.ToLower(string(out)), mark, text)
	}
}

// What nobody waits for any more has no answer.
func TestValidateEndsWithItsRequest(t *testing.T) {
	v := validator(mapping.Settings{Terms: terms.MustLoad()}, func() time.Time { return time.Unix(0, 0) })
	ctx, leave := context.WithCancel(t.Context())
	_, err := v(ctx, []byte(`{"resourceType":"Patient"}`), nil)
	require.NoError(t, err)
	leave()
	_, err = v(ctx, []byte(`{"resourceType":"Patient"}`), nil)
	require.ErrorIs(t, err, context.Canceled)
}
