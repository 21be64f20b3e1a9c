package record

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/internal/rawjson"
)

func TestParseDecimalKeepsItsText(t *testing.T) {
	for text, rational := range map[string]string{
		"0": "0", "-0": "0", "2.50": "5/2", "0.001": "1/1000", "1e2": "100", "1E-2": "1/100", "1.5e+1": "15", "-3.25": "-13/4",
		"123456789012345": "123456789012345", "1000000000000000000": "1000000000000000000", "0.000000000000000001": "1/1000000000000000000",
	} {
		d, err := ParseDecimal(text)
		require.NoError(t, err, text)
		assert.Equal(t, text, d.String())
		assert.Equal(t, rational, d.Rat().RatString(), text)
		b, err := json.Marshal(struct{ V Decimal }{d})
		require.NoError(t, err)
		assert.Equal(t, `{"V":`+text+`}`, string(b))
		var back struct{ V Decimal }
		require.NoError(t, json.Unmarshal(b, &back))
		assert.Equal(t, d, back.V)
	}
}

func TestParseDecimalRefuses(t *testing.T) {
	for _, text := range []string{
		"", " 1", "1 ", "01", "+1", ".5", "1.", "1e", "1e+", "--1", "0x1", "1_000", "1,5", "NaN", "Infinity", "1/2", "\"1\"", "１",
		"1234567890123456", "0.1234567890123456", "1e21", "1e-21", "1e999999999999", strings.Repeat("1", 33), "0." + strings.Repeat("0", 31),
	} {
		_, err := ParseDecimal(text)
		assert.ErrorIs(t, err, ErrDecimal, text)
	}
}

// TestD1_1_DecimalsOfDifferentValueDifferAsDoubles shows why the digits are
// bounded: what differs as recorded must differ in the content hash.
func TestD1_1_DecimalsOfDifferentValueDifferAsDoubles(t *testing.T) {
	one, ok := rawjson.CanonicalNumber("0.999999999999998")
	require.True(t, ok)
	two, ok := rawjson.CanonicalNumber("0.999999999999999")
	require.True(t, ok)
	assert.NotEqual(t, one, two)
	long, _ := rawjson.CanonicalNumber("9007199254740993")
	shorter, _ := rawjson.CanonicalNumber("9007199254740992")
	assert.Equal(t, shorter, long, "past the bound they may not")
}
