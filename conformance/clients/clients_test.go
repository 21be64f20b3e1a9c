package clients

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/oracles"
	"nailbridge/conformance/oracles/npm"
	"nailbridge/conformance/running"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
)

// demo is a running demo, and what its store says of it.
type demo struct {
	base    string              // of the hub
	plans   map[string]string   // status of the current care plans
	current map[string]string   // version ids of what is stored, by Type/id
	history map[string][]string // version ids of every version that can be read, newest first
	entries map[string]int      // of each type's history, deleted resources among them
}

// startDemo builds the bridge, serves the demo, and reads its data file beside it.
func startDemo(t *testing.T) demo {
	t.Helper()
	binary, err := running.Build(t.Context(), t.TempDir())
	require.NoError(t, err)
	data := t.TempDir()
	b, err := running.Demo(binary, data)
	require.NoError(t, err)
	require.NoError(t, b.Start(t.Context()))
	t.Cleanup(func() { require.NoError(t, b.Stop()) })
	require.NoError(t, b.Ticked(t.Context()))
	db, err := sqlite.Open(t.Context(), sqlite.Options{Dir: data, ReadOnly: true})
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	d := demo{base: b.Base + "/fhir", plans: map[string]string{}, current: map[string]string{}, history: map[string][]string{}, entries: map[string]int{}}
	require.NoError(t, d.read(t.Context(), db))
	require.Greater(t, len(d.current), 1000)
	return d
}

// read walks the system history of the store.
func (d demo) read(ctx context.Context, s store.Store) error {
	return s.View(ctx, func(rd store.Reader) (err error) {
		walk := eachVersion(rd, func(v store.Version) {
			d.entries[v.Ref.Type]++
			name := v.Ref.String()
			if v.Deleted {
				return
			}
			if d.history[name] == nil {
				d.current[name] = v.VersionID
				if v.Ref.Type == "CarePlan" {
					var plan struct{ Status string }
					err = errors.Join(err, json.Unmarshal(v.Body, &plan))
					d.plans[name] = plan.Status
				}
			}
			d.history[name] = append(d.history[name], v.VersionID)
		})
		return errors.Join(walk, err)
	})
}

// names are the current resources of some types, sorted.
func (d demo) names(types ...string) (out []string) {
	for name := range d.current {
		if typ, _, _ := strings.Cut(name, "/"); slices.Contains(types, typ) {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}

// withStatus are the care plans of some states, sorted.
func (d demo) withStatus(states ...string) (out []string) {
	for name, status := range d.plans {
		if slices.Contains(states, status) {
			out = append(out, name)
		}
	}
	return sorted(out)
}

func sorted(s []string) []string { return slices.Sorted(slices.Values(s)) }

// isArtifact reports a definition or code system, which is served beside the store.
func isArtifact(name string) bool {
	typ, _, _ := strings.Cut(name, "/")
	return slices.Contains([]string{"CapabilityStatement", "CodeSystem", "ConceptMap", "PlanDefinition", "SearchParameter", "StructureDefinition", "ValueSet"}, typ)
}

// walked is what js/walk.mjs says.
type walked struct {
	FHIRVersion     string              `json:"fhirVersion"`
	Can             map[string]bool     `json:"can"`
	Search          map[string][]string `json:"search"`
	Pages           map[string]int      `json:"pages"`
	History         map[string]int      `json:"history"`
	Back            bool                `json:"back"`
	Plans           []string            `json:"plans"`
	Beside          []string            `json:"beside"`
	Patient         string              `json:"patient"`
	Posted          []string            `json:"posted"`
	Within          []string            `json:"within"`
	Resolved        string              `json:"resolved"`
	Versions, Vread []string
	Current         string
	System, Refused int
	Odd             []string `json:"odd"`    // what is not as R4 has it, of single answers
	Thrown          string   `json:"thrown"` // what the client threw; the rest is then empty
}

// walk lets fhir-kit-client walk hubs.
func walk(t *testing.T, bases ...string) []walked {
	t.Helper()
	out := make([]walked, len(bases))
	d := json.NewDecoder(bytes.NewReader(node(t, "walk.mjs", bases...)))
	for i := range out {
		require.NoError(t, d.Decode(&out[i]))
	}
	return out
}

// TestOracleClientsReadTheDemo: two clients that others use read a running demo, and what they meet is what its store holds.
func TestOracleClientsReadTheDemo(t *testing.T) {
	npm.Require(t)
	oracles.Require(t)
	d := startDemo(t)
	t.Run("fhir-kit-client", d.isWalked)
	t.Run("HAPI FHIR", d.isReadByHAPI)
}

// isWalked: fhir-kit-client reads the capabilities, searches every type page by page, with includes, by POST and within a
// patient, and reads versions and history. Before that is believed, it reports each of the faults that a proxy makes.
func (d demo) isWalked(t *testing.T) {
	t.Run("seeded faults", d.tellsFaults)
	w := walk(t, d.base)[0]
	d.compare(t, w)
	met := 0
	for typ := range w.History {
		met += len(w.Search[typ])
	}
	t.Logf("%d resources of %d types, %d entries of history", met, len(w.Search), w.System)
}

// compare holds what was walked to what the store has.
func (d demo) compare(t assert.TestingT, w walked) {
	if !assert.Empty(t, w.Thrown, "thrown by the client") {
		return
	}
	assert.Empty(t, w.Odd, "answers that are not as R4 has them")
	assert.Equal(t, "4.0.1", w.FHIRVersion)
	met, several := 0, 0
	for typ, names := range w.Search {
		assert.True(t, w.Can[typ], "the capability of %s", typ)
		if n, kept := w.History[typ]; kept {
			assert.Equal(t, d.names(typ), names, "search of %s", typ)
			assert.Equal(t, d.entries[typ], n, "history of %s", typ)
			met += len(names)
		}
		several += min(w.Pages[typ]-1, 1)
	}
	assert.Equal(t, len(d.current), met, "every resource that is stored was met")
	assert.Greater(t, several, 3, "types of more than one page")
	assert.True(t, w.Back, "the previous page is the one before")

	assert.Equal(t, d.names("CarePlan"), w.Plans, "plans with what is beside them")
	for _, typ := range []string{"Patient", "Encounter", "Goal", "Provenance"} {
		assert.True(t, slices.ContainsFunc(w.Beside, func(name string) bool { return strings.HasPrefix(name, typ+"/") }), "%s beside plans", typ)
	}
	for _, name := range w.Beside {
		assert.Contains(t, d.current, name)
	}
	assert.NotEmpty(t, w.Posted, "by POST")
	assert.Equal(t, w.Posted, w.Within, "by POST, and within the compartment")
	assert.Equal(t, w.Patient, "Patient/"+w.Resolved)

	if assert.NotEmpty(t, w.Plans) {
		assert.Equal(t, d.history[w.Plans[0]], w.Versions, "versions of a plan")
		assert.Equal(t, d.current[w.Plans[0]], w.Current, "the current version of a plan")
	}
	assert.Equal(t, w.Versions, w.Vread, "versions read")
	all := 0
	for _, n := range d.entries {
		all += n
	}
	assert.Equal(t, all, w.System, "the system's history")
	assert.Equal(t, 400, w.Refused, "a misspelt parameter")
}

// isReadByHAPI: HAPI FHIR's generic client reads every resource, which it parses into its own classes, and its typed searches
// bring page by page as many as they count.
func (d demo) isReadByHAPI(t *testing.T) {
	run, err := oracles.Command(t.Context(), "nailbridge.oracle.Reader", d.base)
	require.NoError(t, err)
	read, found, beside, count := map[string]string{}, map[string][]string{}, map[string][]string{}, map[string]string{}
	for line := range strings.Lines(string(output(t, run))) {
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		switch f[0] {
		case "read":
			require.NotContains(t, read, f[1], "met once")
			read[f[1]] = f[2]
		case "found":
			found[f[1]] = append(found[f[1]], f[2])
		case "beside":
			beside[f[1]] = append(beside[f[1]], f[2])
		case "count":
			count[f[1]] = f[2]
		}
	}
	maps.DeleteFunc(read, func(name, _ string) bool { _, kept := d.current[name]; return !kept && isArtifact(name) }) // definitions are not stored
	assert.Equal(t, d.current, read, "every resource that is stored, in its version")

	assert.Equal(t, d.names("CarePlan"), sorted(found["with"]))
	assert.Equal(t, d.names("Observation"), sorted(found["sorted"]))
	for _, name := range []string{"active", "either", "due", "family", "born", "chain", "missing", "with", "sorted"} {
		assert.NotEmpty(t, found[name], name)
		assert.Equal(t, count[name], strconv.Itoa(len(found[name])), "total of %s", name)
	}
	assert.Equal(t, d.withStatus("active"), sorted(found["active"]))
	assert.Equal(t, d.withStatus("completed", "revoked"), sorted(found["either"]))
	for _, name := range beside["with"] {
		assert.Contains(t, d.current, name)
	}
	t.Logf("%d resources read, %d searches", len(read), len(count))
}
