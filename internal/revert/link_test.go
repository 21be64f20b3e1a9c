package revert

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/back"
	"nailbridge/mapping/terms"
)

// Patients who are named by their address in a Bundle are found by it, each for himself:
// what joins parts grows with what is joined and not with the patients.
func TestAnAddressIsNoJoint(t *testing.T) {
	const one = `{"fullUrl":"urn:uuid:X","resource":{"resourceType":"Patient"}},{"resource":{"resourceType":"Procedure","subject":{"reference":"urn:uuid:X"}}}`
	run, err := Open(t.TempDir())
	require.NoError(t, err)
	defer func() { require.NoError(t, run.Close()) }()
	found, err := run.Take(t.Context(), "b", strings.NewReader(`{"resourceType":"Bundle","entry":[`+strings.ReplaceAll(one, "X", "1")+","+strings.ReplaceAll(one, "X", "2")+`]}`))
	require.NoError(t, err)
	assert.Equal(t, 4, found)
	sum, err := run.Read(t.Context(), back.Options{Terms: terms.MustLoad()}, false, func([]back.Finding) error { return nil })
	require.NoError(t, err)
	assert.Equal(t, 2, sum.Most)
	assert.Empty(t, run.shelf.joined)
}
