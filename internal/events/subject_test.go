package events_test

import (
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"nailbridge/internal/events"
)

// D2.2: =HH for bytes outside A-Z a-z 0-9 - _.
func TestD2_2_Token(t *testing.T) {
	for id, want := range map[string]string{
		"north": "north", "AZaz09-_": "AZaz09-_", "": "=", "=": "=3D",
		"a.b": "a=2Eb", "*": "=2A", ">": "=3E", "a b": "a=20b", "é": "=C3=A9", "\x00\n": "=00=0A", "=2E": "=3D2E",
		strings.Repeat("a", 200): strings.Repeat("a", 200),
		// printf 'a%.0s' {1..201} | sha256sum
		strings.Repeat("a", 201): "=sha256-a92efd82109373e58f9a2056dee01e807e216ce6075f7051207c0a9f7d666e50",
	} {
		assert.Equal(t, want, events.Token(id), "%q", id)
	}
}

// A token is one valid token, of bounded length, and no two ids have the same.
func TestD2_2_TokensAreDistinct(t *testing.T) {
	valid := regexp.MustCompile(`^[A-Za-z0-9_=-]{1,200}$`)
	ids := rapid.OneOf(rapid.String(), rapid.StringMatching(`[=a.0-9A-F]{0,8}`), rapid.StringMatching(`[.a]{195,205}`))
	rapid.Check(t, func(t *rapid.T) {
		a, b := ids.Draw(t, "a"), ids.Draw(t, "b")
		assert.Regexp(t, valid, events.Token(a))
		assert.Equal(t, a == b, events.Token(a) == events.Token(b))
	})
}

func TestSubjects(t *testing.T) {
	assert.Equal(t, "nailbridge.records.north", events.RecordsSubject("north"))
	assert.Equal(t, "nailbridge.answers.a=2Eb.S-1", events.AnswersSubject("a.b", "S-1"))
	assert.Equal(t, "nailbridge.answers.north.=", events.AnswersSubject("north", ""))
	assert.Equal(t, "nailbridge.changes.north", events.ChangesSubject("north"))
}
