package hazards

import (
	"bytes"
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/printer"
	"go/token"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/safety/safetytest"
)

// running is every proof that the gate runs.
func running(t *testing.T) map[proof]bool {
	t.Helper()
	gate, err := os.ReadFile(filepath.Join(root, ".ci", "run"))
	require.NoError(t, err)
	require.True(t, runsEverything(string(gate)), ".ci/run runs every test, with CI set and without -short, -run or -skip")
	out := map[proof]bool{}
	for _, name := range goTests(t) {
		out[proof{goTest, name}] = true
	}
	for _, c := range safetytest.Cases() {
		out[proof{fact, c.Check}] = true
	}
	stories(t, out)
	demoCases(t, out)
	for _, m := range ciStep.FindAllStringSubmatch(string(gate), -1) {
		info, err := os.Stat(filepath.Join(root, m[1]))
		require.NoError(t, err)
		out[proof{script, m[1]}] = info.Mode()&0o100 != 0
	}
	return out
}

var (
	ciStep     = regexp.MustCompile(`(?m)^(\.ci/[a-z-]+)( |$)`)
	ciVariable = regexp.MustCompile(`(?m)^export CI=true\b`)
	wholeSuite = regexp.MustCompile(`(?m)^(?:[A-Z]+=\S+ )*go test \./\.\.\.$`)
)

// runsEverything reports a gate that runs the whole suite as one step.
func runsEverything(gate string) bool {
	return ciVariable.MatchString(gate) && wholeSuite.MatchString(gate)
}

// goTests are the tests of the files that `go test ./...` compiles without tags.
// A file behind a tag that the gate does not give is not among them, nor is one
// in a folder that Go leaves out.
func goTests(t *testing.T) (out []string) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "go", "list", "-json=Dir,TestGoFiles,XTestGoFiles", "./...")
	cmd.Dir = root
	text, err := cmd.Output()
	require.NoError(t, err)
	for d := json.NewDecoder(bytes.NewReader(text)); ; {
		var p struct {
			Dir                       string
			TestGoFiles, XTestGoFiles []string
		}
		err := d.Decode(&p)
		if errors.Is(err, io.EOF) {
			return out
		}
		require.NoError(t, err)
		for _, name := range slices.Concat(p.TestGoFiles, p.XTestGoFiles) {
			source, err := os.ReadFile(filepath.Join(p.Dir, name))
			require.NoError(t, err)
			tests, err := testsOf(string(source))
			require.NoError(t, err, name)
			out = append(out, tests...)
		}
	}
}

// testsOf are the tests of a source that nothing skips: a skip counts for
// nothing where it stands in a condition that the gate does not meet. One in a
// helper may be met by any test of its file.
func testsOf(source string) (out []string, err error) {
	fset := token.NewFileSet()
	file, err := parser.ParseFile(fset, "", source, 0)
	if err != nil {
		return nil, err
	}
	for _, d := range file.Decls {
		f, is := d.(*ast.FuncDecl)
		if !is {
			continue
		}
		test, skipped := f.Recv == nil && testPattern.MatchString(f.Name.Name) && takesOne(f), skips(fset, f.Body, false)
		switch {
		case test && !skipped:
			out = append(out, f.Name.Name)
		case !test && skipped:
			return nil, nil
		}
	}
	return out, nil
}

// takesOne reports the form of a test: one parameter, *testing.T or *testing.F.
func takesOne(f *ast.FuncDecl) bool {
	if f.Type.Results != nil || len(f.Type.Params.List) != 1 {
		return false
	}
	p, is := f.Type.Params.List[0].Type.(*ast.StarExpr)
	if !is {
		return false
	}
	s, is := p.X.(*ast.SelectorExpr)
	return is && (s.Sel.Name == "T" || s.Sel.Name == "F")
}

// unmet are conditions that do not hold in the gate: it is not short, and what
// a test needs from outside is required.
var unmet = []string{"testing.Short()", "!official.Required()"}

// neverMet reports a condition that can not hold in the gate.
func neverMet(fset *token.FileSet, cond ast.Expr) bool {
	if b, is := cond.(*ast.BinaryExpr); is {
		x, y := neverMet(fset, b.X), neverMet(fset, b.Y)
		return b.Op == token.LAND && (x || y) || b.Op == token.LOR && x && y
	}
	var text bytes.Buffer
	_ = printer.Fprint(&text, fset, cond) // a buffer takes everything
	return slices.Contains(unmet, text.String())
}

// skips reports a skip that the gate could meet; inside says that one of unmet
// was asked before.
func skips(fset *token.FileSet, n ast.Node, inside bool) (found bool) {
	if body, is := n.(*ast.BlockStmt); is && body == nil {
		return false // a function without a body
	}
	ast.Inspect(n, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.IfStmt:
			found = found || skips(fset, n.Body, inside || neverMet(fset, n.Cond)) || n.Else != nil && skips(fset, n.Else, inside)
			return false
		case *ast.CallExpr:
			s, is := n.Fun.(*ast.SelectorExpr)
			found = found || is && !inside && slices.Contains([]string{"Skip", "Skipf", "SkipNow"}, s.Sel.Name)
		}
		return true
	})
	return found
}

// stories are those that TestStories plays, to their ends.
func stories(t *testing.T, into map[proof]bool) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(root, "bridge", "testdata", "script", "*.txtar"))
	require.NoError(t, err)
	for _, f := range files {
		text, err := os.ReadFile(f)
		require.NoError(t, err)
		into[proof{story, strings.TrimSuffix(filepath.Base(f), ".txtar")}] = !cutShort.Match(text)
	}
}

// cutShort is a line of a story that leaves out the rest.
var cutShort = regexp.MustCompile(`(?m)^(\[[^\]]*\] *)*(skip|stop)\b`)

// demoCases are those whose facts TestFactsOfTheDemoClinic compares: a file of
// records, and a line of the table.
func demoCases(t *testing.T, into map[proof]bool) {
	t.Helper()
	table, err := os.ReadFile(filepath.Join(root, "testdata", "README.md"))
	require.NoError(t, err)
	files, err := filepath.Glob(filepath.Join(root, "testdata", "records", "*.ndjson"))
	require.NoError(t, err)
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".ndjson")
		into[proof{demoCase, name}] = bytes.Contains(table, []byte("| "+name+" |"))
	}
}

// What is there and not run is no proof.
func TestWhatIsNotRunIsNoProof(t *testing.T) {
	const head = "package p\nimport \"testing\"\n"
	for source, want := range map[string][]string{
		"func TestA(t *testing.T) {}":                                                {"TestA"},
		"func FuzzA(f *testing.F) {}":                                                {"FuzzA"},
		"func TestA(t *testing.T) { t.Skip() }":                                      nil,
		"func TestA(t *testing.T) { t.Run(``, func(t *testing.T) { t.Skipf(``) }) }": nil,
		"func TestA(t *testing.T) { if testing.Short() { t.Skip() } }":               {"TestA"},
		"func TestA(t *testing.T) { if !official.Required() { t.Skip() } }":          {"TestA"},
		"func TestA(t *testing.T) { if x { t.SkipNow() } }":                          nil,
		"func TestA(t *testing.T) { if testing.Short() {} else { t.Skip() } }":       nil,
		"func TestA(t *testing.T) { if x || testing.Short() { t.Skip() } }":          nil,
		"func TestA(t *testing.T) { if x && testing.Short() { t.Skip() } }":          {"TestA"},
		"func TestA(t *testing.T) { b(t) }; func b(t testing.TB) { t.Skip() }":       nil,
		"func testA(t *testing.T) {}":                                                nil,
		"func TestA(t *testing.T, n int) {}":                                         nil,
		"type x int\nfunc (x) TestA(t *testing.T) {}":                                nil,
	} {
		got, err := testsOf(head + source)
		require.NoError(t, err)
		assert.Equal(t, want, got, source)
	}
	const gate = "export CI=true # why\nGOFLAGS=-timeout=60m go test ./...\n"
	assert.True(t, runsEverything(gate))
	for _, weaker := range []string{"-short ", "-run TestA ", "-skip TestA "} {
		assert.False(t, runsEverything(strings.Replace(gate, "./...", weaker+"./...", 1)), weaker)
	}
	assert.False(t, runsEverything(strings.Replace(gate, "CI=true", "CI=false", 1)))
	assert.True(t, cutShort.MatchString("exec x\n[windows] skip 'no'\n"))
	assert.False(t, cutShort.MatchString("exec x skip\n"))
}
