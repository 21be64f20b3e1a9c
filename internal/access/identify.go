package access

import (
	"crypto/rand"
	"encoding/hex"
	"net/http"
	"regexp"
)

// Headers that a request and its answer are told apart by (R4 http.html#custom).
const (
	RequestID     = "X-Request-Id"
	CorrelationID = "X-Correlation-Id"
)

// givenBack are the ids of clients' that they get back: of visible ASCII.
var givenBack = regexp.MustCompile(`^[!-~]{1,128}$`)

// Identify gives a request an id of its own, 16 hex digits, sets it in the
// answer with the client's own beside it, and gives it for the log; the second
// time it gives the same.
func Identify(w http.ResponseWriter, r *http.Request) string {
	h := w.Header()
	if id := h.Get(RequestID); id != "" {
		return id
	}
	var b [8]byte
	_, _ = rand.Read(b[:]) // never fails
	id := hex.EncodeToString(b[:])
	h.Set(RequestID, id)
	if theirs := r.Header.Get(RequestID); givenBack.MatchString(theirs) {
		h.Set(CorrelationID, theirs)
	}
	return id
}
