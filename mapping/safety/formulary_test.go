package safety_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"math/big"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/safety"
)

// The product holds only ceilings that were read in the cited text; those
// tagged via or memory may stand in tests, never in a file.
func TestProductSetsAreReadWhole(t *testing.T) {
	require.NotEmpty(t, safety.Names())
	for _, name := range safety.Names() {
		f, err := safety.Load(name)
		require.NoError(t, err, name)
		assert.Equal(t, name, f.Name)
		assert.Contains(t, []string{"regulator", "guideline"}, f.Kind, "%s: the product holds sets of regulators and of national guidelines alone", name)
		for _, e := range f.Entries {
			assert.Equal(t, safety.TagRead, e.Tag, "%s %s", name, e.Agent)
			assert.NotEmpty(t, e.Source)
			assert.Regexp(t, `^C-\d+$`, e.Section)
		}
		for _, a := range f.Ages {
			assert.Equal(t, safety.TagRead, a.Tag)
		}
		assert.Nil(t, f.Adrenaline, "%s: the ceiling of C-5 is dental teaching, no regulator's", name)
	}
}

func TestLoadHasNoDefault(t *testing.T) {
	for _, name := range []string{"", "default", "../formulary/us-label", "US-LABEL"} {
		_, err := safety.Load(name)
		assert.ErrorContains(t, err, "us-label", "the error names the sets there are")
	}
}

const whole = `{"name":"clinic","title":"T","issuer":"I","kind":"local","weightCapKg":"70","entries":[
 {"agent":"lidocaine","vasoconstrictor":false,"fromYears":12,"toYears":18,"mgPerKg":"3","source":"S","section":"1","tag":"local"},
 {"agent":"lidocaine","vasoconstrictor":false,"fromYears":18,"ceilingMg":"200","source":"S","section":"1","tag":"local"}],
 "adrenaline":{"ug":"200","cardiacUg":"40","source":"S","section":"2","tag":"local"}}`

func TestParseReadsAClinicsOwnSet(t *testing.T) {
	f, err := safety.Parse([]byte(whole))
	require.NoError(t, err)
	assert.Len(t, f.Entries, 2)
	assert.Zero(t, f.WeightCapKg.Cmp(big.NewRat(70, 1)))
	assert.Nil(t, f.Entries[1].MgPerKg)
	assert.Zero(t, f.Adrenaline.CardiacUg.Cmp(big.NewRat(40, 1)))
}

func TestParseIsStrict(t *testing.T) {
	change := func(old, new string) string {
		require.Contains(t, whole, old)
		return strings.Replace(whole, old, new, 1)
	}
	for name, file := range map[string]string{
		"not JSON":                 "{",
		"trailing data":            whole + "{}",
		"unknown member":           change(`"title":"T"`, `"title":"T","colour":"red"`),
		"member in another case":   change(`"mgPerKg"`, `"mgperkg"`),
		"member twice":             change(`"mgPerKg":"3"`, `"mgPerKg":"3","mgPerKg":"30"`),
		"name not kebab-case":      change(`"clinic"`, `"Clinic set"`),
		"no title":                 change(`"title":"T"`, `"title":""`),
		"kind not listed":          change(`"kind":"local"`, `"kind":"own"`),
		"agent not listed":         change(`"agent":"lidocaine"`, `"agent":"lignocaine"`),
		"figure is a number":       change(`"mgPerKg":"3"`, `"mgPerKg":3`),
		"figure is zero":           change(`"mgPerKg":"3"`, `"mgPerKg":"0"`),
		"figure is negative":       change(`"mgPerKg":"3"`, `"mgPerKg":"-3"`),
		"figure is a fraction":     change(`"mgPerKg":"3"`, `"mgPerKg":"9/2"`),
		"figure with exponent":     change(`"mgPerKg":"3"`, `"mgPerKg":"3e2"`),
		"neither figure":           change(`"mgPerKg":"3",`, ``),
		"vasoconstrictor not said": change(`"vasoconstrictor":false,`, ``),
		"no age":                   change(`"fromYears":12,`, ``),
		"ages reversed":            change(`"toYears":18`, `"toYears":12`),
		"ages overlap":             change(`"toYears":18`, `"toYears":19`),
		"no source":                change(`"source":"S"`, `"source":""`),
		"ceiling from memory":      change(`"tag":"local"`, `"tag":"memory"`),
		"ceiling via another page": change(`"tag":"local"`, `"tag":"via"`),
		"no entries":               `{"name":"clinic","title":"T","issuer":"I","kind":"local","entries":[]}`,
		"adrenaline without limit": change(`"ug":"200",`, ``),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := safety.Parse([]byte(file))
			assert.Error(t, err)
		})
	}
}

func TestParseReportsAllErrorsAtOnce(t *testing.T) {
	_, err := safety.Parse([]byte(strings.NewReplacer(`"title":"T"`, `"title":""`, `"mgPerKg":"3"`, `"mgPerKg":"x"`).Replace(whole)))
	assert.ErrorContains(t, err, "title")
	assert.ErrorContains(t, err, "entries/0/mgPerKg")
}

// C-3, C-5 and C-9: whole cartridges are a strict floor.
func TestWholeUnitsIsAStrictFloor(t *testing.T) {
	rat := func(s string) *big.Rat {
		r, ok := new(big.Rat).SetString(s)
		require.True(t, ok)
		return r
	}
	assert.EqualValues(t, 6, safety.WholeUnits(rat("300"), rat("44")), "C-3: 300 mg, 44 mg each")
	assert.EqualValues(t, 11, safety.WholeUnits(rat("200"), rat("18")), "C-5: adrenaline 0.2 mg, 18 ug each")
	assert.EqualValues(t, 13, safety.WholeUnits(rat("480"), rat("36")), "C-5: 150 lb × 3.2 mg/lb")
	assert.EqualValues(t, 8, safety.WholeUnits(rat("300"), rat("36")), "C-5: 300 mg")
	assert.EqualValues(t, 3, safety.WholeUnits(rat("140"), rat("36")), "C-9: 3.88 exact")
	assert.Equal(t, "7.0", safety.MaxVolume(rat("141"), rat("2")), "C-6: 7.05 mL")
	assert.Equal(t, "12.2", safety.MaxVolume(rat("490"), rat("4")), "C-15: 12.25 mL")
}

// Figures are exact: no floating point in the package.
func TestNoFloatingPoint(t *testing.T) {
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		require.NoError(t, err)
		ast.Inspect(file, func(n ast.Node) bool {
			switch v := n.(type) {
			case *ast.Ident:
				assert.NotContains(t, []string{"float64", "float32", "Float64", "Float32"}, v.Name)
			case *ast.BasicLit:
				assert.NotEqual(t, token.FLOAT, v.Kind, v.Value)
			}
			return true
		})
	}
}
