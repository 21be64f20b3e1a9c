package hub

import (
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strconv"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
)

// Page sizes: of a client that names none, and the greatest; a greater one
// asked for is reduced and self says so (search.html#count).
const (
	defaultCount = 50
	maxCount     = 500
)

// maxNotes is how many warnings a search may raise, which each page repeats.
const maxNotes = 64

// criteria is a search as it will be carried out.
type criteria struct {
	typ       string
	match     []searchparam.Condition
	used      []searchparam.Pair // for the self link
	count     int
	ascending bool
	total     bool
	only      bool // the total alone: _count=0 or _summary=count
	notes     []issue
}

// search answers GET [type] and POST [type]/_search, and further pages of
// both (http.html#search, D8.1).
func (h *hub) search(r *request) error {
	typ := r.c.Param("type")
	if !searched(typ) {
		return errType
	}
	page, err := r.one(pageParam)
	if err != nil {
		return err
	}
	if page != "" {
		return h.searchPage(r, typ, page)
	}
	cr, err := h.criteria(typ, r.pairs, r.lenient)
	if err != nil {
		return err
	}
	return h.answerSearch(r, cr, token{Walk: walkSearch, Type: typ, Query: searchparam.EncodeQuery(cr.used), Notes: cr.notes, Scope: h.scopeName(r)}, "")
}

// searchPage answers a page named by a token. The criteria come from the
// token; repeated in the query, as in our self links, they must be the same.
func (h *hub) searchPage(r *request, typ, page string) error {
	t, err := h.open(r, page, walkSearch, typ, "")
	if err != nil {
		return err
	}
	pairs, err := searchparam.ParseQuery(t.Query)
	if err != nil {
		return err
	}
	cr, err := h.criteria(typ, pairs, false)
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
	begins := t.Epoch == ""
	q := store.Query{
		Type: cr.typ, Match: cr.match, UpTo: t.UpTo, Epoch: t.Epoch,
		Ascending: cr.ascending != t.Backward, Count: cr.count, NoTotal: !cr.total,
	}
	if !begins {
		q.After = t.key()
	}
	var p store.Page
	err := h.view(r.c.Request.Context(), cr.typ, func(rd store.Published) error {
		var err error
		p, err = rd.Search(q)
		return err
	})
	if err != nil {
		return err
	}
	if t.Backward {
		slices.Reverse(p.Versions)
	}
	b := bundle{kind: "searchset", links: []link{h.self(r, cr.typ, cr.used, pageText)}}
	if cr.total {
		b.total = &p.Total
	}
	if !cr.only {
		t.Epoch, t.UpTo = p.Epoch, p.UpTo
		b.links = append(b.links, h.further(r, cr.typ, t, p, begins)...)
		for _, v := range p.Versions {
			b.entries = append(b.entries, h.match(v))
		}
	}
	if len(cr.notes) > 0 {
		b.entries = append(b.entries, said(cr.notes))
	}
	r.send(document{body: b.JSON(), public: isArtifact(cr.typ)})
	return nil
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
	first, last := p.Versions[0], p.Versions[len(p.Versions)-1]
	if !begins && (p.More || !t.Backward) {
		out = append(out, h.page(r, "previous", path, t.at(first, true)))
	}
	if p.More || t.Backward {
		out = append(out, h.page(r, "next", path, t.at(last, false)))
	}
	return out
}

// criteria reads the parameters of a search. A fault has every problem that
// was found.
func (h *hub) criteria(typ string, pairs []searchparam.Pair, lenient bool) (criteria, error) {
	q, problems := h.index.Parse(typ, pairs)
	cr := criteria{typ: typ, match: q.Match, used: q.Used, count: defaultCount, total: true}
	for _, name := range []string{"_count", "_sort", "_summary", "_total"} {
		value, err := oneOf(q.Control, name)
		switch {
		case err != nil:
			problems = append(problems, refused(name, "may be sent once only"))
		case value != "":
			if p := cr.control(name, value); p != nil {
				problems = append(problems, *p)
			}
		}
	}
	for _, p := range q.Control {
		if p.Value == "" {
			problems = append(problems, ignored(p.Name, "has no value (R4 search.html#errors)"))
		}
	}
	var wrong []issue
	for _, p := range problems {
		if p.Weight == searchparam.Refused || p.Weight == searchparam.Unknown && !lenient {
			wrong = append(wrong, issue{"error", p.Code, p.Text})
			continue
		}
		cr.notes = append(cr.notes, issue{"warning", p.Code, p.Text + "; the search went on without it"})
	}
	if len(cr.notes) > maxNotes {
		wrong = append(wrong, issue{"error", "too-costly", fmt.Sprintf("a search may leave out at most %d parameters", maxNotes)})
	}
	if len(wrong) > 0 {
		return cr, &fault{status: http.StatusBadRequest, issues: wrong}
	}
	if len(cr.notes) > 0 && len(cr.match) == 0 {
		cr.notes = append(cr.notes, issue{"warning", "incomplete",
			fmt.Sprintf("no criterion was left: the answer goes over every %s", typ)}) // R-SRCH-08
	}
	return cr, nil
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

var countPattern = regexp.MustCompile(`^[0-9]{1,18}$`)

// control applies one parameter that shapes the answer.
func (cr *criteria) control(name, value string) *searchparam.Problem {
	var p searchparam.Problem
	switch name {
	case "_count":
		if !countPattern.MatchString(value) {
			p = refused(name, "must be a number without a sign")
			return &p
		}
		n, _ := strconv.ParseInt(value, 10, 64) // matches the pattern
		cr.count = int(min(n, maxCount))
		value = strconv.Itoa(cr.count)
		cr.only = cr.only || n == 0
	case "_sort":
		if value != "_lastUpdated" && value != "-_lastUpdated" {
			p = unsupported(name, "takes _lastUpdated or -_lastUpdated")
			return &p
		}
		cr.ascending = value == "_lastUpdated"
	case "_summary":
		if value != "count" && value != "false" {
			p = unsupported(name, "takes count or false")
			return &p
		}
		cr.only = cr.only || value == "count"
	case "_total":
		if value != "none" && value != "estimate" && value != "accurate" {
			p = refused(name, "must be none, estimate or accurate")
			return &p
		}
		cr.total = value != "none"
	}
	if cr.only {
		cr.count, cr.total = 0, true // _count=0 asks for the total (search.html#count)
	}
	cr.used = append(cr.used, searchparam.Pair{Name: name, Value: value})
	return nil
}
