package findings_test

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
	"nailbridge/internal/validate/findings"
)

const wrong = `{"resourceType":"Patient","gender":"Grünwald","birthDate":"2021-02-30","toenail":1}`

// An element that there is not is named also where no data are told (R-DATA-08), but only
// where its name is a slip from one of R4's there: any other may be anything (R-OO-09).
func TestR_DATA_08_AnUnknownElementIsNamed(t *testing.T) {
	v := engine.New(defs.New())
	for name, told := range map[string]bool{
		"gendre": true, "birthdate": true, "_genders": true, "toenail": false, "johnsmith": false, "Grünwald": false, "toe nail": false,
	} {
		issues := v.Validate([]byte(`{"resourceType":"Patient","`+name+`":"x"}`), engine.Options{})
		out := findings.Outcome(issues, false)
		assert.Contains(t, string(out), `"element-unknown"`, name)
		assert.Equal(t, told, bytes.Contains(out, []byte(name)), name)
	}
}

// An OperationOutcome is a valid one itself (R4 operationoutcome.html), holds
// data only where asked, and says something of an input without issues too.
func TestOutcome(t *testing.T) {
	v := engine.New(defs.New())
	issues := v.Validate([]byte(wrong), engine.Options{})
	require.GreaterOrEqual(t, len(issues), 3)
	for _, data := range []bool{false, true} {
		out := findings.Outcome(issues, data)
		assert.Equal(t, data, bytes.Contains(out, []byte("Grünwald")))
		assert.False(t, engine.Invalid(v.Validate(out, engine.Options{})), "%s", out)
		assert.NotContains(t, string(out), "\n")
	}
	none := findings.Outcome(nil, true)
	assert.Empty(t, v.Validate(none, engine.Options{}))
	var o struct {
		Issue []struct{ Severity, Code string }
	}
	require.NoError(t, json.Unmarshal(none, &o))
	require.Len(t, o.Issue, 1)
	assert.Equal(t, "information", o.Issue[0].Severity)
}

// JUnit XML counts an invalid input as a failure and a valid one not.
func TestJUnit(t *testing.T) {
	v := engine.New(defs.New())
	var b bytes.Buffer
	require.NoError(t, findings.JUnit(&b, []findings.Result{
		{Name: "a.json", Issues: v.Validate([]byte(wrong), engine.Options{})}, {Name: "b.json"},
	}))
	var s struct {
		Tests    int `xml:"tests,attr"`
		Failures int `xml:"failures,attr"`
		Case     []struct {
			Failure *struct {
				Message string `xml:"message,attr"`
			} `xml:"failure"`
		} `xml:"testcase"`
	}
	require.NoError(t, xml.Unmarshal(b.Bytes(), &s))
	assert.Equal(t, 2, s.Tests)
	assert.Equal(t, 1, s.Failures)
	require.Len(t, s.Case, 2)
	assert.NotNil(t, s.Case[0].Failure)
	assert.Nil(t, s.Case[1].Failure)
}

// Text is one line an issue, with place, key and section.
func TestText(t *testing.T) {
	v := engine.New(defs.New())
	var b bytes.Buffer
	issues := v.Validate([]byte(wrong), engine.Options{})
	require.NoError(t, findings.Text(&b, findings.Result{Name: "a.json", Issues: issues}))
	assert.Equal(t, len(issues), strings.Count(b.String(), "\n"))
	assert.Contains(t, b.String(), "a.json: error: element-unknown at Patient: R4 has no such element here (\"toenail\")")
	assert.Contains(t, b.String(), "[http://hl7.org/fhir/R4/json.html]")
}
