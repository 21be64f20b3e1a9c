// Package access decides which requests may reach the doors at all. Until keys
// are configured only loopback is listened on, and Host and Origin are checked
// so that a page in a browser on the same machine cannot reach the records.
package access

import (
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strings"
)

// ErrNotLoopback: the address asked for can be reached from other machines.
var ErrNotLoopback = errors.New("only a loopback address may be listened on until access control is configured")

// Loopback checks an address to listen on, "host:port".
func Loopback(addr string) error {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return fmt.Errorf("address to listen on: %w", err)
	}
	if !loopbackHost(host) {
		return ErrNotLoopback
	}
	return nil
}

func loopbackHost(host string) bool {
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// Guard passes on only requests whose Host is a loopback name or that of the
// public base URL, and whose Origin, if any, is the same host. The others are
// answered 403: an OperationOutcome on /fhir, an RFC 9457 problem elsewhere.
func Guard(publicBase string, next http.Handler) http.Handler {
	public := ""
	if u, err := url.Parse(publicBase); err == nil {
		public = u.Hostname()
	}
	known := func(host string) bool { return loopbackHost(host) || public != "" && strings.EqualFold(host, public) }
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !known(hostOf(r.Host)) || !sameOrigin(r) {
			refuse(w, r)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// sameOrigin reports a request without Origin, as programs send it, or with
// the one of the host it goes to (RFC 6454 section 7).
func sameOrigin(r *http.Request) bool {
	origins := r.Header.Values("Origin")
	if len(origins) == 0 {
		return true
	}
	u, err := url.Parse(origins[0])
	return err == nil && len(origins) == 1 && (u.Scheme == "http" || u.Scheme == "https") && strings.EqualFold(u.Host, r.Host)
}

const (
	outcome = `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"forbidden",` +
		`"diagnostics":"this host or origin is not served here"}]}`
	problem = `{"type":"https://nailbridge.example/problem/host","title":"This host or origin is not served here.","status":403}`
)

func refuse(w http.ResponseWriter, r *http.Request) {
	media, body := "application/problem+json", problem
	if r.URL.Path == "/fhir" || strings.HasPrefix(r.URL.Path, "/fhir/") {
		media, body = "application/fhir+json", outcome
	}
	w.Header().Set("Content-Type", media)
	w.WriteHeader(http.StatusForbidden)
	_, _ = w.Write([]byte(body + "\n")) // the client may be gone
}

// hostOf is a Host header without its port.
func hostOf(s string) string {
	if h, _, err := net.SplitHostPort(s); err == nil {
		return h
	}
	return strings.Trim(s, "[]")
}
