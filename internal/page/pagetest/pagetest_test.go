package pagetest

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/page"
)

func TestContrastFormula(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want float64
	}{ // black on white is 21 to 1 by definition, #777777 on white 4.48, #767676 4.54 (published tables of WCAG)
		{"#000000", "#ffffff", 21}, {"#777777", "#ffffff", 4.48}, {"#767676", "#ffffff", 4.54}, {"#ffffff", "#ffffff", 1},
	} {
		got, err := contrast(c.a, c.b)
		require.NoError(t, err)
		assert.InDelta(t, c.want, got, 0.005, c.a+c.b)
	}
	_, err := contrast("red", "#ffffff")
	assert.Error(t, err)
}

func TestPairsFindWhatIsHalfSet(t *testing.T) {
	_, err := pairs("a { color: #000000; }")
	assert.Error(t, err)
	got, err := pairs("html { color: #000000; background: #ffffff; } a { color: #777777; background: inherit; }")
	require.NoError(t, err)
	assert.Equal(t, [][2]string{{"#000000", "#ffffff"}, {"#777777", "#ffffff"}}, got)
}

// Nothing of the stylesheet keeps a page wider than a narrow screen or an A4 page;
// long words break, and tables become blocks on the one and stay whole on the other.
func TestNothingScrollsSideways(t *testing.T) {
	style := page.Style("")
	assert.Empty(t, sideways(style))
	for _, css := range []string{"a { white-space: nowrap; }", "pre { overflow-x: scroll; }", "td { width: 40rem; }", "td { min-width: 1em; }", "table { table-layout: auto; }"} {
		assert.Len(t, sideways(css), 1, css)
	}
	sets := func(selector, name, value string) bool {
		return slices.ContainsFunc(rulesOf(style), func(r rule) bool {
			return slices.Contains(strings.Split(r.selector, ", "), selector) && r.sets[name] == value
		})
	}
	assert.True(t, sets("body", "overflow-wrap", "anywhere"))
	assert.True(t, sets("pre", "white-space", "pre-wrap"))
	assert.True(t, sets(".wide td", "display", "block"), "narrow screens")
	assert.True(t, sets("table", "table-layout", "fixed"))
	assert.True(t, sets("@page", "size", "A4"))
	assert.True(t, sets("thead", "display", "table-header-group"), "each printed page repeats the head")
}
