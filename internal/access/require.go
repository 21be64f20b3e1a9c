package access

import (
	"context"
	"net/http"
	"slices"
	"strings"
)

// Checker tells who sent a secret. It is the one place where access is
// decided, so that tokens of another kind can take the place of keys.
type Checker interface {
	// Find gives the caller whose secret was sent; false: nobody's.
	Find(secret string) (Caller, bool)
}

type callerKey struct{}

// CallerOf gives who a request that passed Require comes from; false where no
// keys are in force.
func CallerOf(ctx context.Context) (Caller, bool) {
	c, ok := ctx.Value(callerKey{}).(Caller)
	return c, ok
}

// WithCaller is a context of requests that come from c.
func WithCaller(ctx context.Context, c Caller) context.Context {
	return context.WithValue(ctx, callerKey{}, c)
}

// open are the paths that anybody may read: they hold nothing of any clinic.
var open = []string{"/health", "/health/nats", "/ready", "/openapi.json", "/fhir/metadata"}

// Require passes on only requests with a key (RFC 6750 section 2.1) that opens
// the path: a hub's key /fhir, a clinic's or a person's all else. Without a
// key, or with one that is not in force, it answers 401; with one of another
// kind 403. Neither answer tells what there is.
func Require(check Checker, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if slices.Contains(open, r.URL.Path) && (r.Method == http.MethodGet || r.Method == http.MethodHead) {
			next.ServeHTTP(w, r)
			return
		}
		secret, sent := bearer(r.Header)
		caller, known := Caller{}, false
		if sent {
			caller, known = check.Find(secret)
		}
		switch {
		case !known:
			w.Header().Set("WWW-Authenticate", challenge(sent))
			refuse(w, r, unknownKey)
		case (caller.Kind == HubKey) != isFHIR(r.URL.Path):
			refuse(w, r, otherKind)
		default:
			next.ServeHTTP(w, r.WithContext(WithCaller(r.Context(), caller)))
		}
	})
}

// bearer is the credential of an Authorization header, of which there must be
// one; the scheme is read in any case (RFC 9110 section 11.1).
func bearer(h http.Header) (string, bool) {
	values := h.Values("Authorization")
	if len(values) != 1 {
		return "", false
	}
	scheme, secret, found := strings.Cut(values[0], " ")
	secret = strings.TrimLeft(secret, " ")
	return secret, found && secret != "" && strings.EqualFold(scheme, "Bearer")
}

// challenge is the WWW-Authenticate header: an error code only where a key was
// sent (RFC 6750 section 3).
func challenge(sent bool) string {
	if sent {
		return `Bearer realm="nailbridge", error="invalid_token"`
	}
	return `Bearer realm="nailbridge"`
}

// Sides parts the paths of hubs from those of clinics, as Require does.
func Sides(hub, clinic http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if isFHIR(r.URL.Path) {
			hub.ServeHTTP(w, r)
			return
		}
		clinic.ServeHTTP(w, r)
	})
}

// ByClinic passes a request on to the door of its caller's clinic. A clinic
// without a door is answered 403, as a path that the key does not open.
func ByClinic(doors map[string]http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c, known := CallerOf(r.Context())
		if known && len(c.Clinics) == 1 && doors[c.Clinics[0]] != nil {
			doors[c.Clinics[0]].ServeHTTP(w, r)
			return
		}
		refuse(w, r, otherKind)
	})
}
