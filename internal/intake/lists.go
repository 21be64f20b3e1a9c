package intake

import (
	"errors"
	"net/http"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"nailbridge/internal/access"
	"nailbridge/internal/receive"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// get gives what the clinic sees of one record id.
func (d *door) get(c *gin.Context) {
	l, err := d.Receiver.Look(c.Request.Context(), c.Param("record"))
	if err != nil {
		d.fail(c, err)
		return
	}
	writeJSON(c, http.StatusOK, l)
}

// deliveries is a list of the clinic. One that is there to try things declares it:
// who tests a running bridge writes into no other.
type deliveries struct {
	List       string            `json:"list"`
	Deliveries []receive.Arrived `json:"deliveries"`
	Test       bool              `json:"test,omitempty"`
}

// list gives the deliveries of a list, oldest first.
func (d *door) list(c *gin.Context) {
	list := c.Query("list")
	if !slices.Contains(receive.Lists, list) {
		malformedQuery(c, "list is one of "+strings.Join(receive.Lists, ", ")+".")
		return
	}
	rows, err := d.Receiver.List(c.Request.Context(), list)
	if err != nil {
		d.fail(c, err)
		return
	}
	writeJSON(c, http.StatusOK, deliveries{list, rows, d.Test})
}

// retry tries the held and the refused again.
func (d *door) retry(c *gin.Context) {
	held, err := d.Receiver.RetryHeld(c.Request.Context())
	if err != nil {
		d.fail(c, err)
		return
	}
	refused, err := d.Receiver.RetryRefused(c.Request.Context())
	if err != nil {
		d.fail(c, err)
		return
	}
	writeJSON(c, http.StatusOK, gin.H{"held": held, "refused": refused})
}

// malformed is a problem with the reasons of a body.
type malformed struct {
	Problem
	Reasons []record.Finding `json:"reasons"`
}

// flagChanged is a problem with the flag as it is now.
type flagChanged struct {
	Problem
	Flag mapping.Flag `json:"flag"`
}

// acknowledge takes a named person's answer to a flag (D1.3).
func (d *door) acknowledge(c *gin.Context) {
	if mediaType(c.Request.Header) != "application/json" {
		problem(c, http.StatusUnsupportedMediaType, "media-type", "Send application/json in UTF-8, not compressed.")
		return
	}
	b, ok := body(c, d.MaxBytes)
	if !ok {
		return
	}
	a, findings, _ := record.DecodeAcknowledgement(b)
	caller, _ := access.CallerOf(c.Request.Context())
	if caller.Person != nil { // whose key it is need not be said
		findings = slices.DeleteFunc(findings, func(f record.Finding) bool { return f.Code == "missing" && f.Pointer == "/who" })
	}
	if len(findings) > 0 {
		malformedAcknowledgement(c, findings)
		return
	}
	who, ok := inTheNameOf(caller, a.Who)
	if !ok {
		problem(c, http.StatusForbidden, "other-person", "An acknowledgement is made in the name of the person whose key it is.")
		return
	}
	at, _ := a.At.In(d.Zone)
	fl, err := d.Receiver.Acknowledge(c.Request.Context(), c.Param("record"), c.Param("flag"),
		receive.Acknowledgement{Who: who, Reason: a.Reason, At: at, InputsHash: a.InputsHash})
	switch {
	case errors.Is(err, receive.ErrStale):
		writeProblem(c, http.StatusConflict, flagChanged{Problem{
			Type: problemBase + "flag-changed", Status: http.StatusConflict,
			Title: "What the flag rests on has changed since it was shown; the flag stays open.",
		}, fl.Flag})
	case errors.Is(err, receive.ErrBeforeFlag), errors.Is(err, receive.ErrAhead):
		malformedAcknowledgement(c, []record.Finding{{Severity: record.Refusal, Code: "impossible-time", Pointer: "/at", Text: err.Error(), Rule: "D1.3"}})
	case err != nil:
		d.fail(c, err)
	default:
		writeJSON(c, http.StatusOK, fl)
	}
}

func malformedAcknowledgement(c *gin.Context, findings []record.Finding) {
	writeProblem(c, http.StatusUnprocessableEntity, malformed{Problem{
		Type: problemBase + "malformed-acknowledgement", Title: "Send who, reason, at and inputsHash as JSON.",
		Status: http.StatusUnprocessableEntity,
	}, findings})
}

// followUp gives the clinic's follow-up list.
func (d *door) followUp(c *gin.Context) {
	switch clinic, given := c.GetQuery("clinic"); {
	case !given:
		malformedQuery(c, "clinic is missing.")
		return
	case clinic != d.Clinic:
		otherClinic(c)
		return
	}
	q := receive.FollowUpQuery{}
	if state, given := c.GetQuery("state"); given {
		if !slices.Contains(receive.FollowUpStates, state) {
			malformedQuery(c, "state is one of "+strings.Join(receive.FollowUpStates, ", ")+".")
			return
		}
		q.State = state
	}
	if since, given := c.GetQuery("since"); given {
		w, err := record.ParseWhen(since)
		if err != nil {
			malformedQuery(c, "since is a date or a date and time.")
			return
		}
		q.Since, _ = w.In(d.Zone)
	}
	rows, err := d.Receiver.FollowUp(c.Request.Context(), q)
	if err != nil {
		d.fail(c, err)
		return
	}
	writeJSON(c, http.StatusOK, rows)
}
