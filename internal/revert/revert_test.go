package revert

import (
	"os"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/back"
	"nailbridge/mapping/terms"
)

// Patients' data on the disk have no name, where the system allows it: a run that is
// killed leaves none.
func TestAKilledRunLeavesNoFile(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("an open file keeps its name")
	}
	dir := t.TempDir()
	run, err := Open(dir)
	require.NoError(t, err)
	defer func() { require.NoError(t, run.Close()) }()
	noFile := func() {
		t.Helper()
		left, err := os.ReadDir(dir)
		require.NoError(t, err)
		assert.Empty(t, left)
	}
	noFile()
	found, err := run.Take(t.Context(), "b", strings.NewReader(`{"resourceType":"Patient","id":"1"}`))
	require.NoError(t, err)
	require.Equal(t, 1, found)
	noFile()
	_, err = run.Read(t.Context(), back.Options{Terms: terms.MustLoad()}, false, func([]back.Finding) error { return nil })
	require.NoError(t, err)
	noFile()
}
