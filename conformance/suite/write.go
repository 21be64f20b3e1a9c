package suite

import (
	"encoding/json"
	"fmt"
	"html"
	"io"
	"slices"
	"strings"

	"nailbridge/internal/junit"
)

// Write writes the report in a form: text, json, junit, testreport or html.
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
	case "html":
		return r.html(w)
	default:
		_, err := io.WriteString(w, r.text())
		return err
	}
}

// results are those of rows and rules.
func (r Report) results() []Result { return slices.Concat(r.Rows, r.Rules) }

// text is one line for each requirement, then the totals.
func (r Report) text() string {
	var b strings.Builder
	for _, x := range r.results() {
		fmt.Fprintf(&b, "%s\t%s\t%s\t%s\t%s\n", x.ID, x.Level, x.Section, x.Result, x.line())
	}
	return b.String() + "\n" + r.Summary()
}

// Summary is the totals, and what kept the run from being whole.
func (r Report) Summary() string {
	t := r.Totals
	var b strings.Builder
	fmt.Fprintf(&b, "%s.\n%d further rules: %d passed, %d failed.\n", t.rows(), t.RulesPassed+t.RulesFailed, t.RulesPassed, t.RulesFailed)
	if r.Quick {
		b.WriteString("What rows name large numbers of was tried in small.\n")
	}
	for _, l := range r.notWhole() {
		b.WriteString(l + "\n")
	}
	return b.String()
}

// notWhole is what kept the run from being whole, a line each.
func (r Report) notWhole() (out []string) {
	if r.Ended != "" {
		out = append(out, r.Ended)
	}
	for _, l := range r.Untried {
		out = append(out, "what needs records of the suite failed: "+l)
	}
	for _, l := range r.Left {
		out = append(out, "left behind: "+l)
	}
	return out
}

// rows counts the requirements in words.
func (t Totals) rows() string {
	return fmt.Sprintf("%d requirements: %d passed, %d failed, %d observed elsewhere, %d not in force", t.Rows, t.Passed, t.Failed, t.Elsewhere, t.NotInForce)
}

// line is why a result is what it is, with the exchange that tells it best.
func (x Result) line() string {
	out := strings.Join(x.Said(), "; ")
	if x.Known != "" {
		out += " (known: " + x.Known + ")"
	}
	if n := len(x.Evidence); n > 0 {
		e := x.Evidence[n-1]
		out += " [" + e.Request + " -> " + e.Answer + "]"
	}
	return out
}

// junit writes the report as one suite of JUnit: a row is a test, and one that was
// not tried from here is skipped.
func (r Report) junit(w io.Writer) error {
	s := junit.Suite{Name: "conformance of " + r.Target, At: r.At, Err: strings.Join(r.notWhole(), "\n")}
	for _, x := range r.results() {
		c := junit.Case{Name: x.ID, Class: "conformance", Seconds: x.Seconds}
		switch x.Result {
		case Passed:
			c.Out = x.line()
		case Failed:
			c.Failure = &junit.Message{Short: x.line()}
		default:
			c.Skipped = &junit.Message{Short: x.Result + ": " + x.line()}
		}
		s.Cases = append(s.Cases, c)
	}
	return s.Write(w)
}

// testReport writes the report as a TestReport of R4: a test for each row, with one
// assertion.
func (r Report) testReport(w io.Writer) error {
	outcome, status := "pass", "completed"
	if !r.OK() {
		outcome = "fail"
	}
	if r.Ended != "" {
		status = "stopped"
	}
	var tests []any
	for _, x := range r.results() {
		result, message := "skip", x.Result+": "+x.line()
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
	said := "<p>" + r.Totals.rows() + "</p>"
	for _, l := range r.notWhole() {
		said += "<p>" + html.EscapeString(l) + "</p>"
	}
	t := r.Totals
	score := json.Number(fmt.Sprintf("%.1f", 100*float64(t.Passed)/float64(max(1, t.Passed+t.Failed))))
	report := map[string]any{
		"resourceType": "TestReport",
		"text":         map[string]any{"status": "generated", "div": `<div xmlns="http://www.w3.org/1999/xhtml">` + said + `</div>`},
		"name":         "Requirements in force", "status": status, "result": outcome, "score": score, "issued": r.At, "tester": "conformance",
		"testScript":  map[string]any{"display": "The requirements for a FHIR server, and rules of the receiving side"},
		"participant": []any{map[string]any{"type": "server", "uri": r.Target}, map[string]any{"type": "test-engine", "uri": "urn:nailbridge:conformance"}},
		"test":        tests,
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(report)
}
