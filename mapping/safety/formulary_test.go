package safety_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"math/big"
	"path/filepath"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
	"nailbridge/mapping/safety"
	"nailbridge/mapping/safety/safetytest"
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
		for what, said := range map[string]string{"jurisdiction": f.Jurisdiction, "route": f.Route, "population": f.Population, "where it was read": f.ReadIn, "date or why there is none": f.Date + f.DateNote} {
			assert.NotEmpty(t, said, "%s: %s", name, what)
		}
		assert.Empty(t, f.ApprovedBy, name)
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

const whole = `{"name":"clinic","title":"T","issuer":"I","kind":"local","date":"2026-02-01","approvedBy":"A. Quill, lead podiatrist","weightCapKg":"70","entries":[
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
		"no entries":               `{"name":"clinic","title":"T","issuer":"I","kind":"local","date":"2026","approvedBy":"A","entries":[]}`,
		"adrenaline without limit": change(`"ug":"200",`, ``),
		"no date":                  change(`"date":"2026-02-01",`, ``),
		"no such date":             change(`"2026-02-01"`, `"2026-02-30"`),
		"nobody approved it":       change(`"A. Quill, lead podiatrist"`, `""`),
		"country not of two":       change(`"kind":"local"`, `"kind":"local","jurisdiction":"Eire"`),
		"hours out of range":       change(`"mgPerKg":"3"`, `"mgPerKg":"3","withinHours":25`),
		"hours of a day's total":   change(`"mgPerKg":"3"`, `"per24hMg":"300","withinHours":4`),
		"interval of nothing":      change(`"mgPerKg":"3"`, `"mgPerKg":"3","intervalMinutes":0`),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := safety.Parse([]byte(file))
			assert.Error(t, err)
		})
	}
}

// The schema refuses what Parse refuses, but for what it cannot say, and takes
// what Parse takes.
func TestFormularySchemaAgreesWithParse(t *testing.T) {
	schema := compiled(t)
	require.NoError(t, schema.Validate(tree(t, whole)), "the clinic's own set")
	change := func(old, new string) string {
		require.Contains(t, whole, old)
		return strings.Replace(whole, old, new, 1)
	}
	beyond := map[string]string{
		"ages reversed": change(`"toYears":18`, `"toYears":12`), "ages overlap": change(`"toYears":18`, `"toYears":19`),
		"no such day": change(`"2026-02-01"`, `"2026-02-30"`),
	}
	for name, file := range beyond {
		_, err := safety.Parse([]byte(file))
		assert.Error(t, err, name)
		assert.NoError(t, schema.Validate(tree(t, file)), "%s: the description of the schema says that Parse checks it besides", name)
	}
	for name, file := range map[string]string{
		"unknown member": change(`"title":"T"`, `"title":"T","colour":"red"`), "no title": change(`"title":"T",`, ``),
		"blank title": change(`"title":"T"`, `"title":" "`), "agent not listed": change(`"agent":"lidocaine"`, `"agent":"lignocaine"`),
		"figure is a number": change(`"mgPerKg":"3"`, `"mgPerKg":3`), "figure is zero": change(`"mgPerKg":"3"`, `"mgPerKg":"0.0"`),
		"tag not listed": change(`"tag":"local"`, `"tag":"via"`), "no date": change(`"date":"2026-02-01",`, ``), "nobody approved it": change(`"approvedBy":"A. Quill, lead podiatrist",`, ``),
		"no figure": change(`"mgPerKg":"3",`, ``), "hours of a day's total": change(`"mgPerKg":"3"`, `"per24hMg":"300","withinHours":4`),
		"interval of nothing": change(`"mgPerKg":"3"`, `"mgPerKg":"3","intervalMinutes":0`), "truth value as text": change(`"vasoconstrictor":false`, `"vasoconstrictor":"no"`),
	} {
		_, err := safety.Parse([]byte(file))
		assert.Error(t, err, name)
		assert.Error(t, schema.Validate(tree(t, file)), name)
	}
	for _, a := range record.AnaestheticSet.Values {
		file := strings.ReplaceAll(whole, `"agent":"lidocaine"`, `"agent":"`+string(a.Code)+`"`)
		assert.NoError(t, schema.Validate(tree(t, file)), "%s is an agent of the schema", a.Code)
	}
}

// Every figure of a clinic's own set, and every flag, shows its date and who
// approved it; one of the product needs neither.
func TestOwnSetIsShownWithItsApproval(t *testing.T) {
	f, err := safety.Parse([]byte(whole))
	require.NoError(t, err)
	in := input("", dose("lidocaine", "2", "10.01", "none", begin))
	in.Formulary = f
	r := safety.Dose(in)
	flag := flagOf(r, safety.DoseOverLimit)
	require.NotNil(t, flag)
	assert.Contains(t, flag.Text, "set T (of 2026-02-01, approved by A. Quill, lead podiatrist)")
	compared := 0
	for _, x := range r.Figures {
		if x.Set != "" {
			compared++
			assert.Equal(t, "of 2026-02-01, approved by A. Quill, lead podiatrist", x.Approval, x.Code)
		}
	}
	assert.Equal(t, 3, compared)
	in.Formulary = safetytest.Formulary("ie-smpc")
	for _, x := range safety.Dose(in).Figures {
		assert.Empty(t, x.Approval, x.Code)
	}
}

func compiled(t *testing.T) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	require.NoError(t, c.AddResource(safety.FormularySchemaID, tree(t, string(safety.FormularySchema()))))
	s, err := c.Compile(safety.FormularySchemaID)
	require.NoError(t, err)
	assert.Equal(t, 2020, s.DraftVersion)
	return s
}

func tree(t *testing.T, file string) any {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(file))
	require.NoError(t, err)
	return v
}

func TestParseReportsAllErrorsAtOnce(t *testing.T) {
	_, err := safety.Parse([]byte(strings.NewReplacer(`"title":"T"`, `"title":""`, `"mgPerKg":"3"`, `"mgPerKg":"x"`).Replace(whole)))
	assert.ErrorContains(t, err, "/title: ")
	assert.ErrorContains(t, err, "/entries/0/mgPerKg: ")
	_, err = safety.Parse([]byte(strings.NewReplacer(`"agent":"lidocaine"`, `"colour":"red"`, `"ug":"200"`, `"ug":200`, `"approvedBy"`, `"ApprovedBy"`).Replace(whole)))
	for _, place := range []string{"/entries/0/colour: ", "/entries/0/agent: ", "/entries/1/colour: ", "/adrenaline/ug: ", "/ApprovedBy: "} {
		assert.ErrorContains(t, err, place)
	}
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
