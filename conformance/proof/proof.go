// Package proof says what the gate runs: the tests, stories, worked cases and
// scripts that a log of the project may name as its proof. The logs themselves,
// of hazards and of requirements, are held to it by tests of their own rooms.
package proof

import (
	"fmt"
	"regexp"
	"strings"
)

// Proof is one thing that a line of a log names.
type Proof struct{ Kind, Name string }

// The kinds of proof.
const (
	Test   = "test"
	Fact   = "fact" // a worked case of TestClinicalFacts, by the number of the clinical fact
	Story  = "story"
	Case   = "case" // of the invented clinic
	Script = "script"
)

var (
	namePattern = regexp.MustCompile("^(?:(story|case) )?`([^`]+)`$|^(?:`TestClinicalFacts` )?(C-[0-9]+)$")
	testPattern = regexp.MustCompile(`^(Test|Fuzz)[A-Z]`)
)

// Parse reads a list of names, in which a list of numbers of facts follows their
// test. An error says which item names nothing; what stands before it is given.
func Parse(cell string) (out []Proof, err error) {
	for item := range strings.SplitSeq(cell, ", ") {
		item, _, _ = strings.Cut(item, " (") // what of it, in words
		m := namePattern.FindStringSubmatch(item)
		switch {
		case m == nil:
			return out, fmt.Errorf("%q names no test", item)
		case m[3] != "":
			out = append(out, Proof{Test, "TestClinicalFacts"}, Proof{Fact, m[3]})
		case m[1] == Story:
			out = append(out, Proof{Story, m[2]})
		case m[1] == Case:
			out = append(out, Proof{Test, "TestFactsOfTheDemoClinic"}, Proof{Case, m[2]})
		case strings.HasPrefix(m[2], ".ci/"):
			out = append(out, Proof{Script, m[2]})
		case testPattern.MatchString(m[2]):
			out = append(out, Proof{Test, m[2]})
		default:
			return out, fmt.Errorf("%q names no test", item)
		}
	}
	return out, nil
}

// Table reads the rows of a Markdown table with these columns, of a text that
// has no other. An error shows the beginning of the row that lacks one.
func Table(text string, columns ...string) (out [][]string, err error) {
	for row := range strings.Lines(text) {
		row = strings.TrimSpace(row)
		if !strings.HasPrefix(row, "|") || strings.HasPrefix(row, "|---") {
			continue
		}
		cells := strings.Split(strings.TrimSuffix(strings.TrimPrefix(row, "|"), "|"), "|")
		empty := false
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
			empty = empty || cells[i] == ""
		}
		if strings.Join(cells, "|") == strings.Join(columns, "|") {
			continue
		}
		if len(cells) != len(columns) || empty {
			return nil, fmt.Errorf("a line that has not every column: %.60s", row)
		}
		out = append(out, cells)
	}
	return out, nil
}
