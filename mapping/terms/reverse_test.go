package terms

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/mapping/record"
)

// TestReverse: what Translate made of a code gives that code back; without the
// local coding it gives that code or says that it cannot tell, never another.
func TestReverse(t *testing.T) {
	terms := MustLoad()
	told, untold := 0, 0
	for _, s := range []Setting{{SnomedCT: FreeSet}, {SnomedCT: Licensed, HCPCS: true}, {SnomedCT: Off}} {
		for name := range terms.uses {
			for code := range terms.index[name] {
				c := terms.Translate(name, record.Code(code), s)
				bound := terms.uses[name].Bound
				back, ok := terms.Reverse(name, c)
				if bound && name == "flag-category" {
					continue // many flags share a category
				}
				require.True(t, ok || bound, "%s %s", name, code)
				if ok {
					require.Equal(t, code, string(back), name)
				}
				alone := Concept{Codings: slices.DeleteFunc(slices.Clone(c.Codings), func(x Coding) bool { return x.System == localSystem+terms.uses[name].Source })}
				if back, ok := terms.Reverse(name, alone); ok {
					told++
					require.Equal(t, code, string(back), "%s by its standard codes", name)
				} else {
					untold++
				}
			}
		}
	}
	t.Logf("by standard codes alone %d are told and %d are not", told, untold)
	assert.Positive(t, told)
}

func TestReverseOfWhatIsNotListed(t *testing.T) {
	terms := MustLoad()
	for name, c := range map[string]Concept{
		"another code of the list's system":   {Codings: []Coding{{System: localSystem + "toe", Code: "left-6"}}},
		"a code of another list of ours":      {Codings: []Coding{{System: localSystem + "limb", Code: "left-leg"}, {System: HCPCS, Code: "TA"}}},
		"another system":                      {Codings: []Coding{{System: "https://elsewhere.example", Code: "left-1"}}},
		"words that are no meaning of a code": {Text: "the big one"},
		"nothing":                             {},
	} {
		_, ok := terms.Reverse("toe", c)
		assert.False(t, ok, name)
	}
	_, ok := terms.Reverse("no such list", Concept{Text: "Left hallux"})
	assert.False(t, ok)
	code, ok := terms.Reverse("toe", Concept{Codings: []Coding{{System: HCPCS, Code: "TA"}}})
	assert.True(t, ok)
	assert.Equal(t, record.Code("left-1"), code)
	code, ok = terms.Reverse("toe", Concept{Text: "Left hallux"})
	assert.True(t, ok)
	assert.Equal(t, record.Code("left-1"), code)
}
