package terms

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var (
	free     = Setting{SnomedCT: FreeSet, HCPCS: true}
	licensed = Setting{SnomedCT: Licensed, HCPCS: true}
	off      = Setting{SnomedCT: Off}
)

// Every file is parsed and checked by Load.
func TestLoad(t *testing.T) {
	ts, err := Load()
	require.NoError(t, err)
	for _, name := range ts.Names() {
		assert.NotPanics(t, func() { ts.Element(name, free) }, name)
		assert.NotEmpty(t, ts.Element(name, off).Text, name)
	}
	assert.NotEmpty(t, ts.Artifacts(free))
}
