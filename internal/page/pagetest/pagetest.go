// Package pagetest holds the pages of the project to what can be computed of them:
// contrast, width, columns. conformance/guide/pictures measures them in a browser.
package pagetest

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/page"
)

// rule is a rule of the stylesheet: its selector and its declarations.
type rule struct {
	selector string
	sets     map[string]string
}

var comment = regexp.MustCompile(`(?s)/\*.*?\*/`)

// rulesOf reads a stylesheet whose at-rules hold rules or declarations.
func rulesOf(css string) (out []rule) {
	css = comment.ReplaceAllString(css, "")
	for _, m := range regexp.MustCompile(`([^{}]*)\{([^{}]*)\}`).FindAllStringSubmatch(css, -1) {
		r := rule{strings.Join(strings.Fields(m[1]), " "), map[string]string{}}
		for d := range strings.SplitSeq(m[2], ";") {
			if name, value, ok := strings.Cut(d, ":"); ok {
				r.sets[strings.TrimSpace(name)] = strings.TrimSpace(value)
			}
		}
		out = append(out, r)
	}
	return out
}

// luminance is the relative luminance of a colour such as "#0a4d8c"
// (https://www.w3.org/TR/WCAG21/#dfn-relative-luminance).
func luminance(colour string) (float64, error) {
	if len(colour) != 7 || colour[0] != '#' {
		return 0, fmt.Errorf("%q is no colour of six digits", colour)
	}
	var rgb [3]float64
	for i := range rgb {
		n, err := strconv.ParseUint(colour[1+2*i:3+2*i], 16, 8)
		if err != nil {
			return 0, err
		}
		c := float64(n) / 255
		if rgb[i] = c / 12.92; c > 0.03928 {
			rgb[i] = math.Pow((c+0.055)/1.055, 2.4)
		}
	}
	return 0.2126*rgb[0] + 0.7152*rgb[1] + 0.0722*rgb[2], nil
}

// contrast is the contrast ratio of two colours
// (https://www.w3.org/TR/WCAG21/#dfn-contrast-ratio).
func contrast(a, b string) (float64, error) {
	x, err := luminance(a)
	if err != nil {
		return 0, err
	}
	y, err := luminance(b)
	if err != nil {
		return 0, err
	}
	return (max(x, y) + 0.05) / (min(x, y) + 0.05), nil
}

// The figures of WCAG 2.1, level AA: 1.4.3 for text of any size, and 1.4.11 for
// what is seen without being read, such as the border that shows the focus.
const (
	textContrast   = 4.5
	borderContrast = 3.0
)

// pairs lists the colours of text with each colour that may be behind it. A rule
// that sets one sets the other; behind one that inherits, any light one may be.
func pairs(css string) (out [][2]string, err error) {
	var light, inherit []string
	for _, r := range rulesOf(css) {
		colour, behind := r.sets["color"], r.sets["background"]
		switch {
		case (colour == "") != (behind == ""):
			return nil, fmt.Errorf("%s sets a colour, and not the one behind it", r.selector)
		case colour == "":
		case behind == "inherit":
			inherit = append(inherit, colour)
		default:
			out = append(out, [2]string{colour, behind})
			if l, err := luminance(behind); err != nil {
				return nil, err
			} else if l > 0.5 {
				light = append(light, behind)
			}
		}
	}
	for _, c := range inherit {
		for _, b := range light {
			out = append(out, [2]string{c, b})
		}
	}
	return out, nil
}

// Check holds a page with rules of its own to all of it.
func Check(t *testing.T, layout, own string) {
	t.Helper()
	css := page.Style(own)
	contrastOf(t, css)
	assert.Empty(t, sideways(css))
	columns(t, layout, css)
	for _, outside := range []string{"<script", "src=", "<link", "url(", "@import"} {
		assert.NotContains(t, layout+css, outside, "a page asks for nothing from outside")
	}
}

// contrastOf holds each text of a stylesheet to WCAG 2.1, 1.4.3: it can be told from
// what is behind it; and every line and border to 1.4.11.
func contrastOf(t *testing.T, css string) {
	t.Helper()
	all, err := pairs(css)
	require.NoError(t, err)
	require.Greater(t, len(all), 10)
	least := 21.0
	for _, p := range all {
		c, err := contrast(p[0], p[1])
		require.NoError(t, err)
		assert.GreaterOrEqual(t, c, textContrast, "%s on %s", p[0], p[1])
		least = min(least, c)
	}
	lines := 0
	for _, r := range rulesOf(css) {
		for name, value := range r.sets {
			colour := regexp.MustCompile(`#[0-9a-f]{6}`).FindString(value)
			if colour == "" || !strings.HasPrefix(name, "border") && !strings.HasPrefix(name, "outline") {
				continue
			}
			c, err := contrast(colour, "#ffffff")
			require.NoError(t, err)
			assert.GreaterOrEqual(t, c, borderContrast, "%s of %s", name, r.selector)
			lines++
		}
	}
	assert.Greater(t, lines, 5)
	t.Logf("%d pairs, the least contrast %.2f; %d lines", len(all), least, lines)
}

// sideways says which rules of a stylesheet could make a page wider than a screen
// of 390 pixels: a width or a gap that does not give way, text that may not break.
func sideways(css string) (out []string) {
	long := regexp.MustCompile(`([0-9.]+)(px|rem|em|pt|cm|mm)`)
	pixels := map[string]float64{"px": 1, "rem": 16, "em": 16, "pt": 96.0 / 72, "cm": 96 / 2.54, "mm": 96 / 25.4}
	for _, r := range rulesOf(css) {
		for name, value := range r.sets {
			bad := name == "white-space" && value != "normal" && value != "pre-wrap" || strings.HasPrefix(name, "overflow") && name != "overflow-wrap" ||
				name == "min-width" || name == "table-layout" && value != "fixed" || name == "flex-wrap" && value != "wrap" || name == "float"
			for _, m := range long.FindAllStringSubmatch(value, -1) {
				n, _ := strconv.ParseFloat(m[1], 64)
				bad = bad || n*pixels[m[2]] > 320 && name != "max-width" // a most of a width gives way
			}
			if bad {
				out = append(out, r.selector+": "+name+": "+value)
			}
		}
	}
	return out
}

// columns holds the columns of each table to the whole width.
func columns(t *testing.T, layout, css string) {
	t.Helper()
	width := regexp.MustCompile(`class="w(\d+)[" ]`)
	tables := 0
	for line := range strings.Lines(layout) {
		if !strings.Contains(line, "<thead") {
			continue
		}
		tables++
		sum := 0
		for _, m := range width.FindAllStringSubmatch(line, -1) {
			n, err := strconv.Atoi(m[1])
			require.NoError(t, err)
			sum += n
			assert.Contains(t, css, fmt.Sprintf(".w%d { width: %d%%; }", n, n))
		}
		assert.Equal(t, 100, sum, line)
	}
	assert.Equal(t, strings.Count(layout, "<table"), tables)
}
