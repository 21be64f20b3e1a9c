package terms

import (
	"go/ast"
	"go/parser"
	"go/token"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every closed list of the record is published with its very codes and
// displays, or named as unpublished with a reason; never both.
func TestEveryListOfTheRecord(t *testing.T) {
	ts := MustLoad()
	lists := recordLists(t)
	require.Greater(t, len(lists), 40)
	for name, values := range lists {
		cs := ts.systems[name]
		if cs == nil {
			assert.NotEmpty(t, ts.unpub[name], "%s is neither published nor left out with a reason", name)
			continue
		}
		assert.Empty(t, ts.unpub[name], name)
		plain := slices.Clone(cs.Concept)
		for i := range plain {
			plain[i].Definition = "" // lists of records have none
		}
		assert.Equal(t, values, plain, name)
	}
	for name := range ts.unpub {
		assert.Contains(t, lists, name, "left out, and no such list")
	}
	used := map[string]bool{}
	for _, u := range ts.uses {
		used[u.Source] = true
		if u.Map != "" {
			used["map "+u.Map] = true
		}
	}
	for id := range ts.systems {
		assert.True(t, used[id], "code system %s has no use", id)
	}
	for id := range ts.maps {
		assert.True(t, used["map "+id], "map %s has no use", id)
	}
}

// recordLists reads the calls of set in the record package: the only place
// where all lists stand together.
func recordLists(t *testing.T) map[string][]concept {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), "../record/sets.go", nil, 0)
	require.NoError(t, err)
	lists := map[string][]concept{}
	ast.Inspect(f, func(n ast.Node) bool {
		call, ok := n.(*ast.CallExpr)
		if !ok {
			return true
		}
		if id, ok := call.Fun.(*ast.Ident); !ok || id.Name != "set" {
			return true
		}
		var words []string
		for _, a := range call.Args {
			lit, ok := a.(*ast.BasicLit)
			if !ok {
				return true
			}
			w, err := strconv.Unquote(lit.Value)
			require.NoError(t, err)
			words = append(words, w)
		}
		var values []concept
		for i := 1; i+1 < len(words); i += 2 {
			values = append(values, concept{Code: words[i], Display: words[i+1]})
		}
		lists[words[0]] = values
		return true
	})
	return lists
}
