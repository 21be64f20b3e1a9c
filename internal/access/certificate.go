package access

import (
	"crypto/tls"
	"errors"
	"io/fs"
	"os"
	"sync"
)

// Certificate is a certificate for TLS with its private key, from two PEM files
// that are read again when either changes, as a renewal does.
type Certificate struct {
	cert, key string
	said      func(error)

	mu       sync.Mutex
	loaded   *tls.Certificate
	certSeen fs.FileInfo
	keySeen  fs.FileInfo
	sick     string // why it could not be read last, as said; "" while it can
}

// OpenCertificate reads the files. said hears, once per change, of a renewal
// that cannot be read; the certificate read before goes on being used.
func OpenCertificate(cert, key string, said func(error)) (*Certificate, error) {
	c := &Certificate{cert: cert, key: key, said: said}
	if _, err := c.refresh(); err != nil {
		return nil, err
	}
	return c, nil
}

// refresh reads the files when they changed.
func (c *Certificate) refresh() (changed bool, err error) {
	cert, certErr := os.Stat(c.cert)
	key, keyErr := os.Stat(c.key)
	if err := errors.Join(certErr, keyErr); err != nil {
		changed = c.certSeen != nil && c.keySeen != nil
		c.certSeen, c.keySeen = nil, nil
		return changed, err
	}
	if unchanged(c.certSeen, cert) && unchanged(c.keySeen, key) {
		c.sick = "" // what could not be read is away, and those read before are back
		return false, nil
	}
	pair, err := tls.LoadX509KeyPair(c.cert, c.key)
	if unreadable(err) { // to be tried again, and said once
		changed = c.sick != err.Error()
		c.sick = err.Error()
		return changed, err
	}
	c.certSeen, c.keySeen, c.sick = cert, key, ""
	if err == nil {
		c.loaded = &pair
	}
	return true, err
}

func unchanged(before, now fs.FileInfo) bool {
	return before != nil && os.SameFile(before, now) && before.ModTime().Equal(now.ModTime()) && before.Size() == now.Size()
}

// Config is the configuration of a server that shows the certificate: TLS 1.2
// at least.
func (c *Certificate) Config() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
		c.mu.Lock()
		defer c.mu.Unlock()
		if changed, err := c.refresh(); changed && err != nil {
			c.said(err)
		}
		return c.loaded, nil
	}}
}
