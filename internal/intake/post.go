package intake

import (
	"bytes"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strings"

	"github.com/gin-gonic/gin"

	"nailbridge/internal/receive"
)

// post takes one record, or NDJSON answered line by line.
func (d *door) post(c *gin.Context) {
	dry := false
	switch v, given := c.GetQuery("dry-run"); {
	case !given || v == "false":
	case v == "true":
		dry = true
	default:
		malformedQuery(c, "dry-run is true or false.")
		return
	}
	switch mediaType(c.Request.Header) {
	case "application/json":
		d.postOne(c, dry)
	case "application/x-ndjson":
		d.postLines(c, dry)
	default:
		problem(c, http.StatusUnsupportedMediaType, "media-type",
			"Send application/json, or application/x-ndjson for many, in UTF-8 and not compressed.")
	}
}

// mediaType is the type of a body that can be read: UTF-8, as RFC 8259 section
// 8.1 demands, and without content coding; else "".
func mediaType(h http.Header) string {
	media, params, err := mime.ParseMediaType(h.Get("Content-Type"))
	if err != nil {
		return ""
	}
	if charset, given := params["charset"]; given && !strings.EqualFold(charset, "utf-8") {
		return ""
	}
	if coding := h.Get("Content-Encoding"); coding != "" && !strings.EqualFold(coding, "identity") {
		return ""
	}
	return media
}

// body reads a body of at most limit bytes that holds something; ok is false
// when it answered with a problem instead.
func body(c *gin.Context, limit int64) (b []byte, ok bool) {
	b, err := io.ReadAll(http.MaxBytesReader(c.Writer, c.Request.Body, limit))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		problem(c, http.StatusRequestEntityTooLarge, "too-large", "The body is too large; nothing of it was stored.")
	case err != nil:
		problem(c, http.StatusBadRequest, "unreadable-body", "The body could not be read to its end; nothing of it was stored.")
	case len(bytes.TrimSpace(b)) == 0:
		problem(c, http.StatusBadRequest, "empty-body", "The body is empty.")
	default:
		return b, true
	}
	return nil, false
}

func (d *door) postOne(c *gin.Context, dry bool) {
	b, ok := body(c, d.MaxBytes)
	if !ok {
		return
	}
	a, err := d.Receiver.Receive(c.Request.Context(), b, dry)
	if errors.Is(err, receive.ErrClinic) {
		const status = http.StatusForbidden
		writeProblem(c, status, refusal{Problem{
			Type: problemBase + "other-clinic", Title: "The record is of another clinic than this door's; it was not stored.", Status: status,
		}, a})
		return
	}
	if err != nil {
		d.fail(c, err)
		return
	}
	writeAnswer(c, a)
}

// statusOf is the HTTP status of an answer (D2).
func statusOf(a receive.Answer) int {
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

func writeAnswer(c *gin.Context, a receive.Answer) {
	status := statusOf(a)
	if status < http.StatusBadRequest {
		if status == http.StatusCreated && !a.DryRun {
			c.Header("Location", "/records/"+url.PathEscape(a.Clinic)+"/"+url.PathEscape(a.Record))
		}
		writeJSON(c, status, a)
		return
	}
	title := "The record can not be understood; every reason is given with its place."
	if a.Answer == receive.Conflict {
		title = "Another content counts for this record id."
	}
	writeProblem(c, status, refusal{Problem{Type: problemBase + string(a.Answer), Title: title, Status: status}, a})
}

// line is the answer to one line of NDJSON.
type line struct {
	Line   int `json:"line"` // from 1
	Status int `json:"status"`
	*receive.Answer
	Error string `json:"error,omitempty"` // when nothing was stored
}

// postLines answers each line as it is stored; blank lines have no answer. A
// line for which nothing could be stored ends the run: those after it have no
// answer either and can be sent again. The body is read whole before, since a
// client may read no answer until it has sent everything.
func (d *door) postLines(c *gin.Context, dry bool) {
	b, ok := body(c, d.MaxLinesBytes)
	if !ok {
		return
	}
	c.Header("Content-Type", "application/x-ndjson")
	out := encoder(c.Writer)
	for i, text := range bytes.Split(b, []byte("\n")) {
		if text = bytes.TrimSpace(text); len(text) == 0 {
			continue
		}
		l := d.receiveLine(c, i+1, text, dry)
		if err := out.Encode(l); err != nil || l.Status == http.StatusServiceUnavailable {
			return
		}
		c.Writer.Flush()
	}
}

func (d *door) receiveLine(c *gin.Context, n int, text []byte, dry bool) line {
	if int64(len(text)) > d.MaxBytes {
		return line{Line: n, Status: http.StatusRequestEntityTooLarge, Error: "the line is too large; it was not stored"}
	}
	a, err := d.Receiver.Receive(c.Request.Context(), text, dry)
	switch {
	case errors.Is(err, receive.ErrClinic):
		return line{Line: n, Status: http.StatusForbidden, Answer: &a, Error: "the record is of another clinic"}
	case err != nil:
		d.Log.Error("unavailable", "route", c.FullPath(), "line", n, "error", err)
		return line{Line: n, Status: http.StatusServiceUnavailable, Error: "nothing was stored; send this line and those after it again"}
	}
	return line{Line: n, Status: statusOf(a), Answer: &a}
}
