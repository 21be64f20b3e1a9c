// Package official is an aid of tests: where the data and tools outside the
// repository are, and whether a test may go without them.
package official

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Required reports whether a test that lacks something outside the repository
// fails instead of skipping: in CI, where the variable CI is set to anything
// but "", "0" and "false".
func Required() bool {
	switch os.Getenv("CI") {
	case "", "0", "false":
		return false
	}
	return true
}

// Missing skips a test that lacks something outside the repository, or fails
// it where that is required. what says what to set or install.
func Missing(t testing.TB, what string) {
	t.Helper()
	if Required() {
		t.Fatalf("needed in CI: %s", what)
	}
	t.Skip(what)
}

// Tool lets a test go on only where outside tools are to be asked: in CI, or
// with NAILBRIDGE_ORACLE=1. There a command that is not installed fails the
// test. Elsewhere the test is skipped and says why.
func Tool(t testing.TB, name string, commands ...string) {
	t.Helper()
	if !Required() && os.Getenv("NAILBRIDGE_ORACLE") != "1" {
		t.Skipf("%s is asked only in CI or with NAILBRIDGE_ORACLE=1 (needs %s)", name, strings.Join(commands, ", "))
	}
	for _, command := range commands {
		if _, err := exec.LookPath(command); err != nil {
			t.Fatalf("%s needs %s: %v", name, command, err)
		}
	}
}

// Dir is the folder of the official R4 data: NAILBRIDGE_R4_DIR, else
// ../shared/r4 beside the repository.
func Dir(t testing.TB) string {
	t.Helper()
	return place(t, "NAILBRIDGE_R4_DIR", "r4")
}

// Terminology is the table of terminology that the code maps are made from:
// NAILBRIDGE_TERMINOLOGY, else ../shared/reference/terminology.tsv.
func Terminology(t testing.TB) string {
	t.Helper()
	return place(t, "NAILBRIDGE_TERMINOLOGY", filepath.Join("reference", "terminology.tsv"))
}

// Requirements is the folder of the reference for FHIR servers, which the rows of the
// conformance suite are made from: NAILBRIDGE_REQUIREMENTS, else ../shared/reference.
func Requirements(t testing.TB) string {
	t.Helper()
	return place(t, "NAILBRIDGE_REQUIREMENTS", "reference")
}

// place is the path that a variable names, else the one below the folder
// "shared" beside the repository.
func place(t testing.TB, variable, beside string) string {
	t.Helper()
	path := os.Getenv(variable)
	if path == "" {
		path = filepath.Join(root(t), "..", "shared", beside)
	}
	if _, err := os.Stat(path); err != nil {
		Missing(t, "set "+variable+" to the place of "+filepath.Base(path))
	}
	return path
}

// root is the folder of the repository, found from that of the test.
func root(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for at := dir; ; at = filepath.Dir(at) {
		if _, err := os.Stat(filepath.Join(at, "go.mod")); err == nil {
			return at
		}
		if at == filepath.Dir(at) {
			t.Fatal("the test does not run within the repository")
		}
	}
}
