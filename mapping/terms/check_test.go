package terms

import (
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// D7.4, R-TERM-01: the check digits are those of published codes; the wrong ones are
// one digit or one transposition away, which Verhoeff's scheme catches always and mod
// 10 for neighbours that differ by anything but 0 and 9.
func TestD7_4_CheckDigits(t *testing.T) {
	for _, c := range []struct {
		system, code string
		ok           bool
	}{
		{SNOMEDCT, "183668008", true}, // Total avulsion of nail plate
		{SNOMEDCT, "183668009", false},
		{SNOMEDCT, "183686008", false},
		{SNOMEDCT, "291000119100", true}, // long format, partition 10
		{SNOMEDCT, "18366800x", false},
		{SNOMEDCT, "", false},
		{SNOMEDCT, "7131001", false}, // a wrong id seen in public files (notes to the terminology table)
		{LOINC, "29463-7", true},     // Body weight
		{LOINC, "29463-8", false},
		{LOINC, "29436-7", false},
		{LOINC, "59284-0", true},
		{LOINC, "29463", false},
		{LOINC, "2946x-7", false},
		{LOINC, "-7", false},
		{LOINC, "LA6683-2", true}, // an answer; of R4's own examples
		{LOINC, "LA6683-3", false},
		{LOINC, "LALA6683-2", false},
		{HCPCS, "TA", true}, // no check digit
	} {
		err := CheckDigit(c.system, c.code)
		assert.Equal(t, c.ok, err == nil, "%s|%s", c.system, c.code)
	}
}

// R-TERM-01: every listed SNOMED CT code has the form of a concept's id: 6 to 18
// digits, of which the two before the check digit say so (SNOMED CT release file
// specification, SCTID). Ids of descriptions and relationships have other ones.
func TestR_TERM_01_OnlyConceptIDs(t *testing.T) {
	ts := MustLoad()
	listed := ts.evidence[SNOMEDCT]
	require.NotEmpty(t, listed)
	for code := range listed {
		assert.Regexp(t, `^[1-9][0-9]{2,14}[01]0[0-9]$`, code)
		assert.NoError(t, CheckDigit(SNOMEDCT, code))
	}
}

// D7.4, R-TERM-01, R-TERM-03: a coding leaves with a listed code and the display that
// the table has for it, and with no other.
func TestD7_4_Check(t *testing.T) {
	ts := MustLoad()
	for _, c := range []struct{ name, system, code, display, want string }{
		{"SNOMED CT", SNOMEDCT, "183668008", "Total avulsion of nail plate", ""},
		{"local", localSystem + "toe", "left-1", "Left hallux", ""},
		{"R4's own", "http://terminology.hl7.org/CodeSystem/observation-category", "exam", "Exam", ""},
		{"HCPCS", HCPCS, "TA", "Left foot, great toe", ""},
		{"unit", UCUM, "mg/kg", "", ""},
		{"unit with display", UCUM, "mg/kg", "milligram per kilogram", ""},
		{"unit with annotation", UCUM, "{score}", "", "not listed"},
		{"unit in the wrong case", UCUM, "ML", "", "not listed"},
		{"other display", SNOMEDCT, "183668008", "Total nail avulsion", "another display"},
		{"no display", SNOMEDCT, "183668008", "", "another display"},
		{"disorder of trauma", SNOMEDCT, "430903001", "Avulsion of toenail", "not listed"},
		{"toe seen in one source only", SNOMEDCT, "1285624003", "Structure of left second toe", "not listed"},
		{"code of memory", LOINC, "41979-6", "Calories burned", "not listed"},
		{"local code unknown", localSystem + "toe", "left-6", "Left sixth toe", "not listed"},
		{"local system unknown", localSystem + "hand", "left-1", "Left thumb", "no local code system"},
		{"system unknown", "http://example.org/codes", "a", "A", "no code system"},
		{"no system", "", "a", "A", "no code system"},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := ts.Check(c.system, c.code, c.display)
			if c.want == "" {
				assert.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, c.want)
			if c.display != "" {
				assert.NotContains(t, err.Error(), c.display, "the error names system and code only")
			}
		})
	}
}

// Each single fault put into the data is found while it loads.
func TestLoadRefusesFaults(t *testing.T) {
	for _, c := range []struct{ name, file, old, new, want string }{
		{"wrong check digit", "evidence/snomed", `"code":"183668008"`, `"code":"183668009"`, "wrong check digit"},
		{"no evidence", "evidence/hcpcs", `"evidence":"`, `"evidence":"","x":"`, "unknown field"},
		{"display of a target", "conceptmap/nail-procedure", `"Total avulsion of nail plate"`, `"Total nail avulsion"`, "another display"},
		{"display of a source", "conceptmap/nail-procedure", `"Partial nail avulsion"`, `"Partial avulsion"`, "another display"},
		{"target without evidence", "conceptmap/nail-procedure", `"183668008"`, `"430903001"`, "not listed"},
		{"disorder as a procedure", "conceptmap/nail-procedure",
			`"code": "183668008", "display": "Total avulsion of nail plate"`, `"code": "400200009", "display": "Ingrowing toenail"`, "may not stand in Procedure.code"},
		{"procedure as a condition", "conceptmap/wound-diagnosis",
			`"code": "70637004", "display": "Cellulitis of toe"`, `"code": "225395003", "display": "Wound assessment"`, "may not stand in Condition.code"},
		{"nail without side in bodySite is of the right tag, yet not the map's", "conceptmap/toe", `"sourceCanonical": "https://nailbridge.example/fhir/ValueSet/toe"`, `"sourceCanonical": "https://nailbridge.example/fhir/ValueSet/side"`, "sourceCanonical"},
		{"local code twice", "codesystem/side", `"right"`, `"left"`, "stands twice"},
		{"wrong count", "codesystem/side", `"count": 2`, `"count": 3`, "count"},
		{"wrong id", "codesystem/side", `"id": "side"`, `"id": "sides"`, "does not fit"},
		{"unknown member", "codesystem/side", `"count": 2`, `"count": 2, "note": "x"`, "unknown field"},
		{"element without local code", "elements", `record-kind#review`, `record-kind#reviews`, "no local code"},
		{"element with another display", "elements", `"display": "Body weight"`, `"display": "Weight"`, "another display"},
		{"use of a map that is not there", "uses", `"map": "toe"`, `"map": "toes"`, "no map"},
		{"extension id", "extension/plan-activity", `"id": "plan-activity"`, `"id": "activity"`, "does not fit"},
	} {
		t.Run(c.name, func(t *testing.T) {
			fsys := copyOf(t)
			path := "data/" + c.file + ".json"
			text := string(fsys[path].Data)
			require.Contains(t, text, c.old)
			fsys[path] = &fstest.MapFile{Data: []byte(strings.Replace(text, c.old, c.new, 1))}
			_, err := load(fsys)
			require.ErrorContains(t, err, c.want)
			assert.ErrorContains(t, err, c.file[strings.LastIndex(c.file, "/")+1:])
		})
	}
}

func copyOf(t *testing.T) fstest.MapFS {
	t.Helper()
	out := fstest.MapFS{}
	require.NoError(t, fs.WalkDir(files, "data", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(files, path)
		out[path] = &fstest.MapFile{Data: b}
		return err
	}))
	return out
}

// 430903001 is avulsion by trauma, a disorder; it stands nowhere in the data.
func TestD7_3_TraumaNever(t *testing.T) {
	for path, f := range copyOf(t) {
		assert.NotContains(t, string(f.Data), "430903001", path)
	}
}
