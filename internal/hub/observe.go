package hub

import (
	"log/slog"
	"net/http"
	"runtime/debug"
	"strings"

	"github.com/gin-gonic/gin"

	"nailbridge/internal/access"
)

// observe gives each request an id of its own and logs one line for it: never
// the path, the query or an id that the client chose, which may all hold
// patient data.
func (h *hub) observe(c *gin.Context) {
	start := h.clock()
	id := access.Identify(c.Writer, c.Request)
	c.Next()

	route := c.FullPath()
	if route == "" {
		route = "unmatched"
	}
	level := slog.LevelInfo
	attrs := []slog.Attr{
		slog.String("method", knownMethod(c.Request.Method)),
		slog.String("route", route),
		slog.Int("status", c.Writer.Status()),
		slog.Duration("duration", h.clock().Sub(start)),
		slog.String("request", id),
	}
	if len(c.Errors) > 0 {
		level = slog.LevelError
		attrs = append(attrs, slog.String("error", strings.Join(c.Errors.Errors(), "; ")))
	}
	h.log.LogAttrs(c.Request.Context(), level, "fhir request", attrs...)
}

// knownMethod keeps invented methods out of the log.
func knownMethod(m string) string {
	switch m {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions:
		return m
	}
	return "other"
}

// rescue answers a panic with 500 and nothing of it; the log gets the place,
// not the value, which could hold data.
func (h *hub) rescue(c *gin.Context) {
	defer func() {
		v := recover()
		if v == nil {
			return
		}
		if v == http.ErrAbortHandler {
			panic(v)
		}
		h.log.LogAttrs(c.Request.Context(), slog.LevelError, "fhir request panicked",
			slog.String("request", c.Writer.Header().Get(access.RequestID)),
			slog.String("stack", string(debug.Stack())))
		if !c.Writer.Written() {
			newRequest(c).fail(faultf(http.StatusInternalServerError, "exception", "the request failed inside the server"))
		}
		c.Abort()
	}()
	c.Next()
}
