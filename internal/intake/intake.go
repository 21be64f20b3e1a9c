// Package intake is the HTTP door of the practice system and of the clinic's
// own lists: /records and /follow-up. It carries bytes in and answers out;
// receive decides. Errors are RFC 9457 problems, with the members of an answer
// where there is one (D2).
package intake

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/url"
	"time"

	"github.com/gin-gonic/gin"

	"nailbridge/internal/receive"
	"nailbridge/internal/store"
	"nailbridge/mapping"
)

// Receiver is what the door hands deliveries to.
type Receiver interface {
	Receive(ctx context.Context, body []byte, dryRun bool) (receive.Answer, error)
	Look(ctx context.Context, id string) (receive.Lookup, error)
	List(ctx context.Context, mark string) ([]receive.Arrived, error)
	Acknowledge(ctx context.Context, recordID, flagID string, a receive.Acknowledgement) (mapping.Flag, error)
	RetryHeld(ctx context.Context) (receive.Retried, error)
	RetryRefused(ctx context.Context) (receive.Retried, error)
	FollowUp(ctx context.Context, q receive.FollowUpQuery) (receive.FollowUpList, error)
}

// Options of New.
type Options struct {
	Receiver Receiver
	Clinic   string // whose door it is
	Zone     *time.Location
	Log      *slog.Logger
	// MaxBytes is the greatest body taken; zero: 1 MiB for a record, and 64
	// MiB for NDJSON.
	MaxBytes, MaxLinesBytes int64
}

// Limits of a body, in bytes.
const (
	maxRecordBytes = 1 << 20
	maxLinesBytes  = 64 << 20
)

type door struct{ Options }

// New is the door as a handler for /records and /follow-up.
func New(o Options) http.Handler {
	if o.MaxBytes == 0 {
		o.MaxBytes = maxRecordBytes
	}
	if o.MaxLinesBytes == 0 {
		o.MaxLinesBytes = maxLinesBytes
	}
	d := &door{o}
	gin.SetMode(gin.ReleaseMode)
	e := gin.New()
	e.HandleMethodNotAllowed = true
	e.RedirectTrailingSlash = false
	e.RedirectFixedPath = false
	e.UseRawPath = true
	e.UnescapePathValues = true
	e.Use(d.recover, wellFormedQuery)
	e.NoRoute(func(c *gin.Context) { problem(c, http.StatusNotFound, "no-such-page", "There is no such page.") })
	e.NoMethod(func(c *gin.Context) {
		problem(c, http.StatusMethodNotAllowed, "method-not-allowed", "The page does not take this method.")
	})
	e.POST("/records", d.post)
	e.GET("/records/:clinic", d.list)
	e.POST("/records/:clinic/retry", d.retry)
	e.GET("/records/:clinic/:record", d.get)
	e.POST("/records/:clinic/:record/flags/:flag/acknowledge", d.acknowledge)
	e.GET("/follow-up", d.followUp)
	return e
}

// recover turns a fault of ours into a problem without detail.
func (d *door) recover(c *gin.Context) {
	defer func() {
		if p := recover(); p != nil {
			d.Log.Error("request failed", "route", c.FullPath())
			problem(c, http.StatusInternalServerError, "internal", "The request failed through a fault of ours.")
		}
	}()
	c.Next()
}

// wellFormedQuery refuses a query that net/url can not read whole: gin would
// drop the parameter and answer a wider question.
func wellFormedQuery(c *gin.Context) {
	if _, err := url.ParseQuery(c.Request.URL.RawQuery); err != nil {
		problem(c, http.StatusBadRequest, "malformed-query", "The query of the URL is malformed.")
		return
	}
	c.Next()
}

// Problem is an RFC 9457 problem.
type Problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
}

const problemBase = "https://nailbridge.example/problem/"

func problem(c *gin.Context, status int, kind, title string) {
	c.Abort()
	c.Header("Content-Type", "application/problem+json")
	c.JSON(status, Problem{Type: problemBase + kind, Title: title, Status: status})
}

// fail answers an error of the receiver.
func fail(c *gin.Context, err error) {
	switch {
	case errors.Is(err, receive.ErrClinic):
		problem(c, http.StatusForbidden, "other-clinic", "The record is of another clinic than this door's.")
	case errors.Is(err, receive.ErrNoFlag), errors.Is(err, store.ErrNotFound):
		problem(c, http.StatusNotFound, "not-found", "There is no such record or flag.")
	default:
		c.Header("Retry-After", "5")
		problem(c, http.StatusServiceUnavailable, "unavailable", "Nothing was stored; please send again.")
	}
}

// clinicOf refuses a path that names another clinic than the door's.
func (d *door) clinicOf(c *gin.Context) bool {
	if c.Param("clinic") == d.Clinic {
		return true
	}
	problem(c, http.StatusForbidden, "other-clinic", "This door is another clinic's.")
	return false
}
