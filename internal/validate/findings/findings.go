// Package findings writes the issues of a validation: as OperationOutcome (R4
// operationoutcome.html), as text, and as JUnit XML.
package findings

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"strings"

	"nailbridge/internal/junit"
	"nailbridge/internal/validate/engine"
)

// specification is where the sections of issues stand.
const specification = "http://hl7.org/fhir/R4/"

// Result is what was found in one input.
type Result struct {
	Name   string // of the input: "file.json", "lines.ndjson:3"
	Issues []engine.Issue
}

type coding struct {
	System string `json:"system"`
	Code   string `json:"code"`
}

type details struct {
	Coding []coding `json:"coding"`
	Text   string   `json:"text"`
}

type issue struct {
	Severity    string   `json:"severity"`
	Code        string   `json:"code"`
	Details     *details `json:"details,omitempty"`
	Diagnostics string   `json:"diagnostics,omitempty"`
	Expression  []string `json:"expression,omitempty"`
}

// Keys is the code system of the keys: R4's invariants by their keys, and the
// rules that have none by ours.
const Keys = "https://nailbridge.example/fhir/CodeSystem/validation-rule"

// Outcome is the OperationOutcome of an input on one line. The text of an issue
// stands in details and holds no data. With data, diagnostics holds what the
// issue is about; without, the section of the standard, and a name that is a slip from
// that of an element.
func Outcome(issues []engine.Issue, data bool) []byte {
	out := struct {
		ResourceType string    `json:"resourceType"`
		Text         narrative `json:"text"`
		Issue        []issue   `json:"issue"`
	}{ResourceType: "OperationOutcome", Text: narrativeOf(issues)}
	for _, i := range issues {
		o := issue{Severity: i.Severity.String(), Code: i.Type, Details: &details{[]coding{{Keys, i.Key}}, i.Text}, Diagnostics: Section(i)}
		if i.Location != "" {
			o.Expression = []string{i.Location}
		}
		switch told := about(i, data); {
		case told != "" && o.Diagnostics != "":
			o.Diagnostics += ": " + told
		case told != "":
			o.Diagnostics = told
		}
		out.Issue = append(out.Issue, o)
	}
	if len(out.Issue) == 0 {
		out.Issue = []issue{{Severity: "information", Code: "informational", Diagnostics: "No issues found."}}
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(out); err != nil {
		panic(err) // texts alone, which marshal
	}
	return bytes.TrimRight(b.Bytes(), "\n")
}

// about is what an issue is about, as far as it may be told: without data (R-OO-09) that is a
// name that is a slip from an element's (R-DATA-08).
func about(i engine.Issue, data bool) string {
	if data || i.Slip {
		return i.Detail
	}
	return ""
}

type narrative struct {
	Status string `json:"status"`
	Div    string `json:"div"`
}

func narrativeOf(issues []engine.Issue) narrative {
	var b strings.Builder
	b.WriteString(`<div xmlns="http://www.w3.org/1999/xhtml">`)
	for _, i := range issues {
		b.WriteString("<p>" + html.EscapeString(line(i)) + "</p>")
	}
	if len(issues) == 0 {
		b.WriteString("<p>No issues found.</p>")
	}
	b.WriteString("</div>")
	return narrative{"generated", b.String()}
}

// Section is the address of the section of the standard, or of the profile, that
// an issue is against; empty for an input that could not be read.
func Section(i engine.Issue) string {
	if i.Section == "" || strings.Contains(i.Section, ":") {
		return i.Section
	}
	return specification + i.Section
}

func line(i engine.Issue) string {
	if i.Location == "" {
		return fmt.Sprintf("%s: %s: %s", i.Severity, i.Key, i.Text)
	}
	return fmt.Sprintf("%s: %s at %s: %s", i.Severity, i.Key, i.Location, i.Text)
}

// Text writes one line an issue, and one for an input without any.
func Text(w io.Writer, r Result) error {
	var b strings.Builder
	for _, i := range r.Issues {
		b.WriteString(r.Name + ": " + line(i))
		if i.Detail != "" {
			fmt.Fprintf(&b, " (%q)", i.Detail)
		}
		if s := Section(i); s != "" {
			b.WriteString(" [" + s + "]")
		}
		b.WriteByte('\n')
	}
	if len(r.Issues) == 0 {
		b.WriteString(r.Name + ": ok\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// JUnit writes all inputs as one test suite: an input is a test, which fails
// where it is invalid.
func JUnit(w io.Writer, results []Result) error {
	s := junit.Suite{Name: "FHIR R4 validation"}
	for _, r := range results {
		var b bytes.Buffer
		if err := Text(&b, r); err != nil {
			return err
		}
		c := junit.Case{Name: r.Name, Class: "validate"}
		if engine.Invalid(r.Issues) {
			c.Failure = &junit.Message{Short: first(r.Issues), Long: b.String()}
		} else {
			c.Out = b.String()
		}
		s.Cases = append(s.Cases, c)
	}
	return s.Write(w)
}

func first(issues []engine.Issue) string {
	for _, i := range issues {
		if i.Invalid() {
			return strings.TrimSuffix(i.Key+" at "+i.Location, " at ")
		}
	}
	return ""
}
