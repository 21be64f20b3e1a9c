// Package hazards holds the hazard log to the tests that it names: that they
// are there, and that the gate runs them. It has tests only.
package hazards

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// root is the top of the tree.
var root = filepath.Join("..", "..")

// line is one line of the log.
type line struct {
	number                                   int
	hazard, cause, severity, control, proved string
}

var columns = []string{"#", "hazard", "cause", "severity", "control", "proved by"}

// readLog reads the table of the log.
func readLog(text string) (out []line, err error) {
	for row := range strings.Lines(text) {
		row = strings.TrimSpace(row)
		if !strings.HasPrefix(row, "|") || strings.HasPrefix(row, "|---") {
			continue
		}
		cells := strings.Split(strings.Trim(row, "|"), "|")
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		if slices.Equal(cells, columns) {
			continue
		}
		if len(cells) != len(columns) || slices.Contains(cells, "") {
			return nil, fmt.Errorf("a line that has not every column: %.60s", row)
		}
		n, err := strconv.Atoi(cells[0])
		if err != nil {
			return nil, err
		}
		out = append(out, line{n, cells[1], cells[2], cells[3], cells[4], cells[5]})
	}
	return out, nil
}

// proof is one test that a line names.
type proof struct{ kind, name string }

// The kinds of proof.
const (
	goTest   = "test"
	fact     = "fact" // a worked case of TestClinicalFacts, by the number of the clinical fact
	story    = "story"
	demoCase = "case" // of the invented clinic
	script   = "script"
)

var (
	proofPattern = regexp.MustCompile("^(?:(story|case) )?`([^`]+)`$|^(?:`TestClinicalFacts` )?(C-[0-9]+)$")
	testPattern  = regexp.MustCompile(`^(Test|Fuzz)[A-Z]`)
)

// proofs reads the last column, a list of names in which a list of numbers of
// facts follows their test.
func proofs(cell string) (out []proof, err error) {
	for item := range strings.SplitSeq(cell, ", ") {
		item, _, _ = strings.Cut(item, " (") // what of it, in words
		m := proofPattern.FindStringSubmatch(item)
		switch {
		case m == nil:
			return nil, fmt.Errorf("%q names no test", item)
		case m[3] != "":
			out = append(out, proof{goTest, "TestClinicalFacts"}, proof{fact, m[3]})
		case m[1] == story:
			out = append(out, proof{story, m[2]})
		case m[1] == demoCase:
			out = append(out, proof{goTest, "TestFactsOfTheDemoClinic"}, proof{demoCase, m[2]})
		case strings.HasPrefix(m[2], ".ci/"):
			out = append(out, proof{script, m[2]})
		case testPattern.MatchString(m[2]):
			out = append(out, proof{goTest, m[2]})
		default:
			return nil, fmt.Errorf("%q names no test", item)
		}
	}
	return out, nil
}

// missing names the proofs of the log that the tree does not run.
func missing(log []line, runs map[proof]bool) (out []string) {
	for _, l := range log {
		named, err := proofs(l.proved)
		if err != nil {
			out = append(out, fmt.Sprintf("line %d: %v", l.number, err))
		}
		for _, p := range named {
			if !runs[p] {
				out = append(out, fmt.Sprintf("line %d: the %s %s is not there, or is not run", l.number, p.kind, p.name))
			}
		}
	}
	return out
}

// least is how many lines the log has at least.
const least = 25

func hazardLog(t *testing.T) []line {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, "conformance", "HAZARDS.md"))
	require.NoError(t, err)
	log, err := readLog(string(text))
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(log), least)
	return log
}

// Each line of the log names its cause, its control, and tests that are there and
// run: a control that nothing verifies is a hope. Common practice, no source.
func TestHazardLog(t *testing.T) {
	log := hazardLog(t)
	for i, l := range log {
		assert.Equal(t, i+1, l.number, "lines are numbered one after another")
		assert.Contains(t, []string{"severe", "serious", "moderate"}, l.severity, "line %d", l.number)
	}
	assert.Empty(t, missing(log, running(t)))
}

// Whatever named proof is taken away, the log is missed one.
func TestHazardLogMissesEachProof(t *testing.T) {
	log, runs := hazardLog(t), running(t)
	named := map[proof]bool{}
	for _, l := range log {
		all, err := proofs(l.proved)
		require.NoError(t, err)
		for _, p := range all {
			named[p] = true
		}
	}
	require.Greater(t, len(named), 2*least)
	for p := range named {
		rest := maps.Clone(runs)
		delete(rest, p)
		assert.NotEmpty(t, missing(log, rest), "%v", p)
	}
	for _, wrong := range []string{"`TestThatNobodyWrote`", "`mapping/safety` tests", "C-99", "story `none`", "case `none`", "`.ci/none`", "README"} {
		assert.NotEmpty(t, missing([]line{{proved: wrong}}, runs), wrong)
	}
	_, err := readLog("| 1 | hazard |  | severe | control | `TestHazardLog` |")
	assert.Error(t, err, "a line without a cause")
}
