package hub

import (
	"fmt"
	"net/http"
	"regexp"
	"slices"
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

// asked is what a path asks for, of which the parameters are criteria.
type asked struct{ typ, patient string }

// path is that of the answer's links.
func (a asked) path() string {
	switch {
	case a.patient == "":
		return a.typ
	case a.typ == "":
		return "Patient/" + a.patient + "/*"
	}
	return "Patient/" + a.patient + "/" + a.typ
}

// search answers GET [type] and POST [type]/_search, and further pages of
// both (http.html#search, D8.1).
func (h *hub) search(r *request) error {
	typ := r.c.Param("type")
	if !searched(typ) {
		return errType
	}
	return h.searchFor(r, asked{typ: typ})
}

// searchCompartment answers GET Patient/[id]/[type], and Patient/[id]/* for every
// type that the compartment has (http.html#vsearch).
func (h *hub) searchCompartment(r *request) error {
	ref, err := r.ref()
	if err != nil {
		return err
	}
	a := asked{r.c.Param("within"), ref.ID}
	if a.typ == "*" {
		a.typ = ""
	}
	names := searchparam.PatientCompartment(a.typ)
	switch {
	case ref.Type != "Patient" || len(names) == 0:
		return faultf(http.StatusNotFound, "not-supported", "the compartment of a Patient is offered, by the types that belong to it or *")
	case !h.index.Offers(append(names, searchparam.PatientLink)):
		f := faultf(http.StatusServiceUnavailable, "transient", "what belongs to a patient is being indexed anew; try again")
		f.header = map[string]string{"Retry-After": retryAfter}
		return f
	}
	return h.searchFor(r, a)
}

func (h *hub) searchFor(r *request, a asked) error {
	page, err := r.one(pageParam)
	if err != nil {
		return err
	}
	if page != "" {
		return h.searchPage(r, a, page)
	}
	cr, err := h.criteria(a, r.pairs, r.lenient)
	if err != nil {
		return err
	}
	return h.answerSearch(r, cr, token{Walk: walkSearch, Type: a.typ, ID: a.patient, Query: searchparam.EncodeQuery(cr.used), Notes: cr.notes, Scope: h.scopeName(r), Rows: h.rowsOf(cr)}, "")
}

// rowsOf names the definitions by which a walk finds and sorts, so that it does
// not go on by others; "" where it does by none.
func (h *hub) rowsOf(cr criteria) string {
	if len(cr.match) == 0 && len(cr.sort) == 0 && cr.patient == "" {
		return ""
	}
	return h.made
}

// searchPage answers a page named by a token. The criteria come from the
// token; repeated in the query, as in our self links, they must be the same.
func (h *hub) searchPage(r *request, a asked, page string) error {
	t, err := h.open(r, page, walkSearch, a.typ, a.patient)
	if err != nil {
		return err
	}
	if t.Rows != "" && t.Rows != h.made { // before the criteria, which may be offered no more
		return errOutdated("search parameters")
	}
	pairs, err := searchparam.ParseQuery(t.Query)
	if err != nil {
		return err
	}
	cr, err := h.criteria(a, pairs, false)
	if err != nil {
		return err
	}
	cr.notes = t.Notes
	return h.answerSearch(r, cr, t, page)
}

// scopeName tells one scope from another; "" is everything.
func (h *hub) scopeName(r *request) string {
	s := h.scope(r.c.Request.Context())
	if s.Everything {
		return ""
	}
	return string(mustJSON(slices.Sorted(slices.Values(s.Clinics))))
}

// open reads the token of a page and checks that it belongs to this walk.
func (h *hub) open(r *request, page, walk, typ, id string) (token, error) {
	t, err := h.seal.open(page)
	if err != nil {
		return token{}, err
	}
	rest := slices.DeleteFunc(slices.Clone(r.pairs), func(p searchparam.Pair) bool {
		return p.Name == pageParam || isForm(p)
	})
	if t.Walk != walk || t.Type != typ || t.ID != id || t.Scope != h.scopeName(r) || len(rest) > 0 && searchparam.EncodeQuery(rest) != t.Query {
		return token{}, faultf(http.StatusBadRequest, "invalid", "this page link belongs to another request")
	}
	return t, nil
}

// answerSearch answers one page. The token says where the walk stands; a walk
// that begins has no epoch yet.
func (h *hub) answerSearch(r *request, cr criteria, t token, pageText string) error {
	q := cr.query(t)
	var p store.Page
	var beside []entry
	notes := cr.notes
	err := h.view(r.c.Request.Context(), cr.typ, func(rd store.Published) (err error) {
		if p, err = rd.Search(q); err != nil {
			return err
		}
		var more []issue
		beside, more, err = h.beside(rd, cr, p)
		notes = append(slices.Clone(notes), more...)
		return err
	})
	if err != nil {
		return err
	}
	if t.Backward {
		slices.Reverse(p.Versions)
		slices.Reverse(p.Keys)
	}
	path := asked{cr.typ, cr.patient}.path()
	b := bundle{kind: "searchset", links: []link{h.self(r, path, cr.used, pageText)}}
	begins := t.Epoch == ""
	b.total = cr.totalOf(p, begins)
	if !cr.only {
		t.Epoch, t.UpTo = p.Epoch, p.UpTo
		b.links = append(b.links, h.further(r, path, t, p, begins)...)
		for _, v := range p.Versions {
			e, err := h.match(v, cr.part)
			if err != nil {
				return err
			}
			b.entries = append(b.entries, e)
		}
		b.entries = append(b.entries, beside...)
	}
	if len(notes) > 0 {
		b.entries = append(b.entries, said(notes))
	}
	r.send(document{body: b.JSON(), public: isArtifact(cr.typ)})
	return nil
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

// maxIncluded is how many resources may stand beside the matches of a page, of
// _include and of _revinclude each.
const maxIncluded = 1000

// beside gives the entries of _include and _revinclude; what is left out is said.
func (h *hub) beside(rd store.Published, cr criteria, p store.Page) (out []entry, notes []issue, err error) {
	if len(p.Versions) == 0 {
		return nil, nil, nil
	}
	part := subset{summary: cr.part.summary} // _elements is about matches (search.html#elements)
	had := map[resource.Ref]bool{}
	for _, way := range []struct {
		name    string
		rules   []searchparam.Include
		reverse bool
	}{{"_include", cr.includes, false}, {"_revinclude", cr.revIncl, true}} {
		if len(way.rules) == 0 {
			continue
		}
		found, more, err := rd.Related(store.Relation{Page: p.Versions, Includes: way.rules, Reverse: way.reverse, UpTo: p.UpTo, Limit: maxIncluded})
		if err != nil {
			return nil, nil, err
		}
		if more {
			notes = append(notes, issue{"warning", "incomplete",
				fmt.Sprintf("%s of this page found more than %d resources: the rest is not here; ask for fewer matches by _count", way.name, maxIncluded)})
		}
		for _, v := range found {
			if had[v.Ref] {
				continue
			}
			had[v.Ref] = true
			body, err := part.of(v.Ref.Type, v.Body)
			if err != nil {
				return nil, nil, err
			}
			out = append(out, entry{fullURL: h.fullURL(v.Ref), resource: body, mode: "include"})
		}
	}
	return out, notes, nil
}

// self repeats the criteria as used, and the page when it is not the first
// (search.html#conformance).
func (h *hub) self(r *request, path string, used []searchparam.Pair, page string) link {
	pairs := append(slices.Clone(used), r.form()...)
	if page != "" {
		pairs = append(pairs, searchparam.Pair{Name: pageParam, Value: page})
	}
	u := h.base + "/" + path
	if len(pairs) > 0 {
		u += "?" + searchparam.EncodeQuery(pairs)
	}
	return link{"self", u}
}

// page is a link to a further page: the token, and the form of the answer when
// the client named one.
func (h *hub) page(r *request, relation, path string, t token) link {
	pairs := append([]searchparam.Pair{{Name: pageParam, Value: h.seal.seal(t)}}, r.form()...)
	return link{relation, h.base + "/" + path + "?" + searchparam.EncodeQuery(pairs)}
}

// further gives the previous and next links.
func (h *hub) further(r *request, path string, t token, p store.Page, begins bool) []link {
	if len(p.Versions) == 0 {
		return nil
	}
	var out []link
	first, last := p.Keys[0], p.Keys[len(p.Keys)-1]
	if !begins && (p.More || !t.Backward) {
		out = append(out, h.page(r, "previous", path, t.at(first, true)))
	}
	if p.More || t.Backward {
		out = append(out, h.page(r, "next", path, t.at(last, false)))
	}
	return out
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
