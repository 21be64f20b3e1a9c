package shorthand

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/mapping/slip"
)

// mattering are the classes of the words that say which toe is meant, or that it is not.
var mattering = append([]class{side, bothSides, digit, digits, ordinal, sideDigit, border, vagueBorder, vagueBoth, totalWord, pastWord, nearWord}, asking...)

// monthNames are the months, which say when a toe is to be done.
var monthNames = strings.Fields("january february march april may june july august september october november december")

// No neutral word is a word that matters, or one slip of the pen away from it, nor one that says that a toe
// is fine or has to wait.
func TestAWordOfARemarkIsNoSlip(t *testing.T) {
	l := vocabulary()
	assert.Greater(t, len(l.remarks), 800)
	matter, fine := wordsOf(l, mattering...), wordsOf(l, fineAfter)
	for _, w := range slices.Sorted(maps.Keys(l.remarks)) {
		assert.NotContains(t, slices.Concat(fine, awaited, monthNames), w)
		for _, m := range append(matter, "other", "instead", "wrong", "changed", "opposite") {
			assert.False(t, w == m || slip.One(w, m), "%s: %s", w, m)
		}
		assert.Equal(t, w, l.unslipped(w))
	}
}

// wordsOf are the single words of some classes.
func wordsOf(l *lexicon, cs ...class) (out []string) {
	for _, ps := range l.phrases {
		for _, p := range ps {
			if len(p.tokens) == 1 && len(p.tokens[0]) > 1 && isLetter(p.tokens[0]) && slices.ContainsFunc(p.entries, func(e entry) bool { return slices.Contains(cs, e.class) }) {
				out = append(out, p.tokens[0])
			}
		}
	}
	return out
}
