package suite

import (
	_ "embed"
	"io"

	"nailbridge/internal/page"
)

//go:embed report.html
var pageHTML string

//go:embed report.css
var pageCSS string

var reportPage = page.Layout(pageHTML, pageCSS, nil)

// wished is the reason of the scope for what is good to have.
const wished = "wish"

// group are the requirements and rules with one result.
type group struct {
	ID, Title, About string
	Rows, Rules      int
	Results          []Result
}

// Groups are the results by what they are, those that failed first, then in the
// order of the reference.
func (r Report) Groups() []group {
	groups := []group{
		{ID: "failed", Title: "Failed", About: "What was found wrong, then exchanges, one of each kind, at the end the one that tells it. A row also fails where its subject never occurred."},
		{ID: "passed", Title: "Passed", About: "In what the subject occurred, then exchanges, one of each kind, at the end the one that tells it."},
		{ID: "elsewhere", Title: "Observed elsewhere", About: "Nobody sees these from outside; the tests that show them are named."},
		{ID: "not-in-force", Title: "Not in force", About: "Not asked of this version. The reason is that of the scope of the requirements: a wish is good to have, later is not built yet, and what is not offered is refused as a row in force asks."},
	}
	at := map[string]*group{Failed: &groups[0], Passed: &groups[1], Elsewhere: &groups[2], NotNow: &groups[3]}
	for i, x := range r.results() {
		g := at[x.Result]
		g.Results = append(g.Results, x)
		if i < len(r.Rows) {
			g.Rows++
		} else {
			g.Rules++
		}
	}
	return groups
}

// Said is why a result is what it is, a sentence each.
func (x Result) Said() []string {
	switch {
	case x.Reason == wished:
		return []string{"wish: good to have, and not asked of this version whatever its level"}
	case x.Reason != "":
		return []string{x.Reason}
	case x.Result == Failed:
		return x.Faults
	default:
		return x.Saw
	}
}

// html writes the report as one page that asks for nothing from outside.
func (r Report) html(w io.Writer) error { return reportPage.Execute(w, r) }
