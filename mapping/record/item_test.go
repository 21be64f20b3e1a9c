package record

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestItemKeys(t *testing.T) {
	type item struct{ place, key string }
	keys := func(items ...item) []string {
		return itemKeys(items, func(i item) (string, string) { return i.place, i.key })
	}
	// A key stays when items come, go or change order.
	one := keys(item{"left-1", "a"}, item{"left-1", "b"}, item{"right-1", "a"})
	two := keys(item{"right-1", "a"}, item{"left-1", "c"}, item{"left-1", "b"}, item{"left-1", "a"})
	assert.Equal(t, []string{one[2], one[1], one[0]}, []string{two[0], two[2], two[3]})
	// Without key: the ordinal among those of the same place.
	one = keys(item{"medial", ""}, item{"lateral", ""}, item{"medial", ""})
	two = keys(item{"lateral", ""}, item{"medial", ""}, item{"medial", ""})
	assert.Equal(t, []string{one[1], one[0], one[2]}, two)
	// All differ, whatever is sent: repeated keys, keys that look like ordinals.
	for _, items := range [][]item{
		{{"p", "a"}, {"p", "a"}, {"p", ""}, {"p", "a"}, {"p", "0"}, {"p", "1"}},
		{{"p", ""}, {"p", "ordinal"}, {"", "p"}, {"pa", ""}, {"p", "a"}},
	} {
		got := keys(items...)
		slices.Sort(got)
		assert.Len(t, slices.Compact(got), len(items), "%v", items)
	}
}

func TestToeCode(t *testing.T) {
	assert.Equal(t, "left-1", ToeCode("left", "1"))
	assert.Empty(t, ToeCode("left", ""))
	assert.Empty(t, ToeCode("", "1"))
}
