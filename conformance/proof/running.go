package proof

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
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

	"nailbridge/mapping/safety/safetytest"
)

// Running is every proof that the gate runs over the tree at root, each with
// the text that says what it shows: of a Go test its comment and its source, of
// a story or a script the file. Tests of one name are one proof.
func Running(ctx context.Context, root string) (map[Proof]string, error) {
	gate, err := os.ReadFile(filepath.Join(root, ".ci", "run"))
	if err != nil {
		return nil, err
	}
	if !runsEverything(string(gate)) {
		return nil, errors.New(".ci/run does not run every test, with CI set and without -short, -run or -skip")
	}
	out := map[Proof]string{}
	for _, c := range safetytest.Cases() {
		out[Proof{Fact, c.Check}] = ""
	}
	return out, errors.Join(goTests(ctx, root, out), stories(root, out), demoCases(root, out), scripts(root, string(gate), out))
}

var (
	ciStep     = regexp.MustCompile(`(?m)^(\.ci/[a-z-]+)( |$)`)
	ciVariable = regexp.MustCompile(`(?m)^export CI=true\b`)
	wholeSuite = regexp.MustCompile(`(?m)^(?:[A-Z]+=\S+ )*go test (?:-timeout \S+ )?\./\.\.\.$`) // a limit of time leaves out no test
)

// runsEverything reports a gate that runs the whole suite as one step.
func runsEverything(gate string) bool {
	return ciVariable.MatchString(gate) && wholeSuite.MatchString(gate)
}

// scripts are the steps of the gate that are programs of the tree.
func scripts(root, gate string, into map[Proof]string) error {
	for _, m := range ciStep.FindAllStringSubmatch(gate, -1) {
		file := filepath.Join(root, m[1])
		info, err := os.Stat(file)
		if err != nil {
			return err
		}
		text, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		if info.Mode()&0o100 != 0 {
			into[Proof{Script, m[1]}] = string(text)
		}
	}
	return nil
}

// goTests are the tests of the files that `go test ./...` compiles without tags.
// A file behind a tag that the gate does not give is not among them, nor is one
// in a folder that Go leaves out.
func goTests(ctx context.Context, root string, into map[Proof]string) error {
	cmd := exec.CommandContext(ctx, "go", "list", "-json=Dir,TestGoFiles,XTestGoFiles", "./...")
	cmd.Dir = root
	text, err := cmd.Output()
	if err != nil {
		return fmt.Errorf("go list: %w", err)
	}
	for d := json.NewDecoder(bytes.NewReader(text)); ; {
		var p struct {
			Dir                       string
			TestGoFiles, XTestGoFiles []string
		}
		err := d.Decode(&p)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		for _, name := range slices.Concat(p.TestGoFiles, p.XTestGoFiles) {
			source, err := os.ReadFile(filepath.Join(p.Dir, name))
			if err != nil {
				return err
			}
			tests, err := testsOf(string(source))
			if err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			for _, f := range tests {
				into[Proof{Test, f.name}] += f.text
			}
		}
	}
}

// function is a test with its comment and its source.
type function struct{ name, text string }

// testsOf are the tests of a source that nothing skips: a skip counts for
// nothing where it stands in a condition that the gate does not meet. One in a
// helper may be met by any test of its file.
func testsOf(source string) (out []function, err error) {
	fset := token.NewFileSet()
	file, err := parser.ParseFile(fset, "", source, parser.ParseComments)
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
			from := f.Pos()
			if f.Doc != nil {
				from = f.Doc.Pos()
			}
			out = append(out, function{f.Name.Name, source[fset.Position(from).Offset:fset.Position(f.End()).Offset]})
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
func stories(root string, into map[Proof]string) error {
	files, err := filepath.Glob(filepath.Join(root, "bridge", "testdata", "script", "*.txtar"))
	if err != nil {
		return err
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			return err
		}
		if !cutShort.Match(text) {
			into[Proof{Story, strings.TrimSuffix(filepath.Base(f), ".txtar")}] = string(text)
		}
	}
	return nil
}

// cutShort is a line of a story that leaves out the rest.
var cutShort = regexp.MustCompile(`(?m)^(\[[^\]]*\] *)*(skip|stop)\b`)

// demoCases are those whose facts TestFactsOfTheDemoClinic compares: a file of
// records, and a line of the table.
func demoCases(root string, into map[Proof]string) error {
	table, err := os.ReadFile(filepath.Join(root, "testdata", "README.md"))
	if err != nil {
		return err
	}
	files, err := filepath.Glob(filepath.Join(root, "testdata", "records", "*.ndjson"))
	if err != nil {
		return err
	}
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".ndjson")
		if bytes.Contains(table, []byte("| "+name+" |")) {
			into[Proof{Case, name}] = ""
		}
	}
	return nil
}
