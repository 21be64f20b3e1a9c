package hub

import (
	"fmt"
	"net/http"
	"regexp"
	"strconv"
	"strings"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// Page sizes: of a client that names none, and the greatest; a greater one
// asked for is reduced and self says so (search.html#count).
const (
	defaultCount = 50
	maxCount     = 500
)

// maxNotes is how many warnings a search may raise, which each page repeats, and
// how many errors are told of one that is refused.
const maxNotes = 64

// criteria is a search as it will be carried out.
type criteria struct {
	index     searchparam.Index
	typ       string // "": every type of the compartment
	patient   string // whose compartment; "": none
	match     []searchparam.Condition
	used      []searchparam.Pair // for the self link
	sort      []store.SortKey
	includes  []searchparam.Include
	revIncl   []searchparam.Include
	part      subset
	count     int
	ascending bool
	total     bool // is counted
	untold    bool // not even where it shows by itself
	only      bool // the total alone: _count=0 or _summary=count
	notes     []issue
}

// totalOf is the total of the walk, where it was counted, or where the first page
// is all of it; nil: it is left out.
func (cr criteria) totalOf(p store.Page, begins bool) *int {
	switch n := len(p.Versions); {
	case cr.total:
		return &p.Total
	case begins && !p.More && !cr.untold:
		return &n
	}
	return nil
}

// query is the page of the store that a token stands before.
func (cr criteria) query(t token) store.Query {
	q := store.Query{
		Type: cr.typ, Match: cr.match, Sort: cr.sort, Ascending: cr.ascending, Reverse: t.Backward,
		UpTo: t.UpTo, Epoch: t.Epoch, Count: cr.count, NoTotal: !cr.total,
	}
	if cr.patient != "" {
		q.Compartment = &store.Compartment{Of: resource.Ref{Type: "Patient", ID: cr.patient}, Params: searchparam.PatientCompartment(cr.typ), Link: searchparam.PatientLink}
	}
	if t.Epoch != "" {
		q.After = t.key()
	}
	return q
}

// controls are the parameters that shape the answer and may be sent once.
var controls = []string{"_count", "_elements", "_sort", "_summary", "_total"}

// criteria reads the parameters of a search. A fault has every problem that
// was found.
func (h *hub) criteria(a asked, pairs []searchparam.Pair, lenient bool) (criteria, error) {
	q, problems := h.index.Parse(a.typ, pairs)
	cr := criteria{index: h.index, typ: a.typ, patient: a.patient, match: q.Match, used: q.Used, count: defaultCount}
	for _, name := range controls {
		value, err := oneOf(q.Control, name)
		switch {
		case err != nil:
			problems = append(problems, refused(name, "may be sent once only"))
		case value != "":
			problems = append(problems, cr.control(name, value)...)
		}
	}
	for _, p := range q.Control {
		if p.Value == "" {
			problems = append(problems, ignored(p.Name, "has no value (R4 search.html#errors)"))
		}
	}
	problems = append(problems, cr.related(q.Control)...)
	part, more := subsetOf(a.typ, q.Control)
	cr.part, problems = part, append(problems, more...)
	if part.elements != nil {
		cr.used = append(cr.used, searchparam.Pair{Name: "_elements", Value: strings.Join(part.elements, ",")})
	}
	if err := cr.weigh(problems, lenient); err != nil {
		return cr, err
	}
	if len(cr.notes) > 0 && len(cr.match) == 0 {
		cr.notes = append(cr.notes, issue{"warning", "incomplete",
			fmt.Sprintf("no criterion was left: the answer goes over every %s", a.path())}) // R-SRCH-08
	}
	return cr, nil
}

// weigh makes the problems notes of the answer, or a fault.
func (cr *criteria) weigh(problems []searchparam.Problem, lenient bool) error {
	var wrong []issue
	for _, p := range problems {
		switch {
		case p.Weight == searchparam.Refused || p.Weight == searchparam.Unknown && !lenient:
			wrong = append(wrong, issue{"error", p.Code, p.Text})
		case p.Weight == searchparam.Noted:
			cr.notes = append(cr.notes, issue{"warning", p.Code, p.Text})
		default:
			cr.notes = append(cr.notes, issue{"warning", p.Code, p.Text + "; the search went on without it"})
		}
	}
	if len(cr.notes) > maxNotes {
		wrong = append(wrong, issue{"error", "too-costly", fmt.Sprintf("a search may leave out at most %d parameters", maxNotes)})
	}
	if more := len(wrong) - maxNotes; more > 0 {
		wrong = append(wrong[:maxNotes], issue{"warning", "informational", fmt.Sprintf("%d more are not listed", more)})
	}
	if len(wrong) > 0 {
		return &fault{status: http.StatusBadRequest, issues: wrong}
	}
	return nil
}

// maxIncludes is how many of _include and of _revinclude one search may have.
const maxIncludes = 16

// related reads _include and _revinclude, which may be repeated.
func (cr *criteria) related(control []searchparam.Pair) (problems []searchparam.Problem) {
	for _, p := range control {
		reverse := p.Name == "_revinclude"
		if p.Name != "_include" && !reverse {
			continue
		}
		switch summary, _ := oneOf(control, "_summary"); {
		case p.Value == "":
			continue
		case summary == "text": // R-PAGE-23
			return append(problems, refused(p.Name, "can not stand beside _summary=text"))
		case cr.typ == "" || isArtifact(cr.typ):
			return append(problems, unsupported(p.Name, "is offered for searches of one type that is stored"))
		}
		i, problem := cr.index.ParseInclude(cr.typ, p.Value, reverse)
		if problem != nil {
			problems = append(problems, *problem)
			continue
		}
		if reverse {
			cr.revIncl = append(cr.revIncl, i)
		} else {
			cr.includes = append(cr.includes, i)
		}
		cr.used = append(cr.used, p)
	}
	if len(cr.includes) > maxIncludes || len(cr.revIncl) > maxIncludes {
		problems = append(problems, searchparam.Problem{Weight: searchparam.Refused, Code: "too-costly",
			Text: fmt.Sprintf("a search may have at most %d of _include and %d of _revinclude", maxIncludes, maxIncludes)})
	}
	return problems
}

// maxSort is how many values a search may be sorted by.
const maxSort = 4

// order reads _sort: names with a minus for falling, the first counting most. At
// the end _lastUpdated is the walk's own order.
func (cr *criteria) order(value string) (problems []searchparam.Problem) {
	names := strings.Split(value, ",")
	var keys []store.SortKey
	ascending := false
	for i, name := range names {
		bare, falls := strings.CutPrefix(name, "-")
		if bare == "" {
			problems = append(problems, refused("_sort", "has a name that is empty"))
			continue
		}
		if bare == searchparam.LastUpdatedName && i == len(names)-1 {
			ascending = !falls
			continue
		}
		rows, kind, ok := cr.index.Sortable(cr.typ, bare)
		if !ok {
			problems = append(problems, unsupported("_sort", "names what this search can not be sorted by"))
			continue
		}
		keys = append(keys, store.SortKey{Param: rows, Kind: kind, Descending: falls})
	}
	if len(keys) > maxSort {
		problems = append(problems, refused("_sort", fmt.Sprintf("takes at most %d names", maxSort)))
	}
	if problems == nil { // else all of it is left out, or nothing is searched
		cr.sort, cr.ascending = keys, ascending
	}
	return problems
}

func refused(name, text string) searchparam.Problem {
	return searchparam.Problem{Weight: searchparam.Refused, Code: "value", Text: name + " " + text}
}

func ignored(name, text string) searchparam.Problem {
	return searchparam.Problem{Weight: searchparam.Ignored, Code: "informational", Text: name + " " + text}
}

func unsupported(name, text string) searchparam.Problem {
	return searchparam.Problem{Weight: searchparam.Unknown, Code: "not-supported", Text: name + " " + text}
}

var countPattern = regexp.MustCompile(`^[0-9]+$`)

// countOf reads a _count: no more than a page holds (search.html#count).
func countOf(value string) (n int, ok bool) {
	if !countPattern.MatchString(value) {
		return 0, false
	}
	n, err := strconv.Atoi(value)
	if err != nil { // more than any number of ours
		return maxCount, true
	}
	return min(n, maxCount), true
}

// control applies one parameter that shapes the answer.
func (cr *criteria) control(name, value string) []searchparam.Problem {
	switch name {
	case "_count":
		n, ok := countOf(value)
		if !ok {
			return []searchparam.Problem{refused(name, "must be a number without a sign")}
		}
		cr.count, value = n, strconv.Itoa(n)
		cr.only = cr.only || n == 0
	case "_sort":
		if problems := cr.order(value); problems != nil {
			return problems
		}
	case "_elements":
		return nil // subsetOf reads it
	case "_summary":
		cr.only = cr.only || value == "count"
	case "_total":
		if value != "none" && value != "estimate" && value != "accurate" {
			return []searchparam.Problem{refused(name, "must be none, estimate or accurate")}
		}
		cr.total, cr.untold = value != "none", value == "none"
	}
	if cr.only {
		cr.count, cr.total = 0, true // _count=0 asks for the total (search.html#count)
	}
	cr.used = append(cr.used, searchparam.Pair{Name: name, Value: value})
	return nil
}
