package hub

import (
	"fmt"
	"net/http"
	"slices"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

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
		return tryAgain("transient", "what belongs to a patient is being indexed anew; try again")
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
