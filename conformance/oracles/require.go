package oracles

import (
	"testing"

	"nailbridge/internal/official"
)

// Require lets a test go on only where the outside validator is to be asked: in CI, or with NAILBRIDGE_ORACLE=1 in the
// environment. There a missing java or mvn fails the test. Elsewhere the test is skipped and says why.
func Require(t testing.TB) {
	t.Helper()
	official.Tool(t, "the outside validator", "java", "mvn")
}
