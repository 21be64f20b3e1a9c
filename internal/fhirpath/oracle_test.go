package fhirpath

import (
	"bufio"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"nailbridge/conformance/oracles/npm"
	"nailbridge/internal/spec"
)

// startJS runs fhirpath.js; ask gives its results of expressions on a
// resource.
func startJS(t *testing.T) (ask func(e example, expressions []string) []string) {
	t.Helper()
	script, err := filepath.Abs(filepath.Join("testdata", "fhirpathjs.cjs"))
	require.NoError(t, err)
	dir := npm.Folder(t)
	cmd := exec.Command("node", script)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "NODE_PATH="+filepath.Join(dir, "node_modules"))
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	stdout, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		_ = in.Close()
		_ = cmd.Wait()
	})
	lines := bufio.NewReader(stdout)
	return func(e example, expressions []string) []string {
		require.NoError(t, json.NewEncoder(in).Encode(map[string]any{"resource": json.RawMessage(e.raw), "expressions": expressions}))
		line, err := lines.ReadBytes('\n')
		require.NoError(t, err)
		var raw []json.RawMessage
		require.NoError(t, json.Unmarshal(line, &raw))
		out := make([]string, len(raw))
		for i, r := range raw {
			var items []string
			if json.Unmarshal(r, &items) != nil {
				out[i] = "error " + string(r)
				continue
			}
			out[i] = strings.Join(items, " ")
		}
		return out
	}
}

// TestOracleFHIRPathJS compares as TestDifferential does, with fhirpath.js; the
// invariants that differ stand in testdata/differences-js.tsv.
func TestOracleFHIRPathJS(t *testing.T) {
	ask := startJS(t)
	known := readDifferences(t, "differences-js.tsv")
	used := map[string]int{}
	programs := map[string]*Program{}
	first, err := Compile("$this", Options{})
	require.NoError(t, err)
	env := &Env{Now: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)}
	compared := 0
	eachExample(t, func(e example) {
		m := first.start(env, Node(e.tree, spec.None))
		places := invariantsOf(m, e.tree)
		m.stop()
		sources := make([]string, len(places))
		for i, place := range places {
			sources[i] = place.expression()
		}
		for i, other := range ask(e, sources) {
			if programs[sources[i]] == nil {
				p, err := Compile(sources[i], Options{AsFilters: true})
				require.NoError(t, err)
				programs[sources[i]] = p
			}
			compared++
			ours := show(programs[sources[i]], env, e.tree)
			if ours == other {
				continue
			}
			key := places[i].listedAs(known)
			used[key]++
			if _, listed := known[key]; !listed && used[key] < 4 {
				t.Errorf("%s %s at %s\nours:   %s\ntheirs: %s\n%s", e.name, key, places[i].path, ours, other, places[i].inv.Expression)
			}
		}
	})
	t.Logf("%d results compared with fhirpath.js %s", compared, npm.Version("fhirpath"))
	for key, why := range known {
		if used[key] == 0 {
			t.Errorf("no result of %s differs: take it off testdata/differences-js.tsv", key)
		} else {
			t.Logf("differs: %s %d times: %s", key, used[key], why)
		}
	}
}
