package engine

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// Expressions of SNOMED CT by the Compositional Grammar
// (github.com/IHTSDO/SNOMEDCT-Languages, normative syntax). The first is that of
// R4's own example Observation-bmd; the identifiers of the others are of the table
// of terminology, and their sense is none.
func TestExpressionsOfSNOMEDCT(t *testing.T) {
	const a, b, c = "183668008", "272741003", "265698006"
	for s, want := range map[string]bool{
		"71341001:272741003=7771000":                              true,
		"=== " + a + " |Total avulsion| + " + c:                   true,
		"<<<" + a:                                                 true,
		a + ":" + b + "=" + c + "," + b + "=" + a:                 true,
		a + " : { " + b + " = " + c + " } { " + b + "=" + a + "}": true,
		a + ":" + b + "=" + c + ",{" + b + "=" + a + "}":          true,
		a + ":{" + b + "=" + c + "},{" + b + "=" + a + "}":        true,
		a + ":" + b + "=(" + c + ":" + b + "=" + a + ")":          true,
		a + ":" + b + "=#12.5," + b + "=#-3":                      true,
		a + ":" + b + `="left \"great\" toe"`:                     true,
		a + ":" + b + "=TRUE":                                     true,

		"71341001:272741003=7771001":       false, // check digit of the value
		"71341001:272741013=7771000":       false, // and of the attribute
		a + ":" + b + "=" + "11000124108x": false,
		a + ":":                            false,
		a + ":" + b:                        false,
		a + ":" + b + "=":                  false,
		a + ":" + b + "=" + c + ",":        false,
		a + ":{" + b + "=" + c:             false,
		a + ":" + b + "=(" + c:             false,
		a + "+":                            false,
		a + "||":                           false,
		a + "|open":                        false,
		a + " " + c:                        false,
		a + ":" + b + "=#01":               false,
		a + ":" + b + "=#1.":               false,
		a + ":" + b + `=""`:                false,
		a + ":" + b + `="a\b"`:             false,
		a + ":" + b + `="open`:             false,
		"":                                 false,
		strings.Repeat(a+":"+b+"=(", 2000) + a + strings.Repeat(")", 2000): false,
	} {
		assert.Equal(t, want, sctExpression(s), "%.60s", s)
	}
}

// The check digits of LOINC answers and parts are those of the official examples
// and definitions of R4; the wrong ones are one digit or one transposition away
// (LOINC Users' Guide 12 C).
func TestCheckDigitsOfLOINC(t *testing.T) {
	for code, want := range map[string]bool{
		"LA6683-2": true, "LA32-8": true, "LA27976-2": true, "LP173421-1": true, "LL379-9": true,
		"LA6683-3": false, "LA6638-2": false, "LA27967-2": false, "LP173421-2": false, "LA-2": false, "LA6683": false, "LAx-1": false,
		"11491-6": true, // one of those that the guide lists with the digit that they were given
		"11491-7": false,
		"LG123-9": true, // the guide has no rule for groups
	} {
		assert.Equal(t, want, loincCode(code), code)
	}
}
