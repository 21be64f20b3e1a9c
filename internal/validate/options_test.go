package validate_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/validate"
	"nailbridge/mapping/resource"
)

// D5.10: what is committed, what is measured and what is compared with another
// validator is validated under the same settings, since nobody else writes any:
// but the command and the operation that validate what somebody else made, with
// the profiles that they name and at their time, and the suite that judges a bridge
// from outside.
func TestD5_10_OneSetOfOptions(t *testing.T) {
	written := map[string]int{}
	root := filepath.Join("..", "..")
	require.NoError(t, filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		name := filepath.ToSlash(strings.TrimPrefix(path, root+string(filepath.Separator)))
		switch {
		case err != nil:
			return err
		case d.IsDir() && (strings.HasPrefix(d.Name(), ".") && path != root || name == "internal/validate/findings"):
			return filepath.SkipDir
		case !d.IsDir() && strings.HasSuffix(name, ".go"):
			if n := optionsIn(t, path, strings.HasPrefix(name, "internal/validate/engine/")); n > 0 {
				written[name] = n
			}
		}
		return nil
	}))
	assert.Equal(t, map[string]int{"internal/validate/check.go": 1, "bridge/validate.go": 2, "internal/validate/engine/official_test.go": 1,
		"conformance/suite/judge.go": 1, "conformance/suite/suite_test.go": 1}, written)

	// The engine's own benchmark, which cannot know this package, takes the zero.
	assert.Zero(t, validate.Options(nil))
}

// optionsIn counts the Options of the engine that a file writes; of a file of the
// engine itself those of its benchmarks, which must be empty.
func optionsIn(t *testing.T, path string, own bool) (n int) {
	f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
	require.NoError(t, err)
	for _, d := range f.Decls {
		fn, _ := d.(*ast.FuncDecl)
		if own && (fn == nil || !strings.HasPrefix(fn.Name.Name, "Benchmark")) {
			continue
		}
		ast.Inspect(d, func(node ast.Node) bool {
			lit, ok := node.(*ast.CompositeLit)
			if !ok {
				return true
			}
			switch typ := lit.Type.(type) {
			case *ast.Ident:
				if own && typ.Name == "Options" {
					n++
					assert.Empty(t, lit.Elts, path)
				}
			case *ast.SelectorExpr:
				if x, ok := typ.X.(*ast.Ident); ok && x.Name == "engine" && typ.Sel.Name == "Options" {
					n++
				}
			}
			return true
		})
	}
	return n
}

// D2: no verdict is kept. The same resource passes or not by what is stored now,
// another content under its id by itself, and the same bytes are walked again.
func TestD2_NoVerdictIsKept(t *testing.T) {
	read := func(body string) resource.Resource {
		r, err := resource.FromJSON([]byte(body))
		require.NoError(t, err)
		return r
	}
	right, wrong := read(valid["Goal"]), read(edit(t, valid["Goal"], `"lifecycleStatus":"active"`, `"lifecycleStatus":"running"`))
	for range 2 {
		for _, c := range []struct {
			r      resource.Resource
			stored bool
			want   map[string]string
		}{
			{right, true, map[string]string{}},
			{right, false, map[string]string{"ref": "Goal.subject"}},
			{wrong, true, map[string]string{"binding-required": "Goal.lifecycleStatus"}},
		} {
			asked := 0
			_, issues := validate.Check([]resource.Resource{c.r}, func(resource.Ref) bool { asked++; return c.stored }, codes, freeSet)
			assert.Equal(t, c.want, keys(issues))
			assert.Equal(t, 1, asked)
		}
	}

	v := validate.Engine(codes)
	var texts [][]byte
	for i := range 50 {
		texts = append(texts, []byte(edit(t, valid["Observation"], `"id":"a"`, fmt.Sprintf(`"id":"%02d"`, i))))
	}
	work := func(n int) float64 {
		i := 0
		return testing.AllocsPerRun(40, func() {
			v.Validate(texts[i%n], validate.Options(nil))
			i++
		})
	}
	work(1)
	each, same := work(len(texts)), work(1)
	assert.InEpsilon(t, each, same, 0.25, "the same text takes the work of another")
}
