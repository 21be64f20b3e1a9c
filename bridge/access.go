package main

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net/http"
	"os"
	"strings"

	"nailbridge/internal/access"
	"nailbridge/internal/config"
	"nailbridge/internal/meter"
	"nailbridge/internal/store"
)

// accessFlags say who may reach the doors, and from where.
type accessFlags struct {
	Keys          string `type:"existingfile" placeholder:"FILE" help:"Bearer keys, made by the key command; read again when the file changes."`
	TLSCert       string `name:"tls-cert" type:"existingfile" placeholder:"FILE" help:"Certificate for TLS, PEM; read again when renewed."`
	TLSKey        string `name:"tls-key" type:"existingfile" placeholder:"FILE" help:"Private key of the certificate, PEM."`
	TLSProxy      bool   `name:"tls-proxy" help:"A proxy in front of this address ends TLS and lets nobody past it."`
	MetricsListen string `name:"metrics-listen" placeholder:"ADDRESS" help:"Loopback address and port of /metrics where there are keys."`
}

// errExposed: what was asked for would show patients' data to strangers.
var errExposed = errors.New("an address that is not loopback needs --keys, and --tls-cert with --tls-key or --tls-proxy")

// check refuses what would leave a door open, before anything is made.
func (f accessFlags) check(listen, publicBase string) error {
	certified := f.TLSCert != "" && f.TLSKey != ""
	switch {
	case (f.TLSCert == "") != (f.TLSKey == ""):
		return errors.New("--tls-cert and --tls-key go together")
	case certified && f.TLSProxy:
		return errors.New("TLS ends here or in a proxy, not in both: --tls-cert or --tls-proxy")
	}
	if f.MetricsListen != "" {
		if err := access.Loopback(f.MetricsListen); err != nil {
			return errors.Join(errors.New("--metrics-listen"), err)
		}
	}
	err := access.Loopback(listen)
	if !errors.Is(err, access.ErrNotLoopback) {
		return err
	}
	if f.Keys == "" || !certified && !f.TLSProxy {
		return errExposed
	}
	if !strings.HasPrefix(publicBase, "https://") {
		return errors.New("publicBaseUrl must be https where hubs on other machines use it")
	}
	return nil
}

// checkClinics refuses clinics that only keys can keep apart.
func (f accessFlags) checkClinics(file config.File) error {
	if f.Keys != "" {
		return nil
	}
	if len(file.Clinics) > 1 {
		return errors.New("more than one clinic needs --keys: without keys nothing tells whose a request is")
	}
	if file.Clinics[0].Test {
		return errors.New("a test clinic needs --keys: only keys that name it may see it")
	}
	return nil
}

// readable reads the certificate and the keys, to refuse what can not be read
// before anything is made.
func (f accessFlags) readable() error {
	_, err := f.tls(slog.New(slog.DiscardHandler))
	if f.Keys != "" {
		_, unread := access.ReadKeys(f.Keys)
		err = errors.Join(err, unread)
	}
	return err
}

// open reads the keys; nil without any.
func (f accessFlags) open(log *slog.Logger, m *meter.Meter) (access.Checker, error) {
	if f.Keys == "" {
		return nil, nil
	}
	if info, err := os.Stat(f.Keys); err == nil && info.Mode().Perm()&0o022 != 0 {
		log.Warn("others than the owner may write the file of keys, and so let anybody in")
	}
	keys, err := access.OpenKeyFile(f.Keys, func(err error) { log.Error("the keys could not be read again", "error", err) })
	if err != nil {
		return nil, err // not keys: a nil pointer would be a Checker
	}
	m.Gauge("keys_current", "1 while the keys in force are those of the file of keys, 0 while it is gone or can not be read.", func() float64 {
		if keys.Current() {
			return 1
		}
		return 0
	})
	return keys, nil
}

// guarded puts the checks of access before everything.
func (a *app) guarded(all http.Handler) http.Handler {
	if a.keys != nil {
		all = access.Require(a.keys, all)
	}
	return access.Guard(a.file.PublicBaseURL, all)
}

// byClinic chooses among the doors of clinics, which are named by their ids:
// without keys there is one clinic and one door.
func (f accessFlags) byClinic(doors map[string]http.Handler) http.Handler {
	if f.Keys != "" {
		return access.ByClinic(doors)
	}
	for _, d := range doors {
		return d
	}
	return http.NotFoundHandler()
}

// scope gives the clinics that the client of a request may see: with keys only
// those of its key.
func (f accessFlags) scope(ctx context.Context) store.Scope {
	if f.Keys == "" {
		return store.Everything
	}
	caller, _ := access.CallerOf(ctx)
	return store.Scope{Clinics: caller.Clinics}
}

// tls is the configuration of the listener; nil without a certificate.
func (f accessFlags) tls(log *slog.Logger) (*tls.Config, error) {
	if f.TLSCert == "" {
		return nil, nil
	}
	c, err := access.OpenCertificate(f.TLSCert, f.TLSKey, func(err error) { log.Error("the certificate could not be read again", "error", err) })
	if err != nil {
		return nil, err
	}
	return c.Config(), nil
}
