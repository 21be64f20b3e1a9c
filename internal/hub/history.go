package hub

import (
	"errors"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
)

func (h *hub) systemHistory(r *request) error { return h.history(r, "", "") }

func (h *hub) typeHistory(r *request) error {
	typ := r.c.Param("type")
	if !searched(typ) {
		return errType
	}
	return h.history(r, typ, "")
}

func (h *hub) instanceHistory(r *request) error {
	ref, err := r.ref()
	if err != nil {
		return err
	}
	return h.history(r, ref.Type, ref.ID)
}

// history answers the versions of one resource, one type or all types, newest
// first (http.html#history). Artifacts have a history each, and none of a type: they
// are no part of the feed.
//
// It is the feed of every change, deletions included. A hub goes on from the
// instant of the first entry of its last whole walk: _since includes it, so
// that what it knows of that commit comes again, and nothing is missed.
func (h *hub) history(r *request, typ, id string) error {
	if isArtifact(typ) && id == "" {
		return faultf(http.StatusNotFound, "not-supported", "of this type the history of one resource is offered, and not that of all")
	}
	t := token{Walk: walkHistory, Type: typ, ID: id, Scope: h.scopeName(r)}
	page, err := r.one(pageParam)
	if err != nil {
		return err
	}
	pairs := r.pairs
	if page != "" {
		if t, err = h.open(r, page, walkHistory, typ, id); err != nil {
			return err
		}
		if pairs, err = searchparam.ParseQuery(t.Query); err != nil {
			return err
		}
	} else if err := r.only("_since", "_count"); err != nil {
		return err
	}
	q, used, err := historyQuery(pairs)
	if err != nil {
		return err
	}
	q.Type, q.ID, q.UpTo, q.Epoch = typ, id, t.UpTo, t.Epoch
	// Each page of a feed would count the feed again. The versions of one
	// resource are few, and who asks for no entries asks for the total.
	q.NoTotal = id == "" && q.Count > 0
	if page != "" {
		q.After = t.key()
	}
	t.Query = searchparam.EncodeQuery(used)
	return h.answerHistory(r, q, used, t, page)
}

func (h *hub) answerHistory(r *request, q store.HistoryQuery, used []searchparam.Pair, t token, page string) error {
	var p store.Page
	err := h.view(r.c.Request.Context(), q.Type, func(rd store.Published) error {
		var err error
		p, err = rd.History(q)
		return err
	})
	switch {
	case errors.Is(err, store.ErrEpoch) && page == "":
		return faultf(http.StatusGone, "processing", "_since lies between a backup and its restore: changes that were told until then are lost; "+
			"start over: read the whole history without _since, and go on from what it tells")
	case err != nil:
		return err
	}
	path := "_history"
	for _, part := range []string{q.ID, q.Type} {
		if part != "" {
			path = part + "/" + path
		}
	}
	b := bundle{kind: "history", total: historyTotal(q, p), links: []link{h.self(r, path, used, page)}}
	for _, v := range p.Versions {
		b.entries = append(b.entries, h.change(v))
	}
	if n := len(p.Versions); p.More && n > 0 {
		t.Epoch, t.UpTo = p.Epoch, p.UpTo
		b.links = append(b.links, h.page(r, "next", path, t.at(keyOf(p.Versions[n-1]), false)))
	}
	r.send(document{body: b.JSON(), public: isArtifact(q.Type)})
	return nil
}

// historyTotal is the total of the whole walk where it was counted, or where
// the first page is the whole walk; nil: it is left out.
func historyTotal(q store.HistoryQuery, p store.Page) *int {
	switch {
	case !q.NoTotal:
		return &p.Total
	case q.After == nil && !p.More:
		n := len(p.Versions)
		return &n
	}
	return nil
}

// instantPattern is R4's instant: to the second at least, with an offset
// (datatypes.html#instant).
var instantPattern = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d{1,9})?(Z|[+-]\d{2}:\d{2})$`)

// historyQuery reads _since and _count, each sent once at most.
func historyQuery(pairs []searchparam.Pair) (store.HistoryQuery, []searchparam.Pair, error) {
	q := store.HistoryQuery{Count: defaultCount}
	var used []searchparam.Pair
	since, err := oneOf(pairs, "_since")
	if err != nil {
		return q, nil, err
	}
	if since != "" {
		t, err := time.Parse(time.RFC3339Nano, since)
		if err != nil || !instantPattern.MatchString(since) {
			hint := ""
			if strings.Contains(since, " ") {
				hint = "; the + of an offset is sent as %2B"
			}
			return q, nil, faultf(http.StatusBadRequest, "value", "_since must be an instant: date, time to the second and offset%s", hint)
		}
		q.Since = t
		used = append(used, searchparam.Pair{Name: "_since", Value: since})
	}
	count, err := oneOf(pairs, "_count")
	if err != nil {
		return q, nil, err
	}
	if count != "" {
		n, ok := countOf(count)
		if !ok {
			return q, nil, faultf(http.StatusBadRequest, "value", "_count must be a number without a sign")
		}
		q.Count = n
		used = append(used, searchparam.Pair{Name: "_count", Value: strconv.Itoa(q.Count)})
	}
	return q, used, nil
}
