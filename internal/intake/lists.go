package intake

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"slices"

	"github.com/gin-gonic/gin"

	"nailbridge/internal/receive"
	"nailbridge/mapping/record"
)

// get gives what the clinic sees of one record id.
func (d *door) get(c *gin.Context) {
	if !d.clinicOf(c) {
		return
	}
	l, err := d.Receiver.Look(c.Request.Context(), c.Param("record"))
	if err != nil {
		fail(c, err)
		return
	}
	c.JSON(http.StatusOK, l)
}

// marks are the lists of deliveries.
var marks = []string{"refused", "held", "waiting", "superseded"}

// list gives the deliveries with a mark, oldest first.
func (d *door) list(c *gin.Context) {
	if !d.clinicOf(c) {
		return
	}
	mark := c.Query("list")
	if !slices.Contains(marks, mark) {
		problem(c, http.StatusBadRequest, "malformed-query", "list is one of refused, held, waiting, superseded.")
		return
	}
	rows, err := d.Receiver.List(c.Request.Context(), mark)
	if err != nil {
		fail(c, err)
		return
	}
	c.JSON(http.StatusOK, gin.H{"list": mark, "deliveries": rows})
}

// retry tries the held and the refused again.
func (d *door) retry(c *gin.Context) {
	if !d.clinicOf(c) {
		return
	}
	held, err := d.Receiver.RetryHeld(c.Request.Context())
	if err != nil {
		fail(c, err)
		return
	}
	refused, err := d.Receiver.RetryRefused(c.Request.Context())
	if err != nil {
		fail(c, err)
		return
	}
	c.JSON(http.StatusOK, gin.H{"held": held, "refused": refused})
}

// acknowledgement is the body of an acknowledgement.
type acknowledgement struct {
	Who        record.Person `json:"who"`
	Reason     string        `json:"reason"`
	At         record.When   `json:"at"`
	InputsHash string        `json:"inputsHash"`
}

// acknowledge takes a named person's answer to a flag (D1.3).
func (d *door) acknowledge(c *gin.Context) {
	if !d.clinicOf(c) {
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(c.Writer, c.Request.Body, d.MaxBytes))
	if err != nil {
		tooLarge(c, err)
		return
	}
	var a acknowledgement
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&a); err != nil {
		problem(c, http.StatusBadRequest, "malformed-acknowledgement", "Send who, reason, at and inputsHash as JSON.")
		return
	}
	if err := d.complete(a); err != nil {
		problem(c, http.StatusUnprocessableEntity, "incomplete-acknowledgement", err.Error())
		return
	}
	at, _ := a.At.In(d.Zone)
	fl, err := d.Receiver.Acknowledge(c.Request.Context(), c.Param("record"), c.Param("flag"),
		receive.Acknowledgement{Who: a.Who, Reason: a.Reason, At: at, InputsHash: a.InputsHash})
	switch {
	case errors.Is(err, receive.ErrStale):
		c.Header("Content-Type", "application/problem+json")
		c.JSON(http.StatusConflict, gin.H{
			"type": problemBase + "flag-changed", "status": http.StatusConflict,
			"title": "What the flag rests on has changed since it was shown; the flag stays open.", "flag": fl,
		})
	case err != nil:
		fail(c, err)
	default:
		c.JSON(http.StatusOK, fl)
	}
}

func (d *door) complete(a acknowledgement) error {
	switch {
	case a.Who.Key() == "":
		return errors.New("who must name a person by registration or staff key.")
	case a.Reason == "":
		return errors.New("reason is missing.")
	case !a.At.HasTime():
		return errors.New("at must be a date and time.")
	case a.InputsHash == "":
		return errors.New("inputsHash, as shown with the flag, is missing.")
	}
	return nil
}

// followUp gives the clinic's follow-up list.
func (d *door) followUp(c *gin.Context) {
	if c.Query("clinic") != d.Clinic {
		problem(c, http.StatusForbidden, "other-clinic", "clinic must name this door's clinic.")
		return
	}
	for k, v := range c.Request.URL.Query() {
		if !slices.Contains([]string{"clinic", "state", "since"}, k) || len(v) > 1 {
			problem(c, http.StatusBadRequest, "malformed-query", "The parameters are clinic, state and since, once each.")
			return
		}
	}
	q := receive.FollowUpQuery{State: c.Query("state")}
	if q.State != "" && !slices.Contains(receive.FollowUpStates, q.State) {
		problem(c, http.StatusBadRequest, "malformed-query", "state is one of due, overdue, missed, flagged.")
		return
	}
	if s := c.Query("since"); s != "" {
		w, err := record.ParseWhen(s)
		if err != nil {
			problem(c, http.StatusBadRequest, "malformed-query", "since is a date or a date and time.")
			return
		}
		q.Since, _ = w.In(d.Zone)
	}
	rows, err := d.Receiver.FollowUp(c.Request.Context(), q)
	if err != nil {
		fail(c, err)
		return
	}
	c.JSON(http.StatusOK, rows)
}
