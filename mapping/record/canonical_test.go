package record

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestCanonicalRefuses(t *testing.T) {
	for in, want := range map[string]error{
		`{"a":1,"a":1}`:                     ErrDuplicateMember,
		`{"x":[{"a":1,"\u0061":2}]}`:        ErrDuplicateMember,
		`1e400`:                             ErrNoCanonicalForm,
		`"\ud800"`:                          ErrNoCanonicalForm,
		`{"\udc00\ud800":1}`:                ErrNoCanonicalForm,
		``:                                  ErrNotJSON,
		`{"a":1}{}`:                         ErrNotJSON,
		"\"\xff\"":                          ErrNotJSON,
		strings.Repeat("[", MaxDepth+1):     ErrNotJSON,
		strings.Repeat(" ", MaxBytes) + "1": ErrNotJSON,
	} {
		_, err := Canonical([]byte(in))
		assert.ErrorIs(t, err, want, "%.40q", in)
	}
}

func hashOfText(t *testing.T, text string) string {
	t.Helper()
	h, err := ContentHash([]byte(text))
	require.NoError(t, err, text)
	assert.Len(t, h, 64)
	assert.Equal(t, h, Decode([]byte(text)).Hash, text)
	return h
}

func TestD1_1_ContentHash(t *testing.T) {
	base := hashOfText(t, `{"clinic":"c1","savedAt":"2024-06-03T11:00Z","surgery":{"savedAt":"x","n":2.5}}`)
	for why, same := range map[string]string{
		"another saved-at":                     `{"clinic":"c1","savedAt":"2025-01-01T00:00Z","surgery":{"savedAt":"x","n":2.5}}`,
		"no saved-at":                          `{"clinic":"c1","surgery":{"savedAt":"x","n":2.5}}`,
		"the old row that it was made of":      `{"clinic":"c1","converted":{"file":"a.csv","row":2},"surgery":{"savedAt":"x","n":2.5}}`,
		"another order of members":             `{"surgery":{"n":2.5,"savedAt":"x"},"clinic":"c1"}`,
		"white space, escapes, trailing zeros": "{ \"clinic\" :\n\"\\u0063\\u0031\",\"surgery\":{\"savedAt\":\"x\",\"n\":2.50e0}}",
	} {
		assert.Equal(t, base, hashOfText(t, same), why)
	}
	for why, other := range map[string]string{
		"another clinic":                 `{"clinic":"c2","surgery":{"savedAt":"x","n":2.5}}`,
		"a saved-at that is not the top": `{"clinic":"c1","surgery":{"savedAt":"y","n":2.5}}`,
		"converted that is not the top":  `{"clinic":"c1","surgery":{"savedAt":"x","n":2.5,"converted":{}}}`,
		"followed":                       `{"clinic":"c1","followed":true,"surgery":{"savedAt":"x","n":2.5}}`,
		"a number for a text":            `{"clinic":"c1","surgery":{"savedAt":"x","n":"2.5"}}`,
		"an unknown member":              `{"clinic":"c1","surgery":{"savedAt":"x","n":2.5},"u":null}`,
	} {
		assert.NotEqual(t, base, hashOfText(t, other), why)
	}
}

// TestD1_1_EveryDeliveryHasAHash: what the decoder keeps must hash, and what it
// refuses is kept and listed, so it needs a name too.
func TestD1_1_EveryDeliveryHasAHash(t *testing.T) {
	seen := map[string]string{}
	for _, text := range []string{
		`{"u":1e400}`, `{"u":1e401}`, `{"u":"1e400"}`, `{"u":"\ud800"}`, `{"u":"\ud801"}`, `{"u":"\ufffd"}`, `{"u":"\\ud800"}`,
		`{"a":1,"a":2}`, `{"a":2,"a":1}`, `{"a":1`, ``,
	} {
		h := Decode([]byte(text)).Hash
		assert.Len(t, h, 64, text)
		assert.Empty(t, seen[h], "%s hashes as %s", text, seen[h])
		seen[h] = text
	}
}

func TestEncodeRoundTrip(t *testing.T) {
	for _, text := range []string{surgeryText, string(mustJSON(fullRecord("surgery"))), string(mustJSON(fullRecord("review"))), string(mustJSON(fullRecord("contact")))} {
		r := Decode([]byte(text)).Record
		b, err := Encode(r)
		require.NoError(t, err)
		again := Decode(b)
		assert.Empty(t, again.Findings)
		assert.Equal(t, r, again.Record)
		same, err := Encode(again.Record)
		require.NoError(t, err)
		assert.Equal(t, string(b), string(same), "same record, same bytes")
	}
	b, err := Encode(Decode([]byte(surgeryText)).Record)
	require.NoError(t, err)
	assert.Contains(t, string(b), `"mL":2.50`, "a number keeps its text")
	assert.True(t, strings.HasPrefix(string(b), `{"author":`), "members are sorted")
}
