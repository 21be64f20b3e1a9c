// Package arrows holds the direction of imports: which room may know which.
// It has tests only.
package arrows

import (
	"bytes"
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const module = "nailbridge/"

// pkg is what go list says of one package.
type pkg struct {
	ImportPath, Name, Dir string
	GoFiles, Imports      []string
}

// path is the import path within the module.
func (p pkg) path() string { return strings.TrimPrefix(p.ImportPath, module) }

func list(t testing.TB) []pkg {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "go", "list", "-json=ImportPath,Name,Dir,GoFiles,Imports", "./...", "./testdata") // which the dots leave out
	cmd.Dir = filepath.Join("..", "..")
	out, err := cmd.Output()
	require.NoError(t, err)
	var pkgs []pkg
	for d := json.NewDecoder(bytes.NewReader(out)); ; {
		var p pkg
		err := d.Decode(&p)
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		pkgs = append(pkgs, p)
	}
	require.Greater(t, len(pkgs), 20, "the whole module was listed")
	return pkgs
}

// room says what the packages of one room may import of the module. A pattern
// that ends in "/..." takes a tree.
type room struct {
	packages string
	may      []string
	why      string
}

var (
	engine = []string{"internal/fhirpath/...", "internal/spec", "internal/ucum", "internal/xhtml", "mapping/resource"}
	behind = []string{"internal/receive", "internal/store", "internal/searchparam", "internal/access", "mapping/..."}
)

// rooms is the map of the project; the first that matches counts.
var rooms = []room{
	{"mapping/resource", nil, "the handle that everybody holds knows nobody"},
	{"mapping/record", []string{"mapping/internal/rawjson"}, "a clinic record knows no FHIR"},
	{"mapping/safety/...", []string{"mapping/internal/rawjson", "mapping/record", "mapping/safety"}, "arithmetic over records and formulary files alone"},
	{"mapping/followup", []string{"mapping/record"}, "protocols and dates over records alone"},
	{"mapping/shorthand", []string{"mapping/record", "mapping/slip"}, "a grammar over the record's lists"},
	{"mapping/slip", nil, "two words that are a slip of the pen apart"},
	{"mapping/terms/...", []string{"mapping/record", "mapping/terms"}, "code maps translate record codes and know no resource"},
	{"mapping/profiles", []string{"mapping/terms"}, "profiles are data beside the code maps"},
	{"mapping/published", nil, "what was published, as data"},
	{"mapping/coverage", nil, "reads what COVERAGE.md says and knows no record"},
	{"mapping/back", []string{"mapping/internal/rawjson", "mapping/record", "mapping/terms"}, "the way back knows resources as JSON, code maps and records, and not the fold"},
	{"mapping/internal/rawjson", nil, "JSON as it came"},
	{"mapping/internal/...", []string{"mapping/record", "mapping/resource", "mapping/terms", "mapping/internal/..."}, "builders of datatypes"},
	{"mapping", []string{"mapping/..."}, "the fold is pure: it knows no store, door or check"},

	{"internal/fhirpath/...", engine, "the validation engine knows FHIR and no clinic record"},
	{"internal/spec/...", engine, "the validation engine knows FHIR and no clinic record"},
	{"internal/ucum/...", engine, "the validation engine knows FHIR and no clinic record"},
	{"internal/xhtml/...", engine, "the validation engine knows FHIR and no clinic record"},
	{"internal/validate/...", slices.Concat(engine, []string{"mapping/slip", "internal/junit", "internal/validate/...", "mapping", "mapping/profiles", "mapping/published", "mapping/terms"}), "the check of every commit sees resources and code maps"},
	{"internal/searchparam", []string{"internal/fhirpath/...", "internal/spec", "mapping/resource"}, "index rows come from resources alone, by the standard's expressions"},
	{"internal/store", []string{"internal/searchparam", "internal/validate", "mapping/resource"}, "the store takes checked resources and knows no record"},
	{"internal/store/order", nil, "the order of commits is arithmetic and knows no store"},
	{"internal/store/...", []string{"internal/disk", "internal/store", "internal/store/order", "internal/searchparam", "internal/validate", "mapping/resource", "mapping/terms"}, "adapters of the store do not know one another"},
	{"internal/erasures", []string{"internal/disk", "internal/store"}, "the list of who was erased knows the store by its contract"},
	{"internal/receive", []string{"internal/erasures", "internal/store", "internal/searchparam", "internal/validate", "mapping/..."}, "the intake knows the store by its contract and no door"},
	{"internal/receive/receivetest", []string{"internal/receive", "internal/store", "internal/store/sqlite", "internal/searchparam", "internal/validate/jsontree", "mapping/..."}, "a test aid"},
	{"internal/convert", []string{"internal/validate", "mapping/..."}, "files become resources without a store"},
	{"internal/revert", []string{"mapping/back", "mapping/record"}, "resources become records, off the disk and without a store"},
	{"internal/old", []string{"internal/old/layout", "internal/old/table", "internal/ucum", "mapping/record", "mapping/shorthand"}, "rows become records; pure"},
	{"internal/old/table", nil, "rows of files, whatever they say"},
	{"internal/old/layout", []string{"mapping/record", "mapping/shorthand"}, "which part of a record a column is"},
	{"internal/old/draft", []string{"internal/old/layout", "internal/old/table", "mapping/record", "mapping/shorthand"}, "a layout drafted from a file"},
	{"internal/old/batch", []string{"internal/old/...", "internal/convert", "internal/validate", "internal/config", "internal/filelock", "internal/page", "mapping", "mapping/record"}, "files of old records become files of resources; config for its tests"},
	{"internal/pull", nil, "asks a FHIR server over HTTP and knows nothing of what it carries"},
	{"internal/generate", []string{"mapping/..."}, "invented records"},
	{"internal/generate/generatetest", []string{"mapping", "mapping/record", "mapping/safety", "mapping/terms"}, "a test aid"},
	{"internal/config", []string{"internal/filelock", "mapping/..."}, "settings of the mapping"},
	{"internal/access/...", []string{"internal/disk", "internal/filelock"}, "who may reach the doors knows nothing behind them"},
	{"internal/filelock", nil, "locks between processes"},
	{"internal/disk", nil, "what was written is made to last"},
	{"internal/page", nil, "what all pages have in common"},
	{"internal/page/pagetest", []string{"internal/page"}, "a test aid"},
	{"internal/junit", nil, "a form of results"},
	{"internal/golden", nil, "a test aid"},
	{"internal/official", nil, "a test aid"},
	{"internal/fault", []string{"internal/official"}, "a test aid"},

	{"internal/hub/...", slices.Concat(behind, []string{"internal/hub/...", "internal/spec"}), "adapters do not know one another; which elements a summary has is the standard's"},
	{"internal/intake/...", slices.Concat(behind, []string{"internal/intake/..."}), "adapters do not know one another"},
	{"internal/events/...", slices.Concat(behind, []string{"internal/events/..."}), "adapters do not know one another"},
	{"internal/openapi", []string{"mapping/record"}, "the document of the doors knows the record's schema and no door"},
	{"internal/openapi/openapitest", []string{"internal/openapi", "mapping/record"}, "a test aid"},
	{"internal/schedule", behind, "adapters do not know one another"},
	{"internal/meter", behind, "adapters do not know one another"},

	{"testdata", []string{"internal/convert"}, "records of the invented clinic"},
	{"conformance/suite/cli", []string{"conformance/suite"}, "the suite as a command"},
	{"conformance/suite/internal/gen", []string{"internal/official"}, "writes the suite's rows and parameters out of the reference and R4's definitions"},
	{"conformance/suite/...", slices.Concat(engine, []string{"conformance/suite", "internal/events", "internal/junit", "internal/page", "internal/validate/..."}), "a black box: FHIR, and its own view of the doors; of NATS the names of subjects"},
	{"conformance", []string{"conformance/suite/cli"}, "the suite as a program"},
	{"conformance/running", []string{"internal/events", "internal/generate", "mapping/record", "testdata"}, "a running bridge as senders see it: the names of subjects, invented records, and settings to start it with"},
	{"conformance/crash", nil, "tests alone"},
	{"conformance/proof", []string{"mapping/safety/safetytest"}, "a test aid: what the gate runs"},
	{"conformance/batch", []string{"conformance/running", "internal/config", "internal/convert", "internal/old/batch", "mapping", "testdata"}, "a conversion is measured as a built bridge, and beside it its folding alone"},
	{"conformance/sizes", []string{"conformance/running", "internal/config", "internal/generate", "internal/hub", "internal/receive", "internal/searchparam", "internal/store", "internal/store/sqlite", "internal/validate", "mapping", "mapping/record", "mapping/resource"}, "stores are made, and measured, by the program's own parts put together as the program does"},
	{"conformance/load", []string{"conformance/running", "internal/generate", "mapping/record"}, "the load sends invented records to a running bridge through both doors"},
	{"conformance/guide", []string{"internal/hub", "internal/searchparam", "internal/validate/snapshot", "mapping/followup", "mapping/profiles", "mapping/published", "mapping/record", "mapping/terms"}, "the guide gathers what the project holds as data, and the CapabilityStatement"},
	{"conformance/guide/internal/publish", []string{"conformance/guide", "mapping/published"}, "writes down what the guide publishes"},
	{"conformance/guide/pages", []string{"internal/page", "internal/spec", "mapping/coverage", "mapping/terms"}, "pages are made of what they are given, and know no store and no fold"},
	{"conformance/...", slices.Concat(engine, []string{"conformance/...", "internal/official", "internal/validate/...", "mapping/terms", "mapping/followup", "mapping/profiles"}), "the suite judges resources from outside and does not know the bridge"},
	{"bridge", []string{"conformance/guide/...", "conformance/suite", "conformance/suite/cli", "internal/...", "mapping/...", "testdata"}, "the program joins everything, and nobody imports it"},
	{"internal/arrows", nil, "this test"},
}

func matches(pattern, path string) bool {
	if base, tree := strings.CutSuffix(pattern, "/..."); tree {
		return path == base || strings.HasPrefix(path, base+"/")
	}
	return path == pattern
}

func roomOf(path string) (room, bool) {
	for _, r := range rooms {
		if matches(r.packages, path) {
			return r, true
		}
	}
	return room{}, false
}

func TestImportsPointOneWay(t *testing.T) {
	lived := map[string]bool{}
	for _, p := range list(t) {
		r, ok := roomOf(p.path())
		if !assert.True(t, ok, "%s stands in no room: say in this test what it may know, and why", p.path()) {
			continue
		}
		lived[r.packages] = true
		for _, i := range p.Imports {
			to, ours := strings.CutPrefix(i, module)
			if !ours {
				continue
			}
			allowed := slices.ContainsFunc(r.may, func(m string) bool { return matches(m, to) })
			assert.True(t, allowed, "%s imports %s: %s", p.path(), to, r.why)
		}
	}
	for _, r := range rooms {
		assert.True(t, lived[r.packages], "nothing stands in %s", r.packages)
	}
}

// outside says which packages alone may import a module from outside.
var outside = []struct {
	prefix string
	by     []string
	why    string
}{
	{"github.com/google/fhir/", []string{"mapping", "mapping/internal/..."}, "protos stay inside the mapping"},
	{"google.golang.org/protobuf", []string{"mapping", "mapping/internal/..."}, "protos stay inside the mapping"},
	{"modernc.org/sqlite", []string{"internal/store/sqlite", "internal/old/batch", "internal/revert"}, "a database driver belongs to its own adapter; the working files of a batch and of the way back are databases too"},
	{"database/sql", []string{"internal/store/sqlite", "conformance/sizes", "internal/old/batch", "internal/revert"}, "nobody but a store speaks SQL, what measures its statements, and a batch and the way back with their working files"},
	{"github.com/pressly/goose", []string{"internal/store/sqlite"}, "migrations belong to their store"},
	{"github.com/gin-gonic/gin", []string{"internal/hub/...", "internal/intake/..."}, "HTTP stops at the doors"},
	{"github.com/nats-io/", []string{"internal/events/...", "conformance/running", "conformance/suite"}, "NATS stops at its door, and comes from the load's senders and the suite"},
	{"github.com/prometheus/", []string{"internal/meter", "internal/events/..."}, "counting stops at the meter"},
	{"github.com/alecthomas/kong", []string{"bridge", "conformance/..."}, "commands are read in the programs"},
	{"github.com/santhosh-tekuri/jsonschema", []string{"internal/openapi/openapitest", "internal/old/layout"}, "JSON Schema is asked in tests, and of layouts, which people write"},
	{"github.com/stretchr/testify", []string{"internal/store/storetest", "internal/receive/receivetest", "internal/golden", "internal/fault", "internal/page/pagetest"}, "a test aid, not in the product"},
	{"testing", []string{"conformance/...", "internal/store/storetest", "internal/receive/receivetest", "internal/golden", "internal/fault", "internal/official", "internal/page/pagetest", "mapping/safety/safetytest"}, "a test aid, not in the product"},
}

func TestOutsideModulesStopAtTheirAdapters(t *testing.T) {
	for _, p := range list(t) {
		for _, i := range p.Imports {
			for _, o := range outside {
				// A module by its path, a package of the library by its name.
				if i != o.prefix && !(strings.Contains(o.prefix, ".") && strings.HasPrefix(i, o.prefix)) {
					continue
				}
				allowed := slices.ContainsFunc(o.by, func(m string) bool { return matches(m, p.path()) })
				assert.True(t, allowed, "%s imports %s: %s", p.path(), i, o.why)
			}
		}
	}
}

// Test aids are imported by tests and by test aids alone.
func TestTestAidsStayInTests(t *testing.T) {
	aids := []string{"internal/store/storetest", "internal/receive/receivetest", "internal/generate/generatetest", "internal/golden", "internal/fault", "mapping/safety/safetytest", "internal/openapi/openapitest", "internal/page/pagetest", "conformance/proof"}
	for _, p := range list(t) {
		for _, i := range p.Imports {
			to := strings.TrimPrefix(i, module)
			assert.False(t, slices.Contains(aids, to) && !slices.Contains(aids, p.path()), "%s imports the test aid %s", p.path(), to)
		}
	}
}

// impure are packages of the library that the pure core may not import.
var impure = []string{
	"net", "net/http", "os", "os/exec", "os/signal", "log", "log/slog", "math/rand", "math/rand/v2", "crypto/rand", "database/sql",
	"io/ioutil", "path/filepath", "syscall", "context", "time/tzdata", "testing",
}

// calls are functions that the pure core may not use of packages that it may.
var calls = map[string][]string{
	"time":                   {"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Local", "LoadLocation"},
	"github.com/google/uuid": {"New", "NewString", "NewRandom", "NewRandomFromReader", "NewUUID", "NewV6", "NewV7"},
	"fmt":                    {"Print", "Println", "Printf"},
}

// In mapping/** no clock, no randomness, no input, no output and no logging:
// the same input gives the same bytes. Generators, which are programs, and test
// aids are not part of it.
func TestTheMappingIsPure(t *testing.T) {
	seen := 0
	for _, p := range list(t) {
		if !matches("mapping/...", p.path()) || p.Name == "main" || p.path() == "mapping/safety/safetytest" {
			continue
		}
		seen++
		for _, i := range p.Imports {
			assert.NotContains(t, impure, i, "%s imports %s: the mapping is pure", p.path(), i)
		}
		for _, name := range p.GoFiles {
			noImpureCalls(t, p, filepath.Join(p.Dir, name))
		}
	}
	assert.Greater(t, seen, 6)
}

func noImpureCalls(t *testing.T, p pkg, file string) {
	t.Helper()
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, file, nil, parser.SkipObjectResolution)
	require.NoError(t, err)
	names := map[string]string{} // of imports, as the file calls them
	for _, i := range f.Imports {
		path, err := strconv.Unquote(i.Path.Value)
		require.NoError(t, err)
		name := path[strings.LastIndex(path, "/")+1:]
		if i.Name != nil {
			name = i.Name.Name
		}
		names[name] = path
	}
	ast.Inspect(f, func(n ast.Node) bool {
		s, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if x, ok := s.X.(*ast.Ident); ok {
			assert.False(t, slices.Contains(calls[names[x.Name]], s.Sel.Name), "%s: %s.%s: the mapping is pure (%s)",
				fset.Position(s.Pos()), x.Name, s.Sel.Name, p.path())
		}
		return true
	})
}

// The rules are tried: each kind of arrow that must fail does.
func TestTheRulesCanFail(t *testing.T) {
	for _, c := range []struct{ from, to string }{
		{"mapping", "internal/store"}, {"mapping/record", "mapping"}, {"mapping/resource", "mapping/record"},
		{"internal/store", "internal/receive"}, {"internal/store/sqlite", "internal/store/postgres"}, {"internal/receive", "internal/store/sqlite"},
		{"internal/hub", "internal/intake"}, {"internal/intake", "internal/hub"}, {"internal/events", "internal/meter"}, {"internal/validate", "internal/store"},
		{"conformance/suite", "internal/receive"}, {"internal/receive", "bridge"}, {"internal/fhirpath", "mapping"}, {"internal/schedule", "internal/store/sqlite"},
	} {
		r, ok := roomOf(c.from)
		require.True(t, ok, c.from)
		assert.False(t, slices.ContainsFunc(r.may, func(m string) bool { return matches(m, c.to) }), "%s -> %s", c.from, c.to)
	}
	_, ok := roomOf("internal/unheard")
	assert.False(t, ok)
}
