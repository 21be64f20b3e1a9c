package shorthand

import (
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/mapping/slip"
)

// mattering are the classes of the words that say which toe is meant, or that it is not.
var mattering = append([]class{side, bothSides, digit, digits, ordinal, sideDigit, border, vagueBorder, vagueBoth, totalWord, pastWord, nearWord}, asking...)

// No neutral word is a word that matters, or one slip of the pen away from it.
func TestAWordOfARemarkIsNoSlip(t *testing.T) {
	l := vocabulary()
	assert.Greater(t, len(l.remarks), 800)
	var matter []string
	for _, ps := range l.phrases {
		for _, p := range ps {
			if len(p.tokens) == 1 && len(p.tokens[0]) > 1 && isLetter(p.tokens[0]) && slices.ContainsFunc(p.entries, func(e entry) bool { return slices.Contains(mattering, e.class) }) {
				matter = append(matter, p.tokens[0])
			}
		}
	}
	for _, w := range slices.Sorted(maps.Keys(l.remarks)) {
		for _, m := range append(matter, "other", "instead", "wrong", "changed", "opposite") {
			assert.False(t, w == m || slip.One(w, m), "%s: %s", w, m)
		}
		assert.Equal(t, w, l.unslipped(w))
	}
}
