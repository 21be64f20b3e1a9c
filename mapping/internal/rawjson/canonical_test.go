package rawjson

import (
	"math"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func canonical(t *testing.T, text string) string {
	t.Helper()
	n, f := Parse([]byte(text))
	require.Nil(t, f, text)
	out, exact := n.Canonical()
	assert.True(t, exact, text)
	return string(out)
}

// TestRFC8785_3_2 has the two examples of sections 3.2.2 and 3.2.3.
func TestRFC8785_3_2(t *testing.T) {
	got := canonical(t, `{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}`)
	assert.Equal(t, `{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"string":"€$\u000f\nA'B\"\\\\\"/"}`, got)

	got = canonical(t, `{"\u20ac":1,"\r":2,"\ufb33":3,"1":4,"\ud83d\ude00":5,"\u0080":6,"\u00f6":7}`)
	assert.Equal(t, `{"\r":2,"1":4,"`+"\u0080"+`":6,"ö":7,"€":1,"😀":5,"`+"\ufb33"+`":3}`, got, "sorted by UTF-16 code units")
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
		assert.Equal(t, want, canonical(t, literal), "%016x", bits)
	}
}

func TestSortedKeepsNumbersAsSent(t *testing.T) {
	n, f := Parse([]byte(`{"b":2.50,"a":[1E2,-0,1e400]}`))
	require.Nil(t, f)
	assert.Equal(t, `{"a":[1E2,-0,1e400],"b":2.50}`, string(n.Sorted()))
}

func TestDuplicates(t *testing.T) {
	n, f := Parse([]byte(`{"a":{"b":1,"\u0062":2,"b":3},"c":[{},{"x/~":1,"x/~":1}],"a":null}`))
	require.Nil(t, f)
	assert.Equal(t, []string{"/a/b", "/c/1/x~1~0", "/a"}, n.Duplicates())
}

// TestParseGivesWhatStoodBeforeTheFault: a record cut short still shows what
// it says up to there.
func TestParseGivesWhatStoodBeforeTheFault(t *testing.T) {
	n, f := Parse([]byte(`{"a":[1,{"b":true},"c`))
	require.NotNil(t, f)
	assert.Equal(t, "not-json", f.Code)
	assert.Equal(t, `{"a":[1,{"b":true},"c"]}`, string(n.Sorted()))
}
