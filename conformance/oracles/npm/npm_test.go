package npm

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The lock file says what is installed by its digest, and not from where.
func TestLockNamesNoHost(t *testing.T) {
	text, err := packages.ReadFile("package-lock.json")
	require.NoError(t, err)
	assert.NotContains(t, string(text), "://")
	assert.NotContains(t, string(text), `"resolved"`)
	var lock struct {
		Packages map[string]struct{ Version, Integrity string }
	}
	require.NoError(t, json.Unmarshal(text, &lock))
	for name, p := range lock.Packages {
		assert.Equal(t, name == "", p.Integrity == "", "%q is known by its digest", name)
	}
	for _, module := range []string{"@lhncbc/ucum-lhc", "@medplum/core", "fhir-kit-client", "fhirpath"} {
		assert.Equal(t, Version(module), lock.Packages["node_modules/"+module].Version)
	}
	rc, err := packages.ReadFile(".npmrc")
	require.NoError(t, err)
	assert.Contains(t, string(rc), "omit-lockfile-registry-resolved=true")
}
