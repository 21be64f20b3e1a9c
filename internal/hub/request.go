package hub

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"nailbridge/internal/searchparam"
)

// maxForm is the largest body of POST _search, in bytes.
const maxForm = 64 << 10

// request is one request as understood: its parameters in order and the form
// of the answer.
type request struct {
	c       *gin.Context
	pairs   []searchparam.Pair // of the URL, then of the body
	media   string             // of the answer
	pretty  bool
	lenient bool // Prefer: handling=lenient
}

// newRequest settles what a fault is answered in before the request is
// understood: what Accept asks for, where that can be given (R-OO-01).
func newRequest(c *gin.Context) *request {
	r := &request{c: c, media: fhirJSON}
	if media, ok := accepted(c.Request.Header.Values("Accept")); ok {
		r.media = media
	}
	return r
}

// handle makes a Gin handler of one that returns its fault.
func (h *hub) handle(serve func(*request) error) gin.HandlerFunc {
	return func(c *gin.Context) {
		r := newRequest(c)
		err := r.understand()
		if err == nil {
			err = serve(r)
		}
		if err != nil {
			r.fail(err)
		}
	}
}

// understand reads the parameters and settles the form of the answer.
func (r *request) understand() error {
	pairs, err := searchparam.ParseQuery(r.c.Request.URL.RawQuery)
	if err != nil {
		return faultf(http.StatusBadRequest, "invalid", "malformed query string: nothing was searched")
	}
	r.pairs = pairs
	if r.c.Request.Method == http.MethodPost && !r.operation() {
		if err := r.readForm(); err != nil {
			return err
		}
	}
	if err := r.short(); err != nil {
		return err
	}
	r.lenient = handling(r.c.Request.Header.Values("Prefer")) == "lenient"
	return r.negotiate()
}

// operation reports an operation, whose body is a resource and no form.
func (r *request) operation() bool { return strings.Contains(r.c.FullPath(), "/$") }

// readForm adds the parameters of a form body to those of the URL
// (http.html#search).
func (r *request) readForm() error {
	req := r.c.Request
	media, params, err := mime.ParseMediaType(req.Header.Get("Content-Type"))
	if err != nil || media != "application/x-www-form-urlencoded" || !fits(params) || req.Header.Get("Content-Encoding") != "" {
		return faultf(http.StatusUnsupportedMediaType, "not-supported",
			"the body of a search must be application/x-www-form-urlencoded in UTF-8, not compressed")
	}
	body, err := r.readBody(maxForm)
	if err != nil {
		return err
	}
	pairs, err := searchparam.ParseQuery(strings.TrimRight(string(body), "\r\n"))
	if err != nil {
		return faultf(http.StatusBadRequest, "invalid", "malformed form body: nothing was searched")
	}
	r.pairs = append(r.pairs, pairs...)
	return nil
}

// readBody reads a body of at most so many bytes. One that says itself that it
// is longer is not read at all (R-HTTP-28).
func (r *request) readBody(most int64) ([]byte, error) {
	req := r.c.Request
	tooLarge := faultf(http.StatusRequestEntityTooLarge, "too-long", "the body may have at most %d bytes", most)
	if req.ContentLength > most {
		return nil, tooLarge
	}
	body, err := io.ReadAll(http.MaxBytesReader(r.c.Writer, req.Body, most))
	var exceeded *http.MaxBytesError
	switch {
	case err == nil:
		return body, nil
	case errors.As(err, &exceeded):
		return nil, tooLarge
	case errors.Is(err, os.ErrDeadlineExceeded): // RFC 9110 section 15.5.9
		return nil, faultf(http.StatusRequestTimeout, "timeout", "the body did not arrive in time")
	}
	return nil, faultf(http.StatusBadRequest, "invalid", "the body could not be read")
}

// one gives the value of a parameter that may be sent once; "" when absent.
func (r *request) one(name string) (string, error) {
	return oneOf(r.pairs, name)
}

func oneOf(pairs []searchparam.Pair, name string) (string, error) {
	value, seen := "", false
	for _, p := range pairs {
		if p.Name != name {
			continue
		}
		if seen {
			return "", faultf(http.StatusBadRequest, "invalid", "%s may be sent once only", name)
		}
		value, seen = p.Value, true
	}
	return value, nil
}

// only refuses every parameter that is not named: outside searches there is
// nothing that lenient handling could leave out and say so.
func (r *request) only(names ...string) error {
	for _, p := range r.pairs {
		if !slices.Contains(names, p.Name) && !isForm(p) {
			return faultf(http.StatusBadRequest, "not-supported", "the request has a parameter that this interaction does not take")
		}
	}
	return nil
}

// isForm reports whether a parameter names the form of the answer, which every
// interaction takes (http.html#parameters).
func isForm(p searchparam.Pair) bool { return p.Name == "_format" || p.Name == "_pretty" }

// form gives the parameters of the form that the client sent, for links.
func (r *request) form() []searchparam.Pair {
	return slices.DeleteFunc(slices.Clone(r.pairs), func(p searchparam.Pair) bool { return !isForm(p) || p.Value == "" })
}

// document is an answer body with what its caching headers need.
type document struct {
	body         []byte
	version      string // versionId, for ETag; "" without one
	lastModified string // as an HTTP date; "" without one
	dated        bool   // lastModified tells this version from every other
	public       bool   // no patient data in it
}

// send writes a successful answer. Bodies are written as they are, unless the
// client asked for _pretty.
func (r *request) send(d document) {
	h := r.c.Writer.Header()
	h.Set("Cache-Control", "private, no-store")
	if d.public {
		h.Set("Cache-Control", "no-cache")
	}
	if d.version != "" {
		h.Set("ETag", etag(d.version))
	}
	if d.lastModified != "" {
		h.Set("Last-Modified", d.lastModified)
	}
	if r.unchanged(d) {
		h.Set("Vary", vary)
		r.c.Status(http.StatusNotModified)
		r.c.Writer.WriteHeaderNow()
		return
	}
	r.write(http.StatusOK, d.body)
}

// fail writes a fault as an OperationOutcome.
func (r *request) fail(err error) {
	f := asFault(err)
	if f.cause != nil {
		_ = r.c.Error(f.cause) // kept for the log
	}
	h := r.c.Writer.Header()
	for k, v := range f.header {
		h.Set(k, v)
	}
	h.Set("Cache-Control", "no-store")
	r.write(f.status, outcome(f.issues))
}

func (r *request) write(status int, body []byte) {
	if r.pretty {
		var b bytes.Buffer
		if json.Indent(&b, body, "", "  ") == nil {
			body = append(b.Bytes(), '\n')
		}
	}
	h := r.c.Writer.Header()
	if gzipped(r.c.Request.Header.Values("Accept-Encoding"), len(body)) {
		body = compress(body)
		h.Set("Content-Encoding", "gzip")
	}
	h.Set("Content-Type", r.media+"; charset=utf-8")
	h.Set("Content-Length", strconv.Itoa(len(body)))
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Vary", vary)
	r.c.Status(status)
	r.c.Writer.WriteHeaderNow()
	if r.c.Request.Method != http.MethodHead {
		_, _ = r.c.Writer.Write(body) // the client is gone when this fails
	}
}

// mustJSON writes our own structs, which always marshal; <, > and & stay
// readable.
func mustJSON(v any) []byte {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		panic(err)
	}
	return bytes.TrimRight(b.Bytes(), "\n")
}
