package intake

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"

	"github.com/gin-gonic/gin"

	"nailbridge/internal/receive"
	"nailbridge/internal/store"
)

// post takes one record, or NDJSON answered line by line.
func (d *door) post(c *gin.Context) {
	dry := false
	switch v, given := c.GetQuery("dry-run"); {
	case !given || v == "false":
	case v == "true":
		dry = true
	default:
		problem(c, http.StatusBadRequest, "malformed-query", "dry-run is true or false.")
		return
	}
	media, _, err := mime.ParseMediaType(c.GetHeader("Content-Type"))
	switch {
	case err == nil && media == "application/json":
		d.postOne(c, dry)
	case err == nil && media == "application/x-ndjson":
		d.postLines(c, dry)
	default:
		problem(c, http.StatusUnsupportedMediaType, "media-type", "Send application/json, or application/x-ndjson for many.")
	}
}

func (d *door) postOne(c *gin.Context, dry bool) {
	body, err := io.ReadAll(http.MaxBytesReader(c.Writer, c.Request.Body, d.MaxBytes))
	if err != nil {
		tooLarge(c, err)
		return
	}
	a, err := d.Receiver.Receive(c.Request.Context(), body, dry)
	if err != nil {
		fail(c, err)
		return
	}
	write(c, a)
}

func tooLarge(c *gin.Context, err error) {
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		problem(c, http.StatusRequestEntityTooLarge, "too-large", "The body is too large.")
		return
	}
	problem(c, http.StatusBadRequest, "unreadable-body", "The body could not be read to its end.")
}

// Status is the HTTP status of an answer (D2).
func Status(a receive.Answer) int {
	switch a.Answer {
	case receive.Stored:
		if a.First {
			return http.StatusCreated
		}
		return http.StatusOK
	case receive.Waiting, receive.Held:
		return http.StatusAccepted
	case receive.Conflict:
		if a.Counts != nil && !*a.Counts {
			return http.StatusConflict
		}
		return http.StatusOK
	case receive.Refused:
		if a.NotJSON {
			return http.StatusBadRequest
		}
		return http.StatusUnprocessableEntity
	}
	return http.StatusOK
}

// refusal is a refused or conflicting answer as a problem with the members of
// the answer.
type refusal struct {
	Problem
	receive.Answer
}

func write(c *gin.Context, a receive.Answer) {
	status := Status(a)
	if status < http.StatusBadRequest {
		c.JSON(status, a)
		return
	}
	title := "The record can not be understood; every reason is given with its place."
	if a.Answer == receive.Conflict {
		title = "Another content counts for this record id."
	}
	c.Header("Content-Type", "application/problem+json")
	c.JSON(status, refusal{Problem{problemBase + string(a.Answer), title, status}, a})
}

// line is the answer to one line of NDJSON.
type line struct {
	Line   int `json:"line"` // from 1
	Status int `json:"status"`
	receive.Answer
	Error string `json:"error,omitempty"` // when there is no answer
}

// postLines answers each line as it is stored. A line for which nothing could
// be stored ends the run: what follows is not read, and can be sent again.
func (d *door) postLines(c *gin.Context, dry bool) {
	body := http.MaxBytesReader(c.Writer, c.Request.Body, d.MaxLinesBytes)
	in := bufio.NewScanner(body)
	in.Buffer(make([]byte, 64<<10), int(d.MaxBytes)+1)
	c.Header("Content-Type", "application/x-ndjson")
	out := json.NewEncoder(c.Writer)
	n := 0
	for in.Scan() {
		n++
		text := bytes.TrimSpace(in.Bytes())
		if len(text) == 0 {
			continue
		}
		l := d.receiveLine(c, n, bytes.Clone(text), dry)
		if err := out.Encode(l); err != nil || l.Status == http.StatusServiceUnavailable {
			return
		}
		c.Writer.Flush()
	}
	if in.Err() != nil {
		_ = out.Encode(line{Line: n + 1, Status: http.StatusRequestEntityTooLarge, Error: "the line or the body is too large, or could not be read"})
	}
}

func (d *door) receiveLine(c *gin.Context, n int, text []byte, dry bool) line {
	a, err := d.Receiver.Receive(c.Request.Context(), text, dry)
	switch {
	case errors.Is(err, receive.ErrClinic):
		return line{Line: n, Status: http.StatusForbidden, Error: "the record is of another clinic"}
	case errors.Is(err, store.ErrUnavailable), err != nil:
		return line{Line: n, Status: http.StatusServiceUnavailable, Error: "nothing was stored; please send this line and those after it again"}
	}
	return line{Line: n, Status: Status(a), Answer: a}
}
