// Package hazards holds the hazard log to the tests that it names: that they
// are there, and that the gate runs them. It has tests only.
package hazards

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/proof"
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
	rows, err := proof.Table(text, columns...)
	if err != nil {
		return nil, err
	}
	for _, cells := range rows {
		n, err := strconv.Atoi(cells[0])
		if err != nil {
			return nil, err
		}
		out = append(out, line{n, cells[1], cells[2], cells[3], cells[4], cells[5]})
	}
	return out, nil
}

// missing names the proofs of the log that the tree does not run.
func missing(log []line, runs map[proof.Proof]string) (out []string) {
	for _, l := range log {
		named, err := proof.Parse(l.proved)
		if err != nil {
			out = append(out, fmt.Sprintf("line %d: %v", l.number, err))
		}
		for _, p := range named {
			if _, is := runs[p]; !is {
				out = append(out, fmt.Sprintf("line %d: the %s %s is not there, or is not run", l.number, p.Kind, p.Name))
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
	runs, err := proof.Running(t.Context(), root)
	require.NoError(t, err)
	for i, l := range log {
		assert.Equal(t, i+1, l.number, "lines are numbered one after another")
		assert.Contains(t, []string{"severe", "serious", "moderate"}, l.severity, "line %d", l.number)
	}
	assert.Empty(t, missing(log, runs))
}

// Whatever named proof is taken away, the log is missed one.
func TestHazardLogMissesEachProof(t *testing.T) {
	log := hazardLog(t)
	runs, err := proof.Running(t.Context(), root)
	require.NoError(t, err)
	named := map[proof.Proof]bool{}
	for _, l := range log {
		all, err := proof.Parse(l.proved)
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
	_, err = readLog("| 1 | hazard |  | severe | control | `TestHazardLog` |")
	assert.Error(t, err, "a line without a cause")
}
