package suite

import (
	_ "embed"
	"slices"
	"strings"
)

// Row is one requirement of the project's reference for FHIR servers.
type Row struct {
	ID      string
	Level   string // the standard's own word; PROJ: a rule of ours
	Section string // page, section or guide that it is of
	InForce bool
	Reason  string // why it is not in force, as the scope has it
	Asks    string // in our words, of a row in force
}

//go:embed rows.tsv
var rowsText string

// Rows are all requirements, in the order of the reference.
func Rows() []Row {
	var out []Row
	for i, l := range strings.Split(strings.TrimSuffix(rowsText, "\n"), "\n") {
		if i == 0 {
			continue
		}
		f := strings.Split(l, "\t")
		out = append(out, Row{ID: f[0], Level: f[1], Section: f[2], InForce: f[3] == "now", Reason: f[4], Asks: f[5]})
	}
	return out
}

// Shown says how a row in force is shown: by a check of the suite, where by is
// empty, or by what it names of the project, since nobody sees it from outside. A
// row that neither shows is not ok.
func Shown(id string) (by string, ok bool) {
	if by, ok = elsewhere[id]; ok {
		return by, true
	}
	return "", slices.ContainsFunc(checks(), func(c check) bool { return c.id == id })
}

//go:embed known/rows.tsv
var knownText string

// Known are the rows that fail against a bridge of this version, with the reason.
// They fail in the report and in the exit status as any other.
func Known() map[string]string {
	out := map[string]string{}
	for l := range strings.Lines(knownText) {
		id, reason, _ := strings.Cut(strings.TrimSpace(l), "\t")
		if strings.HasPrefix(id, "R-") {
			out[id] = reason
		}
	}
	return out
}
