package official_test

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/internal/official"
)

func TestRequired(t *testing.T) {
	for value, want := range map[string]bool{"": false, "0": false, "false": false, "true": true, "1": true, "yes": true} {
		t.Setenv("CI", value)
		assert.Equal(t, want, official.Required(), "CI=%s", value)
	}
}

// The folder that the variable names counts; one that is not there ends the
// test with a message, by a skip outside CI alone.
func TestDir(t *testing.T) {
	here := t.TempDir()
	t.Setenv("NAILBRIDGE_R4_DIR", here)
	assert.Equal(t, here, official.Dir(t))
	t.Setenv("NAILBRIDGE_R4_DIR", filepath.Join(here, "none"))
	for ci, want := range map[string]string{"true": "failed", "": "skipped"} {
		t.Setenv("CI", ci)
		r := &recorder{TB: t}
		official.Dir(r)
		assert.Equal(t, want, r.first)
	}
}

// A tool is asked in CI or on request, and there its absence fails the test.
func TestTool(t *testing.T) {
	for _, c := range []struct {
		ci, asked, command string
		want               string
	}{
		{"", "", "go", "skipped"},
		{"", "0", "none-such", "skipped"},
		{"", "1", "go", ""},
		{"true", "", "go", ""},
		{"", "1", "none-such", "failed"},
		{"true", "", "none-such", "failed"},
	} {
		t.Setenv("CI", c.ci)
		t.Setenv("NAILBRIDGE_ORACLE", c.asked)
		r := &recorder{TB: t}
		official.Tool(r, "a test", "go", c.command)
		assert.Equal(t, c.want, r.first, "%+v", c)
	}
}

// recorder notes how a test would have ended.
type recorder struct {
	testing.TB
	first string
}

func (r *recorder) note(s string) {
	if r.first == "" {
		r.first = s
	}
}
func (r *recorder) Fatalf(string, ...any) { r.note("failed") }
func (r *recorder) Skip(...any)           { r.note("skipped") }
func (r *recorder) Skipf(string, ...any)  { r.note("skipped") }
