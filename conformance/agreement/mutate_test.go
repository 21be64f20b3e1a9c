package main

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
	"nailbridge/internal/validate"
	"nailbridge/internal/validate/defs"
	"nailbridge/internal/validate/engine"
)

// oursValid are the examples that we call valid, as bases where the outside
// validator is not asked.
func oursValid(t testing.TB) []official.Document {
	t.Helper()
	v := engine.New(defs.New())
	var out []official.Document
	for _, d := range official.Examples(t) {
		issues := v.Validate(d.Text, validate.Options(nil))
		unchecked := slices.ContainsFunc(issues, func(i engine.Issue) bool { return i.Key == "profile-unchecked" })
		if !engine.Invalid(issues) && !unchecked && len(d.Text) < maxBase {
			out = append(out, d)
		}
	}
	return out
}

// The same bases and seed give the same mutants, another seed gives others, and
// there are enough of each kind.
func TestMutantsFollowTheSeed(t *testing.T) {
	bases := oursValid(t)
	a, err := mutants(bases, 1)
	require.NoError(t, err)
	b, err := mutants(bases, 1)
	require.NoError(t, err)
	assert.Equal(t, a, b)
	c, err := mutants(bases, 2)
	require.NoError(t, err)
	assert.NotEqual(t, a, c)
}
