package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"time"

	"nailbridge/conformance/guide"
	"nailbridge/internal/config"
	"nailbridge/internal/events"
	"nailbridge/internal/intake"
	"nailbridge/internal/receive"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/internal/validate/engine"
	"nailbridge/mapping"
	"nailbridge/mapping/followup"
	"nailbridge/mapping/profiles"
	"nailbridge/mapping/published"
	"nailbridge/mapping/resource"
)

// clinics are the receivers of the clinics that the settings name, each for its
// own part of the store.
type clinics []*receive.Receiver

func newClinics(file config.File, settings []mapping.Settings, st store.Store, log *slog.Logger) (clinics, error) {
	zone, err := file.Location()
	if err != nil {
		return nil, err
	}
	var out clinics
	for _, s := range settings {
		if err := checkProtocols(s); err != nil {
			return nil, err
		}
		out = append(out, &receive.Receiver{
			Store: st, Settings: s, Log: log, Index: searchparam.Index{Base: file.PublicBaseURL, Zone: zone},
		})
	}
	return out, nil
}

// checkProtocols holds the protocols of a clinic's own to R4: they are published
// as they are.
func checkProtocols(s mapping.Settings) error {
	if len(s.Protocols) == 0 {
		return nil
	}
	v := engine.New(definitions(s.Terms))
	for _, p := range s.Protocols {
		for _, i := range v.Validate(p.JSON, validate.Options(nil)) {
			if i.Invalid() {
				return fmt.Errorf("settings: clinic %q: protocols: %s: %s: %s", s.Clinic.ID, p.ID, i.Location, i.Text)
			}
		}
	}
	return nil
}

// artifacts are the definitions that our resources point to: the code maps of s,
// which are those of every clinic, the profiles, and the protocols of all clinics, with those
// that were in force before, and what other versions have taken the place of. Protocols of now
// are kept for the time after.
func (cs clinics) artifacts(ctx context.Context, s mapping.Settings) (out []resource.Resource, err error) {
	var inForce []*followup.Protocol
	var kept [][]byte
	for _, v := range cs {
		one, err := v.KeepProtocols(ctx)
		if err != nil {
			return nil, err
		}
		inForce, kept = append(inForce, v.Settings.Protocols...), append(kept, one...)
	}
	protocols, err := followup.Published(inForce, kept)
	if err != nil {
		return nil, err
	}
	var all [][]byte
	for _, x := range slices.Concat(s.Terms.Artifacts(s.Codes), profiles.Artifacts()) {
		all = append(all, x.JSON)
	}
	for _, x := range protocols {
		all = append(all, x.JSON)
	}
	parameters, err := searchparam.Artifacts()
	if err != nil {
		return nil, err
	}
	old, err := superseded(s)
	if err != nil {
		return nil, err
	}
	for _, d := range old {
		b, err := d.Apart()
		if err != nil {
			return nil, err
		}
		all = append(all, b)
	}
	return readResources(append(append(all, parameters...), guide.Statement()))
}

// superseded are the definitions of the program that another version has taken
// the place of, without the codes that may not leave.
func superseded(s mapping.Settings) (out []published.Definition, err error) {
	for _, d := range published.Superseded() {
		if !slices.Contains(searchparam.ArtifactTypes(), d.Type) {
			continue
		}
		if d.JSON, err = s.Terms.Former(s.Codes, d.JSON); err != nil {
			return nil, fmt.Errorf("%s: %w", d.Canonical(), err)
		}
		out = append(out, d)
	}
	return out, nil
}

// former are those of them whose id another version has now, as they were under it.
func former(s mapping.Settings, static []resource.Resource) ([]resource.Resource, error) {
	old, err := superseded(s)
	if err != nil {
		return nil, err
	}
	var texts [][]byte
	for _, d := range old {
		if slices.ContainsFunc(static, func(r resource.Resource) bool { return r.Type() == d.Type && r.ID() == d.ID }) {
			texts = append(texts, d.JSON)
		}
	}
	return readResources(texts)
}

func readResources(texts [][]byte) (out []resource.Resource, err error) {
	for _, b := range texts {
		r, err := resource.FromJSON(b)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// ids names the clinics as in record headers.
func (cs clinics) ids() []string {
	var out []string
	for _, v := range cs {
		out = append(out, v.Settings.Clinic.ID)
	}
	return out
}

// doors are the HTTP doors by clinic, as the settings have them.
func (cs clinics) doors(file config.File, log *slog.Logger) map[string]http.Handler {
	test := map[string]bool{}
	for _, c := range file.Clinics {
		test[c.Identity.ID] = c.Test
	}
	out := map[string]http.Handler{}
	for _, v := range cs {
		c := v.Settings.Clinic
		out[c.ID] = intake.New(intake.Options{Receiver: v, Clinic: c.ID, Test: test[c.ID], Zone: c.Zone, Log: log})
	}
	return out
}

// atNATS are the clinics as the second door has them.
func (cs clinics) atNATS() []events.Clinic {
	var out []events.Clinic
	for _, v := range cs {
		out = append(out, events.Clinic{ID: v.Settings.Clinic.ID, Receiver: v})
	}
	return out
}

// outdated reports whether anything of the store must be folded again before a
// hub may read it. A clinic that the settings do not name is an error: nothing
// says what may be shared of it.
func (cs clinics) outdated(ctx context.Context, st store.Store) (bool, error) {
	if err := receive.Named(ctx, st, cs.ids()); err != nil {
		return false, err
	}
	stale := false
	for _, v := range cs {
		is, err := v.Outdated(ctx)
		if err != nil {
			return false, err
		}
		stale = stale || is
	}
	return stale, nil
}

// renew folds what must be folded again, one clinic after another. One that
// fails keeps no other from it.
func (cs clinics) renew(ctx context.Context) (done receive.Renewed, err error) {
	var faults []error
	for _, v := range cs {
		one, err := v.Renew(ctx)
		done.Patients += one.Patients
		done.Failed += one.Failed
		faults = append(faults, err)
	}
	return done, errors.Join(faults...)
}

// unindexed are the search parameters of which rows of some clinic are missing.
func (cs clinics) unindexed(ctx context.Context) ([]string, error) {
	var out []string
	for _, v := range cs {
		missing, err := v.Unindexed(ctx)
		if err != nil {
			return nil, err
		}
		out = append(out, missing...)
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// indexBehind makes the missing rows, one clinic after another. One that fails
// keeps no other from it.
func (cs clinics) indexBehind(ctx context.Context) error {
	var faults []error
	for _, v := range cs {
		missing, err := v.Unindexed(ctx)
		if err == nil && len(missing) > 0 {
			err = v.IndexBehind(ctx, nil)
		}
		faults = append(faults, err)
	}
	return errors.Join(faults...)
}

// Tick commits the overdue facts of every clinic. One that fails keeps no other
// from theirs.
func (cs clinics) Tick(ctx context.Context, now time.Time) (int, error) {
	n := 0
	var faults []error
	for _, v := range cs {
		facts, err := v.Tick(ctx, now)
		n += facts
		faults = append(faults, err)
	}
	return n, errors.Join(faults...)
}

// retry tries what a version before held or refused, which this one may take
// (D2). What fails stays as it is.
func (cs clinics) retry(ctx context.Context, log *slog.Logger) {
	for _, v := range cs {
		for _, list := range []struct {
			name string
			try  func(context.Context) (receive.Retried, error)
		}{{"held", v.RetryHeld}, {"refused", v.RetryRefused}} {
			if done, err := list.try(ctx); err != nil {
				log.Error("records could not be tried again", "list", list.name, "error", err)
			} else if done.Tried > 0 {
				log.Info("records tried again", "list", list.name, "tried", done.Tried, "accepted", done.Accepted)
			}
		}
	}
}
