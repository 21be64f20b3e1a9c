// Package npm keeps what the tests ask from outside in JavaScript: fhirpath.js, @medplum/core, @lhncbc/ucum-lhc and
// fhir-kit-client, by one lock file, which names no host. They are installed once for each state of that file.
//
// It is an aid for tests.
package npm

import (
	"context"
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"nailbridge/conformance/oracles/cache"
	"nailbridge/internal/official"
)

//go:embed package.json package-lock.json .npmrc
var packages embed.FS

// shared reads the archives of R4's definitions, for every script that is laid.
//
//go:embed archive.cjs
var shared []byte

// Modules gives a folder with the modules in node_modules.
func Modules(ctx context.Context) (string, error) {
	return cache.Built("npm", packages, func(work string) (string, error) {
		npm := exec.CommandContext(ctx, "npm", "ci", "--silent", "--no-audit", "--no-fund", "--ignore-scripts")
		npm.Dir = work
		if out, err := npm.CombinedOutput(); err != nil {
			return "", fmt.Errorf("npm ci: %w: %s", err, out)
		}
		return work, nil
	})
}

// Lay copies scripts into an empty folder and puts archive.cjs and the modules beside them.
func Lay(ctx context.Context, scripts fs.FS, folder string) error {
	modules, err := Modules(ctx)
	if err != nil {
		return err
	}
	if err := os.CopyFS(folder, scripts); err != nil {
		return fmt.Errorf("writing the scripts: %w", err)
	}
	if err := os.WriteFile(filepath.Join(folder, "archive.cjs"), shared, 0o600); err != nil {
		return fmt.Errorf("writing the scripts: %w", err)
	}
	return os.Symlink(filepath.Join(modules, "node_modules"), filepath.Join(folder, "node_modules"))
}

// Require lets a test go on only where these modules are to be asked: in CI, or with NAILBRIDGE_ORACLE=1.
func Require(t testing.TB) {
	t.Helper()
	official.Tool(t, "what is asked in JavaScript", "node", "npm")
}

// Folder is [Modules] for a test.
func Folder(t testing.TB) string {
	t.Helper()
	Require(t)
	folder, err := Modules(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return folder
}

// Version is the release of a module that package.json names.
func Version(module string) string {
	var file struct{ Dependencies map[string]string }
	text, err := packages.ReadFile("package.json")
	if err == nil {
		err = json.Unmarshal(text, &file)
	}
	if err != nil || file.Dependencies[module] == "" {
		panic(fmt.Sprintf("package.json has no %s: %v", module, err))
	}
	return file.Dependencies[module]
}
