package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// A name can not draw lines of the list that are none.
func TestAKeyIsListedInOneLine(t *testing.T) {
	for s, want := range map[string]string{
		"practice system": "practice system", "Ærø hub": "Ærø hub",
		"a\nb": `"a\nb"`, "a\x1b[2Kb": `"a\x1b[2Kb"`, "a\tb": `"a\tb"`, "a\u202eb": `"a\u202eb"`,
	} {
		assert.Equal(t, want, inOneLine(s))
	}
}
