// Package intake is the HTTP door of the practice system and of the clinic's
// own lists: /records and /follow-up. It carries bytes in and answers out;
// receive decides. Errors are RFC 9457 problems, with the members of an answer
// where there is one (D2).
package intake

import (
	"context"
	"log/slog"
	"net/http"
	"slices"
	"time"

	"github.com/gin-gonic/gin"

	"nailbridge/internal/access"
	"nailbridge/internal/receive"
	"nailbridge/mapping/record"
)

// Receiver is what the door hands deliveries to.
type Receiver interface {
	Receive(ctx context.Context, body []byte, dryRun bool) (receive.Answer, error)
	Look(ctx context.Context, id string) (receive.Lookup, error)
	List(ctx context.Context, list string) ([]receive.Arrived, error)
	Acknowledge(ctx context.Context, recordID, flagID string, a receive.Acknowledgement) (receive.Acknowledged, error)
	RetryHeld(ctx context.Context) (receive.Retried, error)
	RetryRefused(ctx context.Context) (receive.Retried, error)
	FollowUp(ctx context.Context, q receive.FollowUpQuery) (receive.FollowUpList, error)
}

// Options of New.
type Options struct {
	Receiver Receiver
	Clinic   string // whose door it is
	Test     bool   // the clinic's records are made to try things, and its lists say so
	Zone     *time.Location
	Log      *slog.Logger
	// MaxBytes is the greatest record taken, MaxLinesBytes the greatest body of
	// NDJSON; zero: record.MaxBytes and 16 MiB.
	MaxBytes, MaxLinesBytes int64
}

// maxLinesBytes is the greatest body of NDJSON by default.
const maxLinesBytes = 16 << 20

type door struct{ Options }

// New is the door as a handler for /records and /follow-up.
func New(o Options) http.Handler {
	if o.MaxBytes == 0 {
		o.MaxBytes = record.MaxBytes
	}
	if o.MaxLinesBytes == 0 {
		o.MaxLinesBytes = maxLinesBytes
	}
	d := &door{o}
	gin.SetMode(gin.ReleaseMode)
	// gin.New has no logger, which would print query strings.
	e := gin.New()
	e.HandleMethodNotAllowed = true
	e.RedirectTrailingSlash = false
	e.RedirectFixedPath = false
	e.UseRawPath = true // a record id may hold a slash, sent as %2F
	e.UnescapePathValues = true
	e.Use(d.recover)
	e.NoRoute(func(c *gin.Context) { problem(c, http.StatusNotFound, "no-such-page", "There is no such page.") })
	e.NoMethod(func(c *gin.Context) {
		problem(c, http.StatusMethodNotAllowed, "method-not-allowed", "The page does not take this method.")
	})
	e.POST("/records", only(access.ClinicKey), takes("dry-run"), d.post)
	own := e.Group("/records/:clinic", d.ownClinic)
	own.GET("", takes("list"), d.list)
	own.POST("/retry", only(access.ClinicKey), takes(), d.retry)
	own.GET("/:record", takes(), d.get)
	own.POST("/:record/flags/:flag/acknowledge", only(access.PersonKey), takes(), d.acknowledge)
	e.GET("/follow-up", takes("clinic", "state", "since"), d.followUp)
	return e
}

// ownClinic refuses a path that names another clinic than the door's.
func (d *door) ownClinic(c *gin.Context) {
	if c.Param("clinic") != d.Clinic {
		otherClinic(c)
	}
}

// only refuses a caller with a key of another kind; where no keys are in force
// nobody is refused.
func only(kind access.Kind) gin.HandlerFunc {
	return func(c *gin.Context) {
		if caller, known := access.CallerOf(c.Request.Context()); known && caller.Kind != kind {
			problem(c, http.StatusForbidden, "key", "This page needs a key of kind "+string(kind)+".")
		}
	}
}

// inTheNameOf gives who acknowledges. With a key it is the person of the key,
// and the body may state nobody else; nil states nobody.
func inTheNameOf(caller access.Caller, said *record.Person) (record.Person, bool) {
	var stated record.Person
	if said != nil {
		stated = *said
	}
	p := caller.Person
	if p == nil {
		return stated, true
	}
	who := record.Person{StaffKey: p.StaffKey, Name: &record.Name{Family: p.Family, Given: p.Given}, Role: stated.Role}
	if p.Registration != nil {
		who.Registration = &record.Identifier{System: p.Registration.System, Value: p.Registration.Value}
	}
	same := (stated.Registration == nil || who.Registration != nil && *stated.Registration == *who.Registration) &&
		(stated.StaffKey == "" || stated.StaffKey == who.StaffKey) &&
		(stated.Name == nil || stated.Name.Family == who.Name.Family && slices.Equal(stated.Name.Given, who.Name.Given))
	return who, same
}
