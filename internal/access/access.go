// Package access decides which requests may reach the doors at all, and who
// they come from. Without keys and TLS only loopback is listened on. Host and
// Origin are always checked, so that a page in a browser on the same machine
// cannot reach the records. With keys, each request but those for what is open
// to anybody carries one: of one clinic's practice system, of one hub with its
// clinics, or of one named person.
package access

import (
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
)

// ErrNotLoopback: the address asked for can be reached from other machines.
var ErrNotLoopback = errors.New("only a loopback address may be listened on without keys and TLS")

// Loopback checks an address to listen on, "host:port", where nothing protects
// what is served.
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
			refuse(w, r, otherHost)
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

// refusal is why a request goes no further, in words that hold nothing of it.
type refusal struct {
	status int
	code   string // OperationOutcome.issue.code
	name   string // last part of the problem's type
	text   string
}

var (
	otherHost  = refusal{http.StatusForbidden, "forbidden", "host", "This host or origin is not served here."}
	unknownKey = refusal{http.StatusUnauthorized, "login", "key", "A key that is in force is needed: Authorization: Bearer, and the key."}
	otherKind  = refusal{http.StatusForbidden, "forbidden", "key", "This key does not open this path."}
)

// refuse answers with an OperationOutcome on /fhir, an RFC 9457 problem
// elsewhere.
func refuse(w http.ResponseWriter, r *http.Request, why refusal) {
	Identify(w, r)
	media := "application/problem+json"
	var body any = problem{"https://nailbridge.example/problem/" + why.name, why.text, why.status}
	if isFHIR(r.URL.Path) {
		media = "application/fhir+json"
		body = outcome{"OperationOutcome", []issue{{"error", why.code, why.text}}}
	}
	b, err := json.Marshal(body)
	if err != nil {
		panic(err) // strings and a number always marshal
	}
	w.Header().Set("Content-Type", media)
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(why.status)
	_, _ = w.Write(append(b, '\n')) // the client may be gone
}

type problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
}

type outcome struct {
	ResourceType string  `json:"resourceType"`
	Issue        []issue `json:"issue"`
}

type issue struct {
	Severity    string `json:"severity"`
	Code        string `json:"code"`
	Diagnostics string `json:"diagnostics"`
}

// isFHIR tells the hub's side from the clinic's.
func isFHIR(path string) bool { return path == "/fhir" || strings.HasPrefix(path, "/fhir/") }

// hostOf is a Host header without its port; "" where what should be a port is
// none.
func hostOf(s string) string {
	h, port, err := net.SplitHostPort(s)
	if err != nil {
		return strings.Trim(s, "[]")
	}
	if _, err := strconv.ParseUint(port, 10, 16); err != nil {
		return ""
	}
	return h
}
