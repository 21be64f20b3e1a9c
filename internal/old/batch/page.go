package batch

import (
	"bytes"
	_ "embed"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"nailbridge/internal/page"
)

//go:embed page.html
var pageHTML string

//go:embed page.css
var pageCSS string

var summaryPage = page.Layout(pageHTML, pageCSS, nil)

// section is a table of the summary.
type section struct {
	Title, Head, Note string
	Lines             []line
}

type line struct {
	Name    string
	Count   int
	Percent int // of the greatest of its section
}

// Parts are the parts of a name between which a line may end.
func (l line) Parts() []string {
	return strings.Split(strings.ReplaceAll(l.Name, ".", "\n."), "\n")
}

// ends says in words where a row may end.
var ends = map[string]string{
	published: "Published", unchanged: "Same content as an earlier delivery", superseded: "Another content of the same record counts", conflict: "Conflict: another content claims its revision",
	waiting: "Waits for its surgery", held: "Held: our own output did not pass", notShared: "Not shared", question: "Waits in the worksheet", rejected: "Rejected", skipped: "Skipped",
	refused: "Refused by the store",
}

// sections are the tables of the summary, the greatest count first; years in order.
func (sum Summary) sections() []section {
	named := map[string]int{}
	for k, n := range sum.Outcomes {
		named[ends[k]] = n
	}
	var absent, elsewhere []line
	if sum.Elsewhere > 0 {
		elsewhere = []line{{"Decisions of rows that were not read", sum.Elsewhere, 100}}
	}
	if sum.Absent > 0 {
		absent = []line{{"Identifiers that no row has", sum.Absent, 100}}
	}
	return []section{
		{Title: "Where the rows ended", Head: "End", Note: "Each row once.", Lines: byCount(named)},
		{Title: "Patients to leave out", Head: "Identifier", Note: "As --exclude has them; see whether they are written there as in the export.", Lines: absent},
		{Title: "Decisions", Head: "Decision", Note: "The worksheet names another file or row; a file that was renamed since keeps its name by --name-as.", Lines: elsewhere},
		{Title: "What was noticed", Head: "Reason", Note: "Rows with at least one finding of the kind; noticed.tsv, rejects.tsv, ends.tsv and worksheet.csv say which rows, and what is meant.", Lines: byCount(sum.Reasons)},
		{Title: "Records by year", Head: "Year", Lines: byName(sum.Years)},
		{Title: "Matrix agents", Head: "Agent", Note: "Borders treated.", Lines: byCount(sum.Agents)},
		{Title: "Cells without a code", Head: "Column", Lines: byCount(sum.Misses)},
		{Title: "Files", Head: "File", Lines: byName(sum.Files)},
	}
}

// next says what is left to do, by the ends that are not good ones.
func (sum Summary) next() (out []string) {
	for _, x := range []struct{ end, text string }{
		{question, fmt.Sprintf("worksheet.csv has %d questions: write accept, correct (with the words) or leave into decision, and who; then run again with --decisions worksheet.csv and another --out.", sum.Questions)},
		{rejected, "rejects.tsv says why rows were rejected; they stand in rejects-FILE as they came: mend them there, and run that file with the same layout and another --out."},
		{waiting, "ends.tsv lists the reviews and contacts whose surgery is not there, and says whether it is another patient's: mend what a row names, or run it together with the row of its surgery. Into a data folder it may also run after that, with another --out; over NATS too, but for a row that was not handed over." + sum.later()},
		{held, "ends.tsv says what did not pass of what was made of held rows, a fault of ours; nothing of their patients is published."},
		{conflict, "ends.tsv lists the rows whose record has other content under the same revision: only one counts."},
		{refused, "ends.tsv says why records were refused."},
	} {
		if sum.Outcomes[x.end] > 0 {
			out = append(out, x.text)
		}
	}
	return out
}

func byName(m map[string]int) []line {
	var out []line
	most := 1
	for _, n := range m {
		most = max(most, n)
	}
	for _, k := range slices.Sorted(maps.Keys(m)) {
		out = append(out, line{k, m[k], 100 * m[k] / most})
	}
	return out
}

func byCount(m map[string]int) []line {
	out := byName(m)
	slices.SortStableFunc(out, func(a, b line) int { return b.Count - a.Count })
	return out
}

// WriteText writes the summary as text.
func (sum Summary) WriteText(w io.Writer) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, "%d rows, %d patients\n", sum.Rows, sum.Patients)
	for _, s := range sum.sections() {
		if len(s.Lines) == 0 {
			continue
		}
		fmt.Fprintf(&b, "\n%s\n", s.Title)
		if s.Note != "" {
			fmt.Fprintf(&b, "  %s\n", s.Note)
		}
		for _, l := range s.Lines {
			fmt.Fprintf(&b, "  %-45s %8d %s\n", l.Name, l.Count, strings.Repeat("#", l.Percent/5))
		}
	}
	if next := sum.next(); len(next) > 0 {
		fmt.Fprintf(&b, "\nWhat is left to do\n  %s\n", strings.Join(next, "\n  "))
	}
	_, err := w.Write(b.Bytes())
	return err
}

// page writes the summary page and its text beside the files.
func (o Options) page(sum Summary) error {
	var html, text bytes.Buffer
	inputs := fmt.Sprintf("%d tables", len(o.names))
	if len(o.names) == 1 {
		inputs = o.names[0]
	}
	err := summaryPage.Execute(&html, map[string]any{"Rows": sum.Rows, "Inputs": inputs, "Patients": sum.Patients, "AsOf": o.AsOf.Format("2006-01-02"),
		"Sharing": o.Sharing, "Basis": o.Basis, "Sections": sum.sections(), "Next": sum.next()})
	if err != nil {
		return err
	}
	if err := sum.WriteText(&text); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(o.Out, "summary.html"), html.Bytes(), 0o644); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(o.Out, "summary.txt"), text.Bytes(), 0o644)
}
