package clients

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/internal/official"
)

// workshop is the folder with the JavaScript and its modules, made for the first test that needs it.
var workshop string

func TestMain(m *testing.M) {
	code := m.Run()
	if workshop != "" {
		if err := os.RemoveAll(workshop); err != nil && code == 0 {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	os.Exit(code)
}

// modules installs what package-lock.json names beside a copy of the scripts.
var modules = sync.OnceValue(func() (err error) {
	if workshop, err = os.MkdirTemp("", "nailbridge-clients-"); err != nil {
		return err
	}
	if err := os.CopyFS(workshop, os.DirFS("js")); err != nil {
		return err
	}
	cmd := exec.Command("npm", "ci", "--silent", "--no-audit", "--no-fund", "--ignore-scripts")
	cmd.Dir = workshop
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("npm ci: %w: %s", err, out)
	}
	return nil
})

// node runs a script of js and gives what it wrote.
func node(t *testing.T, script string, args ...string) []byte {
	t.Helper()
	official.Tool(t, "a client of JavaScript", "node", "npm")
	require.NoError(t, modules())
	return output(t, exec.CommandContext(t.Context(), "node", append([]string{filepath.Join(workshop, script)}, args...)...))
}

func output(t *testing.T, cmd *exec.Cmd) []byte {
	t.Helper()
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.Output()
	require.NoError(t, err, "%s", &said)
	return out
}
