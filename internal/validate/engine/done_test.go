package engine

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/internal/validate/defs"
)

// A validation that nobody waits for any more ends where it is: what it has found
// is told, and that it is not all, which is never valid. The channel is closed as
// ctm-1 of the first entry resolves a reference; the second is wrong.
func TestDone(t *testing.T) {
	text := []byte(`{"resourceType":"Bundle","type":"collection","entry":[
		{"fullUrl":"https://north.example/fhir/CareTeam/1","resource":{"resourceType":"CareTeam","id":"1",
			"participant":[{"onBehalfOf":{"reference":"Organization/1"},"member":{"reference":"Practitioner/1"}}]}},
		{"fullUrl":"https://north.example/fhir/CareTeam/2","resource":{"resourceType":"CareTeam","id":"2","status":"none"}}]}`)
	v := New(defs.New())
	validate := func(done chan struct{}, resolve func()) (keys string) {
		for _, i := range v.Validate(text, Options{Done: done, Resolve: func(string) (map[string]any, bool) { resolve(); return nil, false }}) {
			if i.Invalid() {
				keys += i.Key + " at " + i.Location + "\n"
			}
		}
		return keys
	}
	const second = "binding-required at Bundle.entry[1].resource.status\n"
	done := make(chan struct{})
	assert.Equal(t, second, validate(done, func() {}), "a channel that stays open ends nothing")
	resolved := 0
	ended := validate(done, func() {
		if resolved++; resolved == 1 {
			close(done)
		}
	})
	assert.Positive(t, resolved)
	assert.Equal(t, "ended at Bundle\n", ended)
	assert.Equal(t, "ended at Bundle\n", validate(done, func() { t.Error("something was validated") }))
}
