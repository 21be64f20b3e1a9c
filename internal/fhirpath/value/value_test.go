package value

import (
	"encoding/json"
	"math/big"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/ucum"
)

func dec(t *testing.T, s string) Item {
	t.Helper()
	d, ok := ParseDecimal(s)
	require.True(t, ok, s)
	return Decimal(d)
}

// N1 4.1.4: at least 28 digits with 8 places, exactly.
func TestDecimalsAreExact(t *testing.T) {
	big28 := "9999999999999999999999999999.99999999"
	sum, ok, err := Apply("+", dec(t, big28), dec(t, "0.00000001"))
	require.NoError(t, err)
	require.True(t, ok)
	assert.Equal(t, "10000000000000000000000000000.00000000", sum.Text())
	product, ok, err := Apply("*", dec(t, "1234567890987654321.5"), dec(t, "0.00000001"))
	require.NoError(t, err)
	require.True(t, ok)
	assert.Equal(t, "12345678909.876543215", strings.TrimRight(product.Text(), "0"))
	for _, s := range []string{"NaN", "Infinity", "", "1e401", strings.Repeat("9", maxDigits+1), "1e-500"} {
		_, ok := ParseDecimal(s)
		assert.False(t, ok, s)
	}
}

func TestRationals(t *testing.T) {
	for _, c := range []struct{ num, den, want string }{
		{"1", "8", "0.125"}, {"1", "3", "0." + strings.Repeat("3", maxQuotient)}, {"-7", "5", "-1.4"}, {"100", "1", "100"}, {"0", "1", "0"},
	} {
		r, _ := new(big.Rat).SetString(c.num + "/" + c.den)
		d, ok := fromRat(r)
		require.True(t, ok)
		assert.Equal(t, c.want, d.Text('f'))
		if c.den != "3" {
			assert.Zero(t, r.Cmp(toRat(d)))
		}
	}
}

// R4 fhirpath.html: a Quantity of FHIR, by its system.
func TestFromFHIR(t *testing.T) {
	of := func(system, code, unit string) Item {
		it, ok := FromFHIR(map[string]any{"value": json.Number("2"), "system": system, "code": code, "unit": unit})
		require.True(t, ok)
		return it
	}
	assert.Equal(t, True, Equal(of(ucum.System, "kg", "kilo"), of(ucum.System, "kg", "kilogram"), Equals))
	assert.Equal(t, True, Equal(of("", "", "kg"), of(ucum.System, "kg", ""), Equals))
	assert.Equal(t, True, Equal(of("urn:x", "h", ""), of("urn:x", "h", ""), Equals))
	assert.Equal(t, Unknown, Equal(of("urn:x", "h", ""), of(ucum.System, "h", ""), Equals), "a code of another system is no UCUM")
	for _, obj := range []map[string]any{
		{"unit": "kg"}, {"value": "2"}, {"value": json.Number("2"), "comparator": "<"}, {"value": json.Number("x")},
	} {
		_, ok := FromFHIR(obj)
		assert.False(t, ok, "%v", obj)
	}
}

func TestParseQuantity(t *testing.T) {
	for s, want := range map[string]string{
		"5": "5 '1'", "-5.50 'mg'": "-5.50 'mg'", "4 days": "4 days", "4'mg'": "4 'mg'", "+1 week": "1 week",
		"": "", "mg": "", "5 mg": "", "5 'mg": "", "5 ''": "", "5 'a'b'": "", "5  x": "", "1 wk": "", "5.": "", "--5": "",
	} {
		q, ok := ParseQuantity(s)
		assert.Equal(t, want != "", ok, s)
		if ok {
			assert.Equal(t, want, q.String(), s)
		}
	}
}

func TestNamed(t *testing.T) {
	assert.Equal(t, DateTimes, Named("DateTime"))
	assert.Equal(t, None, Named(""))
	assert.Equal(t, None, Named("code"))
	assert.Equal(t, "Quantity", Quantities.Name())
}
