// Package hub is the read side that regional hubs use: FHIR R4 over REST under
// /fhir, on Gin. It reads what the store publishes and serves stored bytes as
// they are; it writes nothing. What may be shown is decided in the store (D3,
// D8.3): hidden resources and versions answer 410, never shared ones 404.
//
// Rules of this door: every fault is an OperationOutcome without internals and
// without patient data; a query that is not understood whole is refused, since
// leaving a part out widens a clinical search (D8.1); links to further pages
// carry a sealed token instead of the client's criteria; the log names method,
// route, status and duration and nothing of the path or the query.
package hub

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"golang.org/x/sync/semaphore"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// Prefix is the path under which the handler answers.
const Prefix = "/fhir"

// Options are what a hub needs. Store, BaseURL and Secret must be given.
type Options struct {
	Store store.Store
	// BaseURL is the public base URL, without a slash at the end, such as
	// "https://bridge.example/fhir": fullUrls and links begin with it (D8.3).
	BaseURL string
	// Zone is where dates without an offset stand in a query; it must be the
	// zone of the index. Nil is UTC.
	Zone *time.Location
	// Offer is which search parameters are offered; nil is all. What is withheld is
	// refused like any unknown parameter, and not in the CapabilityStatement.
	Offer *searchparam.Offer
	// Static are the definitions and code systems that resources point to.
	Static []resource.Resource
	// Former are earlier versions of some of them, as they were published under the
	// same id: vread and history give them.
	Former []resource.Resource
	// Published is when a version of a canonical was published first, zero where
	// that is not known: lastUpdated of an artifact. Nil knows none.
	Published func(url, version string) time.Time
	// Secret seals page tokens; at least 16 bytes, kept across restarts, or
	// links made before one stop working.
	Secret []byte
	// Version is the version of the software, for the CapabilityStatement.
	Version string
	// Released is when this software was released: the date of the
	// CapabilityStatement, and lastUpdated of a static artifact of which nothing
	// else is known. Zero is the time of New.
	Released time.Time
	// Scope gives the clinics whose resources exist for the client of a
	// request; nil is everything.
	Scope func(context.Context) store.Scope
	// Validator answers $validate; nil does not offer it.
	Validator Validator
	// Limits bound what requests take.
	Limits Limits
	// Clock is the clock of durations in the log; nil is time.Now.
	Clock func() time.Time
	// Log gets one line for each request; nil logs nothing.
	Log *slog.Logger
}

// ErrOptions: New was given options that it cannot serve with.
var ErrOptions = errors.New("hub options")

// hub holds what all requests share; it does not change after New.
type hub struct {
	store     store.Store
	base      string
	index     searchparam.Index
	statics   *statics
	scope     func(context.Context) store.Scope
	seal      sealer
	made      string          // what the index rows rest on
	stated    func() document // the CapabilityStatement
	validator Validator
	limits    Limits
	turn      *semaphore.Weighted // of requests that read or validate
	clock     func() time.Time
	log       *slog.Logger
}

// New gives the handler of everything under Prefix.
func New(o Options) (http.Handler, error) {
	h, err := newHub(o)
	if err != nil {
		return nil, err
	}
	return h.router(), nil
}

func newHub(o Options) (*hub, error) {
	if o.Store == nil {
		return nil, fmt.Errorf("%w: no store", ErrOptions)
	}
	u, err := url.Parse(o.BaseURL)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" ||
		strings.HasSuffix(o.BaseURL, "/") || u.RawQuery != "" || u.Fragment != "" {
		return nil, fmt.Errorf("%w: the base URL must be absolute http(s) without slash, query or fragment at the end", ErrOptions)
	}
	if o.Clock == nil {
		o.Clock = time.Now
	}
	if o.Released.IsZero() {
		o.Released = o.Clock()
	}
	if o.Log == nil {
		o.Log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
	if o.Scope == nil {
		o.Scope = func(context.Context) store.Scope { return store.Everything }
	}
	limits := o.Limits.orDefault()
	h := &hub{
		store: o.Store,
		scope: o.Scope,
		base:  o.BaseURL,
		index: searchparam.Index{Base: o.BaseURL, Zone: o.Zone, Offer: o.Offer},

		validator: o.Validator,
		limits:    limits,
		turn:      semaphore.NewWeighted(limits.Readers),
		clock:     o.Clock,
		log:       o.Log,
	}
	if h.seal, err = newSealer(o.Secret); err != nil {
		return nil, err
	}
	if h.statics, err = newStatics(h.index, o); err != nil {
		return nil, err
	}
	h.made, h.stated = h.index.Made().Digest(), h.statement(o)
	return h, nil
}

// router lays out the routes. Everything that reroutes is off: a path with a
// doubled slash or one at its end is another path, and is not found.
func (h *hub) router() http.Handler {
	gin.SetMode(gin.ReleaseMode)
	e := gin.New()
	e.RedirectTrailingSlash = false
	e.RedirectFixedPath = false
	e.RemoveExtraSlash = false
	e.UseRawPath, e.UnescapePathValues = true, true // an escaped slash parts nothing
	e.HandleMethodNotAllowed = true
	e.Use(h.observe, h.rescue, h.bounded)
	e.NoRoute(h.noRoute)
	e.NoMethod(h.noMethod)

	g := e.Group(Prefix)
	get := func(path string, serve func(*request) error) {
		g.GET(path, h.handle(serve))
		g.HEAD(path, h.handle(serve))
	}
	get("/metadata", h.metadata)
	get("/_history", h.systemHistory)
	get("/:type", h.search)
	get("/:type/_history", h.typeHistory)
	get("/:type/:id", h.read)
	get("/:type/:id/_history", h.instanceHistory)
	get("/:type/:id/:within", h.searchCompartment)
	get("/:type/:id/_history/:version", h.vread)
	g.POST("/:type/_search", h.handle(h.search))
	if h.validator != nil {
		g.POST("/:type/$validate", h.handle(h.validate))
		for _, m := range []string{http.MethodGet, http.MethodHead} {
			g.Handle(m, "/:type/$validate", h.handle(func(*request) error { return notAllowed("POST") }))
		}
	}
	for _, m := range []string{http.MethodGet, http.MethodHead} {
		g.Handle(m, "/:type/_search", h.handle(func(*request) error { return notAllowed("POST") }))
	}
	return e
}

// noRoute answers paths that no interaction has.
func (h *hub) noRoute(c *gin.Context) {
	r := newRequest(c)
	if c.Request.URL.Path == Prefix {
		r.fail(notAllowed(""))
		return
	}
	r.fail(faultf(http.StatusNotFound, "not-supported", "no such interaction; %s/metadata lists what is offered", Prefix))
}

// noMethod answers methods that a path does not take; Gin has set Allow.
func (h *hub) noMethod(c *gin.Context) {
	r := newRequest(c)
	typ, rest, _ := strings.Cut(strings.TrimPrefix(c.Request.URL.Path, Prefix+"/"), "/")
	if typ != "metadata" && typ != "_history" && !searched(typ) {
		c.Writer.Header().Del("Allow")
		r.fail(errType)
		return
	}
	allow := c.Writer.Header().Get("Allow")
	if rest == "_search" || rest == "$validate" && h.validator != nil {
		allow = http.MethodPost // the routes of GET are there to say so
	}
	r.fail(notAllowed(allow))
}
