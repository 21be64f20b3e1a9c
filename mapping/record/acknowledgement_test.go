package record_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/mapping/record"
)

// D1.3: an acknowledgement names who, why, when and the inputs it was shown
// with; whatever cannot be read is named with its place.
func TestD1_3_AcknowledgementIsReadStrictly(t *testing.T) {
	const whole = `{"who":{"staffKey":"k1","name":{"family":"Quill"}},"reason":"seen","at":"2026-03-02T10:00:00Z","inputsHash":"ab"}`
	a, findings, ok := record.DecodeAcknowledgement([]byte(whole))
	assert.True(t, ok, findings)
	assert.Equal(t, "k1", a.Who.StaffKey)
	assert.Equal(t, "Quill", a.Who.Name.Family)
	assert.Equal(t, "seen", a.Reason)
	assert.Equal(t, "ab", a.InputsHash)
	assert.Equal(t, "2026-03-02T10:00:00Z", a.At.String())
	for body, want := range map[string][]string{
		``:           {"not-json "},
		`{} {}`:      {"trailing-data "},
		`[]`:         {"wrong-type ", "missing /who", "missing /reason", "missing /at", "missing /inputsHash"},
		`{}`:         {"missing /who", "missing /reason", "missing /at", "missing /inputsHash"},
		whole + "\n": nil,
		`{"who":{"name":{"family":"Quill"}},"reason":" ","at":"2026-03-02","inputsHash":1}`:                                           {"wrong-type /inputsHash", "missing /who", "missing /reason", "missing /at"},
		`{"Who":{"staffKey":"k"},"reason":"r","at":"2026-03-02T10:00Z","inputsHash":"a"}`:                                             {"member-case /Who"},
		`{"who":{"staffKey":"k"},"reason":"r","reason":"s","at":"2026-03-02T10:00Z","inputsHash":"a"}`:                                {"duplicate-member /reason"},
		`{"who":{"staffKey":"k"},"reason":"r","at":"soon","inputsHash":"a","note":"x"}`:                                               {"malformed-date /at", "unknown-member /note"},
		`{"who":{"staffKey":"k","registration":{"system":"x y","value":"1"}},"reason":"r","at":"2026-03-02T10:00Z","inputsHash":"a"}`: {"malformed-uri /who/registration/system"},
	} {
		_, findings, ok := record.DecodeAcknowledgement([]byte(body))
		var got []string
		for _, f := range findings {
			got = append(got, f.Code+" "+f.Pointer)
		}
		assert.Equal(t, want, got, body)
		assert.Equal(t, len(want) == 0, ok, body)
	}
}
