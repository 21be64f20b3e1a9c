package shorthand

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// A row of the vocabulary stands there once, and a phrase is one operation at most: a phrase that may be two
// is vague.
func TestAPhraseIsOneOperation(t *testing.T) {
	rows := strings.Split(strings.TrimSuffix(wordsTSV, "\n"), "\n")
	slices.Sort(rows)
	for i := 1; i < len(rows); i++ {
		assert.NotEqual(t, rows[i-1], rows[i])
	}
	for _, ps := range vocabulary().phrases {
		for _, p := range ps {
			operations := slices.DeleteFunc(slices.Clone(p.entries), func(e entry) bool { return e.class != procedure })
			assert.LessOrEqual(t, len(operations), 1, "%s", p.tokens)
		}
	}
}
