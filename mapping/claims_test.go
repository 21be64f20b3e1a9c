package mapping

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/profiles"
)

// R-PROF-16: every resource of a fold claims the profile of its type, and so does
// one that is entered in error, which is still all that the profile asks; one that
// is masked claims none (D1.5).
func TestR_PROF_16_EveryResourceClaimsItsProfile(t *testing.T) {
	s := buildSettings(t)
	for _, r := range worked(t, unedited).Resources {
		require.NotEmpty(t, profiles.Of(r.Type()), r.Type())
		assert.Contains(t, at(r, "meta.profile"), profiles.Of(r.Type()), r.Type())
		withdrawn, changed, err := EnterInError(s, r, false)
		require.NoError(t, err)
		assert.Equal(t, at(r, "meta.profile"), at(withdrawn, "meta.profile"), r.Type())
		masked, _, err := EnterInError(s, r, true)
		require.NoError(t, err)
		if changed {
			assert.Empty(t, at(masked, "meta.profile"), r.Type())
		}
	}
}
