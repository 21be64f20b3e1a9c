package suite

import (
	"bytes"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/page/pagetest"
)

// Contrast, width and columns of the report.
func TestStyle(t *testing.T) { pagetest.Check(t, pageHTML, pageCSS) }

// What failed stands first, rows and rules alike, each with what was wrong and with
// its exchanges; what a server answered is text and no markup.
func TestReportAsPage(t *testing.T) {
	r := Report{
		Untried: []string{"no <key>"}, Totals: Totals{Failed: 1, RulesFailed: 1},
		Target: "http://a.example", At: "2026-03-01T10:00:00Z", FHIR: "4.0.1",
		Rows: []Result{
			{ID: "R-A-01", Level: "SHALL", Section: "http.html", Result: Passed, Saw: []string{"it occurred"}, Evidence: []Exchange{{"GET metadata", "200"}}},
			{ID: "R-A-02", Level: "MAY", Section: "search.html", Result: NotNow, Reason: "later"},
			{ID: "R-A-03", Level: "SHALL", Section: "http.html", Asks: "an ETag", Result: Failed, Faults: []string{"no <b>ETag</b>"}, Known: "a reason"},
			{ID: "R-A-04", Level: "SHALL", Section: "http.html", Result: Elsewhere, Reason: "TestSomething"},
		},
		Rules: []Result{{ID: "hub-feed", Asks: "the feed", Result: Failed, Faults: []string{"no next"}}},
	}
	var b bytes.Buffer
	require.NoError(t, r.Write(&b, "html"))
	var ids []string
	for _, m := range regexp.MustCompile(`<tr role="row" id="([^"]+)"`).FindAllStringSubmatch(b.String(), -1) {
		ids = append(ids, m[1])
	}
	assert.Equal(t, []string{"R-A-03", "hub-feed", "R-A-01", "R-A-04", "R-A-02"}, ids)
	for _, want := range []string{
		"<title>Conformance of http://a.example</title>", "not everything held",
		`<a href="#failed">Failed</a></th><td class="number">1</td><td class="number">1</td>`, `>All</th><td class="number">4</td><td class="number">1</td>`,
		"failed:</strong> no &lt;key&gt;", "no &lt;b&gt;ETag&lt;/b&gt;", "Known: a reason", "<code>GET metadata</code> gave <code>200</code>", ">TestSomething<", "an ETag",
	} {
		assert.Contains(t, b.String(), want)
	}
	assert.NotContains(t, b.String(), "<b>")
}
