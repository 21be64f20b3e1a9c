package suite

import (
	"encoding/json"
	"encoding/xml"
	"fmt"
	"io"
	"strings"
)

// Write writes the report in a form: text, json, junit or testreport.
func (r Report) Write(w io.Writer, form string) error {
	switch form {
	case "json":
		e := json.NewEncoder(w)
		e.SetEscapeHTML(false)
		e.SetIndent("", " ")
		return e.Encode(r)
	case "junit":
		return r.junit(w)
	case "testreport":
		return r.testReport(w)
	default:
		_, err := io.WriteString(w, r.text())
		return err
	}
}

// text is one line for each requirement, then the totals.
func (r Report) text() string {
	var b strings.Builder
	for _, x := range append(append([]Result(nil), r.Rows...), r.Rules...) {
		fmt.Fprintf(&b, "%s\t%s\t%s\t%s\t%s\n", x.ID, x.Level, x.Section, x.Result, x.line())
	}
	t := r.Totals
	fmt.Fprintf(&b, "\n%d requirements: %d passed, %d failed, %d observed elsewhere, %d not in force.\n%d further rules: %d passed, %d failed.\n",
		t.Rows, t.Passed, t.Failed, t.Elsewhere, t.NotInForce, t.RulesPassed+t.RulesFailed, t.RulesPassed, t.RulesFailed)
	for _, l := range r.Untried {
		fmt.Fprintf(&b, "what needs records failed: %s\n", l)
	}
	for _, l := range r.Left {
		fmt.Fprintf(&b, "left behind: %s\n", l)
	}
	return b.String()
}

// line is why a result is what it is, with the exchange that tells it best.
func (x Result) line() string {
	if x.Reason != "" {
		return x.Reason
	}
	said := x.Saw
	if x.Result == Failed {
		said = x.Faults
	}
	out := strings.Join(said, "; ")
	if x.Known != "" {
		out += " (known: " + x.Known + ")"
	}
	if n := len(x.Evidence); n > 0 {
		e := x.Evidence[n-1]
		out += " [" + e.Request + " -> " + e.Answer + "]"
	}
	return out
}

type junitSuite struct {
	XMLName  xml.Name    `xml:"testsuite"`
	Name     string      `xml:"name,attr"`
	Tests    int         `xml:"tests,attr"`
	Failures int         `xml:"failures,attr"`
	Skipped  int         `xml:"skipped,attr"`
	Cases    []junitCase `xml:"testcase"`
}

type junitCase struct {
	Name    string        `xml:"name,attr"`
	Class   string        `xml:"classname,attr"`
	Failure *junitMessage `xml:"failure,omitempty"`
	Skipped *junitMessage `xml:"skipped,omitempty"`
	Out     string        `xml:"system-out,omitempty"`
}

type junitMessage struct {
	Message string `xml:"message,attr"`
}

// junit writes the report as one suite of JUnit: a row is a test, and one that was
// not tried from here is skipped.
func (r Report) junit(w io.Writer) error {
	s := junitSuite{Name: "conformance of " + r.Target}
	for _, x := range append(append([]Result(nil), r.Rows...), r.Rules...) {
		c := junitCase{Name: x.ID, Class: "conformance"}
		switch x.Result {
		case Passed:
			c.Out = x.line()
		case Failed:
			s.Failures++
			c.Failure = &junitMessage{x.line()}
		default:
			s.Skipped++
			c.Skipped = &junitMessage{x.Result + ": " + x.Reason}
		}
		s.Cases = append(s.Cases, c)
	}
	s.Tests = len(s.Cases)
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return err
	}
	e := xml.NewEncoder(w)
	e.Indent("", " ")
	if err := e.Encode(s); err != nil {
		return err
	}
	_, err := io.WriteString(w, "\n")
	return err
}

// testReport writes the report as a TestReport of R4: a test for each row, with one
// assertion.
func (r Report) testReport(w io.Writer) error {
	outcome := "pass"
	if !r.OK() {
		outcome = "fail"
	}
	var tests []any
	for _, x := range append(append([]Result(nil), r.Rows...), r.Rules...) {
		result, message := "skip", x.Result+": "+x.Reason
		switch x.Result {
		case Passed:
			result, message = "pass", x.line()
		case Failed:
			result, message = "fail", x.line()
		}
		t := map[string]any{
			"name":   x.ID,
			"action": []any{map[string]any{"assert": map[string]any{"result": result, "message": message}}},
		}
		if x.Asks != "" {
			t["description"] = x.Asks
		}
		tests = append(tests, t)
	}
	t := r.Totals
	score := json.Number(fmt.Sprintf("%.1f", 100*float64(t.Passed)/float64(max(1, t.Passed+t.Failed))))
	report := map[string]any{
		"resourceType": "TestReport",
		"text": map[string]any{"status": "generated", "div": fmt.Sprintf(`<div xmlns="http://www.w3.org/1999/xhtml"><p>%d requirements: %d passed, %d failed, %d observed elsewhere, %d not in force</p></div>`,
			t.Rows, t.Passed, t.Failed, t.Elsewhere, t.NotInForce)},
		"name": "Requirements in force", "status": "completed", "result": outcome, "score": score, "issued": r.At, "tester": "conformance",
		"testScript":  map[string]any{"display": "The requirements for a FHIR server, and rules of the receiving side"},
		"participant": []any{map[string]any{"type": "server", "uri": r.Target}, map[string]any{"type": "test-engine", "uri": "urn:nailbridge:conformance"}},
		"test":        tests,
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(report)
}
