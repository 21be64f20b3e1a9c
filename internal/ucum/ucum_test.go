package ucum

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func mustParse(t *testing.T, code string) Unit {
	t.Helper()
	u, err := Parse(code)
	require.NoError(t, err, code)
	return u
}

// Conversions whose figures stand in UCUM's own tables or follow from the SI.
func TestConvert(t *testing.T) {
	for _, c := range []struct{ value, from, to, want string }{
		{"1", "g", "mg", "1000"},
		{"4040", "mg", "g", "4.04"},
		{"1", "wk", "d", "7"},
		{"1", "a", "d", "365.25"},           // UCUM table 5: a = a_j
		{"1", "[in_i]", "cm", "2.54"},       // UCUM table 11
		{"1", "[lb_av]", "g", "453.59237"},  // UCUM table 18
		{"1", "m[Hg]", "kPa", "133.3220"},   // UCUM table 22
		{"37", "Cel", "K", "310.15"},        // UCUM table 4
		{"98.6", "[degF]", "Cel", "37"},     // UCUM table 21
		{"310.15", "K", "Cel", "37"},        //
		{"80", "[degRe]", "Cel", "100"},     // UCUM table 21
		{"1", "10*3", "10^2", "10"},         // UCUM 29, table 2
		{"5", "%", "[ppth]", "50"},          //
		{"1", "mol/L", "mmol/mL", "1"},      //
		{"90", "mm[Hg]", "m[Hg]", "0.09"},   //
		{"1", "U", "umol/min", "1"},         // UCUM table 24
		{"1", "/min", "/h", "60"},           // a leading solidus (UCUM 7.3)
		{"1", "ug/kg/min", "ug/kg/h", "60"}, // left to right (UCUM 7.5)
		{"3", "{score}", "1", "3"},          // an annotation is 1 (UCUM 12)
		{"2", "kg{wet'tissue}", "g", "2000"},
		{"1", "m2/(s.m)", "m/s", "1"},
		{"1", "mCel", "mK", "273151"}, // a prefix on a scale (UCUM 22.3)
		{"2", "[IU]/mL", "[iU]/L", "2000"},
	} {
		v, _ := new(big.Rat).SetString(c.value)
		got, err := Convert(v, mustParse(t, c.from), mustParse(t, c.to))
		if assert.NoError(t, err, "%s %s", c.value, c.from) {
			want, _ := new(big.Rat).SetString(c.want)
			assert.Zero(t, want.Cmp(got), "%s %s is %s %s", c.value, c.from, got.FloatString(9), c.to)
		}
	}
}

func TestNotComparable(t *testing.T) {
	for _, c := range []struct {
		from, to string
		err      error
	}{
		{"cm", "cm2", ErrDimension},
		{"cm", "s", ErrDimension},
		{"cm", "[S]", ErrDimension},
		{"[IU]", "1", ErrDimension},       // arbitrary units compare with nothing else (UCUM 24)
		{"[IU]", "[arb'U]", ErrDimension}, //
		{"[pH]", "mol/L", ErrScale},       // a logarithm, not converted here
	} {
		_, err := Convert(big.NewRat(1, 1), mustParse(t, c.from), mustParse(t, c.to))
		assert.ErrorIs(t, err, c.err, "%s to %s", c.from, c.to)
	}
	got, err := Convert(big.NewRat(7, 1), mustParse(t, "[pH]"), mustParse(t, "[pH]"))
	require.NoError(t, err, "the very same unit needs no scale")
	assert.Equal(t, "7", got.RatString())
}

func TestParseErrors(t *testing.T) {
	for code, want := range map[string]error{
		"":         ErrSyntax,
		"tbl":      ErrUnknown, // in an official R4 example, not a unit
		"KG":       ErrUnknown, // case counts (UCUM 3)
		"mcg":      ErrUnknown,
		"k[lb_av]": ErrUnknown, // no prefix on a unit that is not metric (UCUM 11)
		"kk":       ErrUnknown,
		"mg//L":    ErrSyntax,
		"mg/":      ErrSyntax,
		"mg L":     ErrSyntax,
		"(mg":      ErrSyntax,
		"mg)":      ErrSyntax,
		"mg{a":     ErrSyntax,
		"0":        ErrSyntax,
		"m999":     ErrSyntax,
		"m-":       ErrUnknown,
		"2m":       ErrUnknown, // a number is a factor of its own (UCUM 7.2)
		"µg":       ErrSyntax,
		"Cel2":     ErrScale,
		"Cel/min":  ErrScale,
		"m{{}}":    ErrSyntax,
		"\tm":      ErrSyntax,
	} {
		_, err := Parse(code)
		assert.ErrorIs(t, err, want, code)
	}
}

// The unit of a product or quotient is written with its factors gathered.
func TestMulDiv(t *testing.T) {
	for _, c := range []struct{ a, op, b, want string }{
		{"cm", "*", "cm", "cm2"}, // N1 6.6.1: 12 'cm' * 3 'cm' is 36 'cm2'
		{"cm", "*", "cm2", "cm3"},
		{"cm2", "/", "cm", "cm"}, // N1 6.6.2
		{"m", "/", "m", "1"},
		{"g", "/", "m", "g.m-1"},
		{"10.L", "*", "s", "10.L.s"},
	} {
		got, err := mustParse(t, c.a).Mul(mustParse(t, c.b))
		if c.op == "/" {
			got, err = mustParse(t, c.a).Div(mustParse(t, c.b))
		}
		require.NoError(t, err)
		assert.Equal(t, c.want, got.String(), "%s %s %s", c.a, c.op, c.b)
		assert.True(t, got.Comparable(mustParse(t, c.want)))
	}
	_, err := mustParse(t, "Cel").Mul(mustParse(t, "m"))
	assert.ErrorIs(t, err, ErrScale)
}

// Every atom of the table resolves and is found under its own name.
func TestTable(t *testing.T) {
	table := load()
	assert.Len(t, table.prefixes, 24)
	assert.Len(t, table.atoms, 311)
	for code := range table.atoms {
		u, err := Parse(code)
		if assert.NoError(t, err, code) {
			assert.Positive(t, u.size.Sign(), code)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"mg/dL", "10*9/L", "m[H2O]{gauge}", "B[10.nV]", "[m/s2/Hz^(1/2)]", "(m.s)-1", "/(/m)", "%[slope]", "Ym40.Ym40"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, code string) {
		u, err := Parse(code)
		if err != nil {
			return
		}
		if again, err := Parse(u.String()); err == nil && !again.Comparable(u) {
			t.Errorf("%q is written as %q, which measures something else", code, u.String())
		}
	})
}

func BenchmarkParse(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse("mg/dL"); err != nil {
			b.Fatal(err)
		}
	}
}
