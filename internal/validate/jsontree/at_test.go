package jsontree_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/internal/validate/jsontree"
)

func TestAt(t *testing.T) {
	tree := map[string]any{"name": []any{map[string]any{"family": "Quill"}}}
	assert.Equal(t, "Quill", jsontree.At(tree, "name", 0, "family"))
	assert.Equal(t, tree, jsontree.At(tree))
	for _, path := range [][]any{{"name", 1}, {"name", "family"}, {"other", 0}, {"name", 0, "family", "x"}} {
		assert.Nil(t, jsontree.At(tree, path...), path)
	}
}
