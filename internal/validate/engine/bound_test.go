package engine

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"nailbridge/internal/validate/defs"
)

// Where there is more to say than is said, what is said depends no more on the
// order of the members than elsewhere.
func TestTheSameIsSaidPastTheBound(t *testing.T) {
	var members []string
	for i := range 2*maxIssues + 5000 {
		members = append(members, fmt.Sprintf(`"toenail%d":1`, i))
	}
	v := New(defs.New())
	validate := func() []Issue {
		return v.Validate([]byte(`{"resourceType":"Patient",`+strings.Join(members, ",")+`}`), Options{})
	}
	want := validate()
	assert.Len(t, want, 2*maxIssues)
	slices.Reverse(members)
	assert.True(t, slices.Equal(want, validate()))
}

// An issue quotes the beginning of what is long, in whole characters.
func TestLongDetailsAreShortened(t *testing.T) {
	long := strings.Repeat("ä", 10_000)
	for _, i := range New(defs.New()).Validate([]byte(`{"resourceType":"Patient","language":"`+long+`","birthDate":"x`+long+`"}`), Options{}) {
		assert.LessOrEqual(t, len(i.Detail), maxDetail+len("..."))
		assert.True(t, strings.HasPrefix("x"+long, strings.TrimSuffix(i.Detail, "...")) || strings.HasPrefix(long, strings.TrimSuffix(i.Detail, "...")), i.Detail)
	}
}
