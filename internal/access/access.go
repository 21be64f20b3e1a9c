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
// public base URL, and whose Origin, if any, is the same.
func Guard(publicBase string, refuse http.HandlerFunc, next http.Handler) http.Handler {
	public := ""
	if u, err := url.Parse(publicBase); err == nil {
		public = u.Hostname()
	}
	known := func(host string) bool { return loopbackHost(host) || public != "" && strings.EqualFold(host, public) }
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !known(hostOf(r.Host)) {
			refuse(w, r)
			return
		}
		if o := r.Header.Get("Origin"); o != "" {
			u, err := url.Parse(o)
			if err != nil || !known(u.Hostname()) || u.Host != r.Host {
				refuse(w, r)
				return
			}
		}
		next.ServeHTTP(w, r)
	})
}

// hostOf is a Host header without its port.
func hostOf(s string) string {
	if h, _, err := net.SplitHostPort(s); err == nil {
		return h
	}
	return strings.Trim(s, "[]")
}
