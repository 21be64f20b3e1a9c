package pattern

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// N1 5.6.9: some part of the string matches, case counts, a point matches line
// ends.
func TestCompile(t *testing.T) {
	for _, c := range []struct {
		expression, text string
		want             bool
	}{
		{"b", "abc", true},
		{"^b$", "abc", false},
		{"B", "abc", false},
		{"a.c", "a\nc", true},
		{"^[A-Z]([A-Za-z0-9_]){0,254}$", "Name_1", true},
		{"ü+", "xüüx", true},
	} {
		p, _, err := Compile(c.expression)
		require.NoError(t, err)
		assert.Equal(t, c.want, p.MatchString(c.text), "%q in %q", c.expression, c.text)
	}
}

func TestErrors(t *testing.T) {
	_, _, err := Compile("(")
	assert.ErrorIs(t, err, ErrUnreadable)
	_, _, err = Compile("(?=a)")
	assert.ErrorIs(t, err, ErrUnreadable, "Go has no look-ahead")
	_, _, err = Compile(strings.Repeat("a{1000}", 100))
	assert.ErrorIs(t, err, ErrTooLarge)
}

func TestKept(t *testing.T) {
	_, fresh, err := Compile("only here")
	require.NoError(t, err)
	assert.True(t, fresh)
	_, fresh, err = Compile("only here")
	require.NoError(t, err)
	assert.False(t, fresh)
}
