package record

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestRFC8785_3_2 has the two examples of sections 3.2.2 and 3.2.3.
func TestRFC8785_3_2(t *testing.T) {
	got, err := Canonical([]byte(`{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}`))
	require.NoError(t, err)
	assert.Equal(t, `{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"string":"€$\u000f\nA'B\"\\\\\"/"}`, string(got))

	got, err = Canonical([]byte(`{"\u20ac":1,"\r":2,"\ufb33":3,"1":4,"\ud83d\ude00":5,"\u0080":6,"\u00f6":7}`))
	require.NoError(t, err)
	assert.Equal(t, `{"\r":2,"1":4,"`+"\u0080"+`":6,"ö":7,"€":1,"😀":5,"`+"\ufb33"+`":3}`, string(got), "sorted by UTF-16 code units")
}

// TestRFC8785_AppendixB has the finite numbers of the RFC's appendix B.
func TestRFC8785_AppendixB(t *testing.T) {
	for bits, want := range map[uint64]string{
		0x0000000000000000: "0",
		0x8000000000000000: "0",
		0x0000000000000001: "5e-324",
		0x8000000000000001: "-5e-324",
		0x7fefffffffffffff: "1.7976931348623157e+308",
		0xffefffffffffffff: "-1.7976931348623157e+308",
		0x4340000000000000: "9007199254740992",
		0xc340000000000000: "-9007199254740992",
		0x4430000000000000: "295147905179352830000",
		0x44b52d02c7e14af5: "9.999999999999997e+22",
		0x44b52d02c7e14af6: "1e+23",
		0x44b52d02c7e14af7: "1.0000000000000001e+23",
		0x444b1ae4d6e2ef4e: "999999999999999700000",
		0x444b1ae4d6e2ef4f: "999999999999999900000",
		0x444b1ae4d6e2ef50: "1e+21",
		0x3eb0c6f7a0b5ed8c: "9.999999999999997e-7",
		0x3eb0c6f7a0b5ed8d: "0.000001",
		0x41b3de4355555553: "333333333.3333332",
		0x41b3de4355555554: "333333333.33333325",
		0x41b3de4355555555: "333333333.3333333",
		0x41b3de4355555556: "333333333.3333334",
		0x41b3de4355555557: "333333333.33333343",
		0xbecbf647612f3696: "-0.0000033333333333333333",
		0x43143ff3c1cb0959: "1424953923781206.2",
	} {
		literal := strconv.FormatFloat(math.Float64frombits(bits), 'e', 17, 64)
		got, err := Canonical([]byte(literal))
		require.NoError(t, err)
		assert.Equal(t, want, string(got), "%016x", bits)
	}
}

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
		"another order of members":             `{"surgery":{"n":2.5,"savedAt":"x"},"clinic":"c1"}`,
		"white space, escapes, trailing zeros": "{ \"clinic\" :\n\"\\u0063\\u0031\",\"surgery\":{\"savedAt\":\"x\",\"n\":2.50e0}}",
	} {
		assert.Equal(t, base, hashOfText(t, same), why)
	}
	for why, other := range map[string]string{
		"another clinic":                 `{"clinic":"c2","surgery":{"savedAt":"x","n":2.5}}`,
		"a saved-at that is not the top": `{"clinic":"c1","surgery":{"savedAt":"y","n":2.5}}`,
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
