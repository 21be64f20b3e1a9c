package main

import (
	"log/slog"
	"net/http"
	"time"

	"nailbridge/internal/access"
)

// answering lets go of clients that do not read: each part of an answer must be
// gone within patience, or the connection is closed. net/http takes the deadline
// from a connection that is used again. It logs what is refused
// before a door sees it, by the id that the answer has (401, 403).
func answering(next http.Handler, patience time.Duration, log *slog.Logger) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a := &answer{ResponseWriter: w, conn: http.NewResponseController(w), patience: patience}
		next.ServeHTTP(a, r)
		a.extend() // for what net/http has in its buffer
		if id := w.Header().Get(access.RequestID); id != "" && (a.status == http.StatusUnauthorized || a.status == http.StatusForbidden) {
			log.LogAttrs(r.Context(), slog.LevelInfo, "request refused", slog.Int("status", a.status), slog.String("request", id))
		}
	})
}

// answer is a ResponseWriter whose connection has a deadline for each part.
type answer struct {
	http.ResponseWriter
	conn     *http.ResponseController
	patience time.Duration
	status   int
}

// extend gives the client its time anew. The clock is that of the network.
func (a *answer) extend() {
	_ = a.conn.SetWriteDeadline(time.Now().Add(a.patience)) // a connection without deadlines has none
}

// WriteHeader begins the answer.
func (a *answer) WriteHeader(status int) {
	a.extend()
	a.status = status
	a.ResponseWriter.WriteHeader(status)
}

// Write sends a part of it.
func (a *answer) Write(b []byte) (int, error) {
	a.extend()
	return a.ResponseWriter.Write(b)
}

// Flush sends what is written, as a batch does after each line.
func (a *answer) Flush() {
	a.extend()
	_ = a.conn.Flush() // the next Write fails where this did
}

// Unwrap is for http.ResponseController.
func (a *answer) Unwrap() http.ResponseWriter { return a.ResponseWriter }
