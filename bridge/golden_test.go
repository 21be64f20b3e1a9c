package main

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/golden"
	"nailbridge/testdata"
)

// TestGoldens makes each story into FHIR as `bridge to-fhir` does, under each
// licence setting of D7.1, and compares the Bundle with the one that was read
// and kept.
func TestGoldens(t *testing.T) {
	dir := filepath.Join("..", "testdata", "golden")
	var used []string
	for _, licence := range []string{"free-set", "licensed"} {
		settings := filepath.Join(t.TempDir(), "settings.json")
		written := bytes.Replace(testdata.Settings(), []byte(`"snomedCt": "free-set"`), []byte(`"snomedCt": "`+licence+`"`), 1)
		write(t, settings, written)
		for _, f := range testdata.Records() {
			name := strings.TrimSuffix(f.Name, ".ndjson") + "." + licence + ".json"
			used = append(used, filepath.Join(dir, name))
			t.Run(name, func(t *testing.T) {
				out := command(t, 0, "to-fhir", "--config", settings, "--demo-ids", "--as-of", testdata.Now,
					filepath.Join("..", "testdata", "records", f.Name))
				golden.Equal(t, filepath.Join(dir, name), out)
			})
		}
	}
	golden.NoOthers(t, dir, used)
}

// command runs one command line of the program and gives what it printed.
func command(t *testing.T, status int, args ...string) []byte {
	t.Helper()
	var stdout, stderr bytes.Buffer
	e := &env{ctx: context.Background(), stdout: &stdout, stderr: &stderr, clock: time.Now}
	require.Equal(t, status, runArgs(args, e), "%s", &stderr)
	return stdout.Bytes()
}
