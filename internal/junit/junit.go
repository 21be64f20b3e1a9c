// Package junit writes results in the form that build servers read of JUnit.
package junit

import (
	"encoding/xml"
	"io"
	"math"
)

// Suite is a suite of tests. Write counts them.
type Suite struct {
	XMLName  xml.Name `xml:"testsuite"`
	Name     string   `xml:"name,attr"`
	Tests    int      `xml:"tests,attr"`
	Failures int      `xml:"failures,attr"`
	Skipped  int      `xml:"skipped,attr"`
	At       string   `xml:"timestamp,attr,omitempty"` // when it began
	Seconds  float64  `xml:"time,attr,omitempty"`      // of all cases
	Cases    []Case   `xml:"testcase"`
	Err      string   `xml:"system-err,omitempty"` // what is to be said of all of it
}

// Case is a test, which passed where it neither failed nor was skipped.
type Case struct {
	Name    string   `xml:"name,attr"`
	Class   string   `xml:"classname,attr"`
	Seconds float64  `xml:"time,attr,omitempty"` // that it took
	Failure *Message `xml:"failure,omitempty"`
	Skipped *Message `xml:"skipped,omitempty"`
	Out     string   `xml:"system-out,omitempty"`
}

// Message is why a test failed or was skipped: in short, and at length.
type Message struct {
	Short string `xml:"message,attr"`
	Long  string `xml:",chardata"`
}

// Write writes a suite as a document.
func (s Suite) Write(w io.Writer) error {
	s.Tests, s.Failures, s.Skipped, s.Seconds = len(s.Cases), 0, 0, 0
	for _, c := range s.Cases {
		s.Seconds += c.Seconds
		if c.Failure != nil {
			s.Failures++
		}
		if c.Skipped != nil {
			s.Skipped++
		}
	}
	s.Seconds = math.Round(s.Seconds*1000) / 1000
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return err
	}
	e := xml.NewEncoder(w)
	e.Indent("", "  ")
	if err := e.Encode(s); err != nil {
		return err
	}
	_, err := io.WriteString(w, "\n")
	return err
}
