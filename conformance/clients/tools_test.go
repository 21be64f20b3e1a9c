package clients

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"nailbridge/conformance/oracles/npm"
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

// laid lays the scripts of js beside the modules of npm.
var laid = sync.OnceValue(func() (err error) {
	if workshop, err = os.MkdirTemp("", "nailbridge-clients-"); err != nil {
		return err
	}
	return npm.Lay(context.Background(), os.DirFS("js"), workshop)
})

// node runs a script of js and gives what it wrote.
func node(t *testing.T, script string, args ...string) []byte {
	t.Helper()
	npm.Require(t)
	require.NoError(t, laid())
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
