package hub

import (
	"context"
	"errors"
	"fmt"
	"html"
	"net/http"
	"strings"

	"nailbridge/internal/store"
)

// issue is one OperationOutcome.issue. Text never holds patient data.
type issue struct {
	Severity    string `json:"severity"`
	Code        string `json:"code"`
	Diagnostics string `json:"diagnostics"`
}

// fault is an answer that is not a success.
type fault struct {
	status int
	issues []issue
	header map[string]string
	cause  error // for the log
}

// Error is the status and what the client is told.
func (f *fault) Error() string {
	var texts []string
	for _, i := range f.issues {
		texts = append(texts, i.Diagnostics)
	}
	return fmt.Sprintf("%d: %s", f.status, strings.Join(texts, "; "))
}

// Unwrap gives the cause, which the client is not told.
func (f *fault) Unwrap() error { return f.cause }

func faultf(status int, code, format string, args ...any) *fault {
	severity := "error"
	if status == http.StatusInternalServerError {
		severity = "fatal"
	}
	return &fault{status: status, issues: []issue{{severity, code, fmt.Sprintf(format, args...)}}}
}

// errType is a path that names no type of this server.
var errType = faultf(http.StatusNotFound, "not-supported", "no such resource type here")

func notAllowed(allow string) *fault {
	f := faultf(http.StatusMethodNotAllowed, "not-supported", "this interaction is not offered; %s/metadata lists what is", Prefix)
	f.header = map[string]string{"Allow": allow}
	return f
}

// errOutdated is a page link of a walk over what is no longer as it was.
func errOutdated(what string) *fault {
	return faultf(http.StatusGone, "processing", "since this link was made the %s were changed: start over from the first page", what)
}

// retryAfter is how long a client waits after 503, in seconds.
const retryAfter = "5"

// tryAgain is what may be otherwise soon.
func tryAgain(code, text string) *fault {
	f := faultf(http.StatusServiceUnavailable, code, "%s", text)
	f.header = map[string]string{"Retry-After": retryAfter}
	return f
}

// asFault turns an error of the store into an answer. Anything unknown is a
// fault of the store: nothing is promised, the client may try again.
func asFault(err error) *fault {
	var f *fault
	switch {
	case errors.As(err, &f):
		return f
	case errors.Is(err, store.ErrNotFound):
		return faultf(http.StatusNotFound, "not-found", "no such resource or version")
	case errors.Is(err, store.ErrGone):
		return faultf(http.StatusGone, "deleted", "this resource or version may no longer be shown")
	case errors.Is(err, store.ErrEpoch):
		return faultf(http.StatusGone, "processing",
			"this link is from before the data were restored from a backup: start over from the first page, or from the last full read")
	}
	f = tryAgain("transient", "the data cannot be read now; try again")
	if !errors.Is(err, context.Canceled) { // a client that left is no fault
		f.cause = err
	}
	return f
}

type narrative struct {
	Status string `json:"status"`
	Div    string `json:"div"`
}

// paragraphs is a generated narrative of plain text.
func paragraphs(texts ...string) narrative {
	var b strings.Builder
	b.WriteString(`<div xmlns="http://www.w3.org/1999/xhtml">`)
	for _, t := range texts {
		b.WriteString("<p>" + html.EscapeString(t) + "</p>")
	}
	b.WriteString("</div>")
	return narrative{Status: "generated", Div: b.String()}
}

// outcome gives the OperationOutcome of issues, of which there is at least
// one.
func outcome(issues []issue) []byte {
	var texts []string
	for _, i := range issues {
		texts = append(texts, i.Severity+": "+i.Diagnostics)
	}
	return mustJSON(struct {
		ResourceType string    `json:"resourceType"`
		Text         narrative `json:"text"`
		Issue        []issue   `json:"issue"`
	}{"OperationOutcome", paragraphs(texts...), issues})
}
