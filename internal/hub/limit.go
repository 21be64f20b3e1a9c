package hub

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"
)

// Limits bound what requests take; a zero member is its default.
type Limits struct {
	// Readers is how many requests read the store, or validate, at once. 0: 12,
	// four fewer than the store has readers, so that the clinic's side and
	// /ready always find one.
	Readers int64
	// Queue is how long a request waits for its turn, and is then answered
	// 503. 0: 3 s.
	Queue time.Duration
	// Read is how long a request may read the store, and is then answered 503.
	// 0: 15 s.
	Read time.Duration
}

const (
	defaultReaders = 12
	defaultQueue   = 3 * time.Second
	defaultRead    = 15 * time.Second
)

func (l Limits) orDefault() Limits {
	return Limits{cmp.Or(l.Readers, defaultReaders), cmp.Or(l.Queue, defaultQueue), cmp.Or(l.Read, defaultRead)}
}

// Lengths of what comes before a body, in bytes; RFC 9110 section 4.1 asks for
// 8000 of a URL at least. Parameters may be as long in a URL as in a form; our
// own page links repeat them escaped, up to three times as long, and again in
// the token. All stays below the megabyte from which net/http refuses a request
// itself, in plain text.
const (
	maxParameters = maxForm // page tokens apart
	maxURL        = 512 << 10
	maxHeader     = 64 << 10
)

// bounded refuses requests whose URL or headers are too long: 414 and 431
// (RFC 6585 section 5).
func (h *hub) bounded(c *gin.Context) {
	u := c.Request.URL
	if len(u.EscapedPath())+len(u.RawQuery) > maxURL {
		newRequest(c).fail(errURL(http.StatusRequestURITooLong))
		c.Abort()
		return
	}
	n := 0
	for name, values := range c.Request.Header {
		for _, v := range values {
			n += len(name) + len(v)
		}
	}
	if n > maxHeader {
		newRequest(c).fail(faultf(http.StatusRequestHeaderFieldsTooLarge, "too-long", "headers may have at most %d bytes in all", maxHeader))
		c.Abort()
	}
}

// short refuses parameters that are too long.
func (r *request) short() error {
	n := 0
	for _, p := range r.pairs {
		if p.Name != pageParam {
			n += len(p.Name) + len(p.Value)
		}
	}
	switch {
	case n <= maxParameters:
		return nil
	case r.c.Request.Method == http.MethodPost:
		return errURL(http.StatusRequestEntityTooLarge)
	}
	return errURL(http.StatusRequestURITooLong)
}

func errURL(status int) *fault {
	return faultf(status, "too-long", "the parameters of a request may have at most %d bytes", maxParameters)
}

// errBusy: every reader was taken for as long as a request may wait.
func errBusy() *fault {
	return tryAgain("throttled", "too many requests at once; try again")
}

// errSlow: the store was read for as long as a request may. RFC 9110 has 408
// and 504 for others that are slow, not for the server itself.
func errSlow(cause error) *fault {
	f := tryAgain("timeout", "the answer took too long to find: ask for less, by further criteria or of a smaller resource, and not for a total")
	f.cause = cause
	return f
}

// await waits for the turn of a request.
func (h *hub) await(ctx context.Context) error {
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case h.turn.TryAcquire(1): // not past those who wait
		return nil
	}
	wait, stop := context.WithTimeout(ctx, h.limits.Queue)
	defer stop()
	err := h.turn.Acquire(wait, 1)
	switch {
	case ctx.Err() != nil:
		if err == nil {
			h.turn.Release(1)
		}
		return ctx.Err()
	case err != nil:
		return errBusy()
	}
	return nil
}

// limited runs the work of a request once it is its turn, and for so long as a
// request may take; a client that leaves ends both. Nothing is held while a
// body arrives or an answer is written, however slow the client is.
func (h *hub) limited(ctx context.Context, work func(context.Context) error) error {
	if err := h.await(ctx); err != nil {
		return err
	}
	defer h.turn.Release(1)
	ctx, cancel := context.WithTimeout(ctx, h.limits.Read)
	defer cancel()
	err := work(ctx)
	if errors.Is(err, context.DeadlineExceeded) {
		return errSlow(err)
	}
	return err
}
