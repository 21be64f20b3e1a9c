// Package requirements holds the table of requirements to the tests that it
// names: that they are there, that the gate runs them, and that they say which
// row they show. It has tests only.
package requirements

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

	"nailbridge/conformance/proof"
)

// root is the top of the tree.
var root = filepath.Join("..", "..")

// row is one line of the table.
type row struct{ id, asks, state, shown, missing string }

// The states of a row.
const (
	shown  = "shown"
	partly = "partly"
	open   = "open"
)

// none stands where a column has nothing to say.
const none = "–"

// table reads the table of requirements.
func table(text string) (out []row, err error) {
	cells, err := proof.Table(text, "row", "asks", "state", "shown by", "missing")
	for _, c := range cells {
		out = append(out, row{c[0], c[1], c[2], c[3], c[4]})
	}
	return out, err
}

// fits reports a row whose columns say what its state says.
func (r row) fits() bool {
	return map[string]bool{
		shown:  r.shown != none && r.missing == none,
		partly: r.shown != none && r.missing != none,
		open:   r.shown == none && r.missing != none,
	}[r.state]
}

var idPattern = regexp.MustCompile(`\bR-[A-Z]+-[0-9]{2}\b`)

// cited are the rows that each proof names.
func cited(t *testing.T) map[proof.Proof][]string {
	t.Helper()
	runs, err := proof.Running(t.Context(), root)
	require.NoError(t, err)
	out := map[proof.Proof][]string{}
	for p, text := range runs {
		out[p] = idPattern.FindAllString(text, -1)
	}
	return out
}

// missed says what of the table does not hold: proofs that are not there, are
// not run or do not name their row, and open rows that a test names.
func missed(rows []row, runs map[proof.Proof][]string) (out []string) {
	open := map[string]bool{}
	for _, r := range rows {
		switch {
		case !r.fits():
			out = append(out, fmt.Sprintf("%s: the columns do not fit %q", r.id, r.state))
			continue
		case r.shown == none:
			open[r.id] = true
			continue
		}
		named, err := proof.Parse(r.shown)
		if err != nil {
			out = append(out, fmt.Sprintf("%s: %v", r.id, err))
		}
		for _, p := range named {
			cites, is := runs[p]
			switch {
			case !is:
				out = append(out, fmt.Sprintf("%s: the %s %s is not there, or is not run", r.id, p.Kind, p.Name))
			case !slices.Contains(cites, r.id):
				out = append(out, fmt.Sprintf("%s: the %s %s does not name it", r.id, p.Kind, p.Name))
			}
		}
	}
	for p, cites := range runs {
		for _, id := range cites {
			if open[id] {
				out = append(out, fmt.Sprintf("%s is open, and the %s %s names it", id, p.Kind, p.Name))
			}
		}
	}
	return out
}

func requirements(t *testing.T) []row {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, "conformance", "REQUIREMENTS.md"))
	require.NoError(t, err)
	rows, err := table(string(text))
	require.NoError(t, err)
	return rows
}

// inForce are the ids of the rows that count.
func inForce(t *testing.T) (out []string) {
	t.Helper()
	text, err := os.ReadFile("in-force.txt")
	require.NoError(t, err)
	for l := range strings.Lines(string(text)) {
		if !strings.HasPrefix(l, "#") {
			out = append(out, strings.TrimSpace(l))
		}
	}
	return out
}

// Every row in force has its line, in the order of the list, and each line holds.
// Rows that nothing shows yet, or not the whole of, are printed.
func TestRequirements(t *testing.T) {
	rows, force := requirements(t), inForce(t)
	require.Greater(t, len(force), 100)
	var ids []string
	lacking := map[string][]string{}
	for _, r := range rows {
		ids = append(ids, r.id)
		lacking[r.state] = append(lacking[r.state], r.id+" ("+r.missing+")")
	}
	assert.Equal(t, force, ids)
	unique := slices.Compact(slices.Sorted(slices.Values(force)))
	assert.Len(t, unique, len(force), "each once")
	assert.Empty(t, missed(rows, cited(t)))
	t.Logf("of %d rows in force %d have no test yet: %s", len(rows), len(lacking[open]), strings.Join(lacking[open], "; "))
	t.Logf("%d are shown in part: %s", len(lacking[partly]), strings.Join(lacking[partly], "; "))
}

// Whatever a line names is missed when it is taken away, and when it does not
// name the row; an open row is missed once a test names it.
func TestRequirementsMissEachProof(t *testing.T) {
	rows, runs := requirements(t), cited(t)
	for _, r := range rows {
		if r.shown == none {
			with := maps.Clone(runs)
			with[proof.Proof{Kind: proof.Test, Name: "TestOfNow"}] = []string{r.id}
			assert.NotEmpty(t, missed([]row{r}, with), r.id)
			continue
		}
		named, err := proof.Parse(r.shown)
		require.NoError(t, err, r.id)
		for _, p := range named {
			cites := runs[p]
			delete(runs, p)
			assert.NotEmpty(t, missed([]row{r}, runs), "%s without %v", r.id, p)
			runs[p] = slices.DeleteFunc(slices.Clone(cites), func(id string) bool { return id == r.id })
			assert.NotEmpty(t, missed([]row{r}, runs), "%s not named by %v", r.id, p)
			runs[p] = cites
		}
	}
	for _, wrong := range []row{
		{"R-X-01", "a", shown, none, none}, {"R-X-01", "a", open, none, none}, {"R-X-01", "a", partly, "`TestRequirements`", none},
		{"R-X-01", "a", shown, "`TestRequirements`", "much"}, {"R-X-01", "a", "done", "`TestRequirements`", none},
		{"R-X-01", "a", shown, "tests", none}, {"R-X-01", "a", shown, "`TestThatNobodyWrote`", none},
	} {
		assert.NotEmpty(t, missed([]row{wrong}, runs), wrong)
	}
	_, err := table("| R-X-01 | | shown | `TestRequirements` | – |")
	assert.Error(t, err, "a line that asks nothing")
}

// Each of the twenty questions that the reference leaves open has one answer,
// and tests that are there and run.
func TestOpenDecisions(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "conformance", "OPEN-DECISIONS.md"))
	require.NoError(t, err)
	rows, err := proof.Table(string(text), "#", "question", "decided", "state", "shown by")
	require.NoError(t, err)
	require.Len(t, rows, 20)
	runs := cited(t)
	for i, r := range rows {
		assert.Equal(t, strconv.Itoa(i+1), r[0])
		assert.Contains(t, []string{"held", "to come", "not offered"}, r[3], r[0])
		named, err := proof.Parse(r[4])
		require.NoError(t, err, r[0])
		for _, p := range named {
			assert.Contains(t, runs, p, r[0])
		}
	}
}
