package proof

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What is there and not run is no proof.
func TestWhatIsNotRunIsNoProof(t *testing.T) {
	const head = "package p\nimport \"testing\"\n"
	for source, want := range map[string][]string{
		"func TestA(t *testing.T) {}":                                                {"TestA"},
		"func FuzzA(f *testing.F) {}":                                                {"FuzzA"},
		"func TestA(t *testing.T) { t.Skip() }":                                      nil,
		"func TestA(t *testing.T) { t.Run(``, func(t *testing.T) { t.Skipf(``) }) }": nil,
		"func TestA(t *testing.T) { if testing.Short() { t.Skip() } }":               {"TestA"},
		"func TestA(t *testing.T) { if !official.Required() { t.Skip() } }":          {"TestA"},
		"func TestA(t *testing.T) { if x { t.SkipNow() } }":                          nil,
		"func TestA(t *testing.T) { if testing.Short() {} else { t.Skip() } }":       nil,
		"func TestA(t *testing.T) { if x || testing.Short() { t.Skip() } }":          nil,
		"func TestA(t *testing.T) { if x && testing.Short() { t.Skip() } }":          {"TestA"},
		"func TestA(t *testing.T) { b(t) }; func b(t testing.TB) { t.Skip() }":       nil,
		"func testA(t *testing.T) {}":                                                nil,
		"func TestA(t *testing.T, n int) {}":                                         nil,
		"type x int\nfunc (x) TestA(t *testing.T) {}":                                nil,
	} {
		tests, err := testsOf(head + source)
		require.NoError(t, err)
		var got []string
		for _, f := range tests {
			got = append(got, f.name)
		}
		assert.Equal(t, want, got, source)
	}
	const gate = "export CI=true # why\nGOFLAGS=-timeout=60m go test ./...\n"
	assert.True(t, runsEverything(gate))
	assert.True(t, runsEverything(strings.Replace(gate, "./...", "-timeout 60m ./...", 1)))
	for _, weaker := range []string{"-short ", "-run TestA ", "-skip TestA "} {
		assert.False(t, runsEverything(strings.Replace(gate, "./...", weaker+"./...", 1)), weaker)
	}
	assert.False(t, runsEverything(strings.Replace(gate, "CI=true", "CI=false", 1)))
	assert.True(t, cutShort.MatchString("exec x\n[windows] skip 'no'\n"))
	assert.False(t, cutShort.MatchString("exec x skip\n"))
}

// What a test says it shows stands in its comment or in its source, and in no
// other's.
func TestTheTextOfATestIsItsOwn(t *testing.T) {
	const one, two = "// R-X-01: a.\nfunc TestA(t *testing.T) {\n\tb(\"R-X-02\")\n}", "func TestB(t *testing.T) {}"
	got, err := testsOf("package p\n\n// Of the package.\n\n" + one + "\n\n" + two + "\n")
	require.NoError(t, err)
	assert.Equal(t, []function{{"TestA", one}, {"TestB", two}}, got)
}
