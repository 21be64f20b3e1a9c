package intake

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"runtime/debug"
	"slices"

	"github.com/gin-gonic/gin"

	"nailbridge/internal/receive"
	"nailbridge/internal/store"
)

// Problem is an RFC 9457 problem.
type Problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
}

const problemBase = "https://nailbridge.example/problem/"

// retryAfter is how long a sender is asked to wait, in seconds.
const retryAfter = "5"

func problem(c *gin.Context, status int, kind, title string) {
	writeProblem(c, status, Problem{Type: problemBase + kind, Title: title, Status: status})
}

func otherClinic(c *gin.Context) {
	problem(c, http.StatusForbidden, "other-clinic", "This door is another clinic's.")
}

func malformedQuery(c *gin.Context, detail string) {
	writeProblem(c, http.StatusBadRequest, Problem{
		Type: problemBase + "malformed-query", Title: "The query of the URL is malformed.", Status: http.StatusBadRequest, Detail: detail,
	})
}

func writeProblem(c *gin.Context, status int, p any) {
	c.Abort()
	write(c, status, "application/problem+json", p)
}

func writeJSON(c *gin.Context, status int, v any) {
	write(c, status, "application/json; charset=utf-8", v)
}

func write(c *gin.Context, status int, media string, v any) {
	var b bytes.Buffer
	if err := encoder(&b).Encode(v); err != nil {
		status, b = http.StatusInternalServerError, *bytes.NewBufferString("{}\n")
	}
	c.Data(status, media, b.Bytes())
}

// encoder writes lines of JSON without escapes for HTML: a resource of a dry
// run keeps the bytes that /fhir would serve.
func encoder(w io.Writer) *json.Encoder {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	return e
}

// fail answers an error of the receiver. Its text names operations of the
// store and nothing of a record.
func (d *door) fail(c *gin.Context, err error) {
	switch {
	case errors.Is(err, receive.ErrNoFlag), errors.Is(err, store.ErrNotFound):
		problem(c, http.StatusNotFound, "not-found", "There is no such record or flag.")
	default:
		d.Log.Error("unavailable", "route", c.FullPath(), "error", err)
		c.Header("Retry-After", retryAfter)
		problem(c, http.StatusServiceUnavailable, "unavailable", "Nothing was stored; please send again.")
	}
}

// recover turns a fault of ours into a problem without detail.
func (d *door) recover(c *gin.Context) {
	defer func() {
		p := recover()
		switch {
		case p == nil:
		case p == http.ErrAbortHandler:
			panic(p)
		default:
			d.Log.Error("request failed through a fault of ours", "route", c.FullPath(), "fault", fmt.Sprintf("%T", p), "stack", string(debug.Stack()))
			if !c.Writer.Written() {
				problem(c, http.StatusInternalServerError, "internal", "The request failed through a fault of ours.")
			}
		}
	}()
	c.Next()
}

// takes refuses a query that cannot be read whole, since gin would drop the
// parameter and answer a wider question, and one with a parameter that the
// page does not have, or has twice.
func takes(names ...string) gin.HandlerFunc {
	return func(c *gin.Context) {
		given, err := url.ParseQuery(c.Request.URL.RawQuery)
		if err != nil {
			malformedQuery(c, "")
			return
		}
		for name, values := range given {
			if !slices.Contains(names, name) {
				malformedQuery(c, "There is a parameter that this page does not have.")
				return
			}
			if len(values) > 1 {
				malformedQuery(c, "A parameter is given more than once.")
				return
			}
		}
	}
}
