package hub

import (
	"bytes"
	"net/http"
	"strconv"
	"time"

	"github.com/google/uuid"

	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// bundle writes a Bundle around stored bytes, which go in as they are.
type bundle struct {
	kind    string // Bundle.type
	total   *int
	links   []link
	entries []entry
}

type link struct {
	Relation string `json:"relation"`
	URL      string `json:"url"`
}

// entry is one Bundle.entry; members that are empty are left out.
type entry struct {
	fullURL  string
	resource []byte
	mode     string // search.mode
	request  *entryRequest
	response *entryResponse
}

type entryRequest struct {
	Method string `json:"method"`
	URL    string `json:"url"`
}

type entryResponse struct {
	Status       string `json:"status"`
	ETag         string `json:"etag"`
	LastModified string `json:"lastModified"`
}

// About how many bytes stand around the entries of a Bundle, and around the
// resource of each.
const (
	aroundEntries  = 512
	aroundResource = 512
)

// JSON gives the Bundle; an empty one has no entry member, since FHIR JSON has
// no empty arrays (json.html).
func (b bundle) JSON() []byte {
	var w bytes.Buffer
	size := aroundEntries
	for _, e := range b.entries {
		size += len(e.resource) + aroundResource
	}
	w.Grow(size) // copying what grows takes as long as the rest
	w.WriteString(`{"resourceType":"Bundle","type":"` + b.kind + `"`)
	if b.total != nil {
		w.WriteString(`,"total":` + strconv.Itoa(*b.total))
	}
	if len(b.links) > 0 {
		w.WriteString(`,"link":`)
		w.Write(mustJSON(b.links))
	}
	for i, e := range b.entries {
		if i == 0 {
			w.WriteString(`,"entry":[`)
		} else {
			w.WriteByte(',')
		}
		e.write(&w)
	}
	if len(b.entries) > 0 {
		w.WriteByte(']')
	}
	w.WriteByte('}')
	return w.Bytes()
}

func (e entry) write(w *bytes.Buffer) {
	sep := byte('{')
	member := func(name string, value []byte) {
		w.WriteByte(sep)
		sep = ','
		w.WriteString(`"` + name + `":`)
		w.Write(value)
	}
	if e.fullURL != "" {
		member("fullUrl", mustJSON(e.fullURL))
	}
	if e.resource != nil {
		member("resource", e.resource)
	}
	if e.mode != "" {
		member("search", []byte(`{"mode":"`+e.mode+`"}`))
	}
	if e.request != nil {
		member("request", mustJSON(e.request))
	}
	if e.response != nil {
		member("response", mustJSON(e.response))
	}
	w.WriteByte('}')
}

// fullURL is the absolute address of a resource, without a version.
func (h *hub) fullURL(ref resource.Ref) string { return h.base + "/" + ref.String() }

func (h *hub) match(v store.Version, part subset) (entry, error) {
	body, err := part.of(v.Ref.Type, v.Body)
	return entry{fullURL: h.fullURL(v.Ref), resource: body, mode: "match"}, err
}

// said is the entry of an OperationOutcome in a search (search.html#mode). It
// has no id, so its fullUrl is a urn made from its content.
func said(notes []issue) entry {
	body := outcome(notes)
	return entry{fullURL: uuid.NewSHA1(uuid.NameSpaceURL, body).URN(), resource: body, mode: "outcome"}
}

// change is the entry of one version in a history (http.html#history). Ids are
// made by the mapping, so a first version is the PUT of an update-as-create; so
// is one that brings a deleted resource back to life (http.html#delete).
func (h *hub) change(v store.Version) entry {
	e := entry{
		fullURL:  h.fullURL(v.Ref),
		resource: v.Body,
		request:  &entryRequest{Method: http.MethodPut, URL: v.Ref.String()},
		response: &entryResponse{Status: "200", ETag: etag(v.VersionID), LastModified: instant(v.LastUpdated)},
	}
	switch {
	case v.Deleted:
		e.resource, e.request.Method, e.response.Status = nil, http.MethodDelete, "204"
	case v.First || v.Revived:
		e.response.Status = "201"
	}
	return e
}

func instant(t time.Time) string { return t.UTC().Format(resource.LastUpdatedLayout) }
