package main

import (
	"errors"
	"fmt"
	"os"
	"time"

	"nailbridge/internal/access"
	"nailbridge/internal/config"
	"nailbridge/internal/convert"
	"nailbridge/mapping/record"
	"nailbridge/testdata"
)

type demoCommand struct {
	Listen string `default:"127.0.0.1:8470" help:"Loopback address and port to listen on."`
	At     string `help:"Date and time that the demo takes for now; else the one of its story."`
	Data   string `type:"path" help:"Data folder to keep; else a temporary one, removed at the end."`
}

// Run serves the invented clinic: it sends its records through the same
// intake as any other, then serves.
func (c demoCommand) Run(e *env) (err error) {
	if err := access.Loopback(c.Listen); err != nil {
		return err // before the records are taken, which lasts some seconds
	}
	file, err := config.Parse(testdata.Settings())
	if err != nil {
		return err
	}
	file.PublicBaseURL = "http://" + c.Listen + "/fhir"
	dir := c.Data
	if dir == "" {
		if dir, err = os.MkdirTemp("", "nailbridge-demo-"); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	}
	release, err := config.Lock(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, release()) }()
	if err := config.EnsureDemo(dir); err != nil {
		return err
	}
	a, err := newApp(e, file, config.DemoNamespace, dir, accessFlags{})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.close()) }()
	now, err := c.now(a)
	if err != nil {
		return err
	}
	a.clock = func() time.Time { return now }
	stale, err := a.clinics.outdated(e.ctx, a.store) // a kept folder of another release or address
	if err != nil {
		return err
	}
	a.folding.Store(stale)
	a.renew(e.ctx)
	if err := a.load(e, testdata.Records(), now); err != nil {
		return err
	}
	a.clock = func() time.Time { return now }
	return a.serve(e, c.Listen, func(addr string) {
		fmt.Fprintf(e.stdout, "The demo clinic is served at http://%s/fhir as of %s.\nIt is invented; its ids can be guessed. Stop it with Ctrl-C.\n",
			addr, now.Format(time.RFC3339))
	})
}

// now is the demo's instant.
func (c demoCommand) now(a *app) (time.Time, error) {
	text := c.At
	if text == "" {
		text = testdata.Now
	}
	return instant("--at", text, a.clinics[0].Settings.Clinic.Zone)
}

// load sends files of records through the intake, each record received when it
// says it was saved, as far as it was by now.
func (a *app) load(e *env, files []convert.Input, now time.Time) error {
	door := a.clinics[0]
	zone := door.Settings.Clinic.Zone
	for _, f := range files {
		err := convert.Split(f, func(_ string, text []byte) error {
			at := now
			if r := record.Read(text, zone).Record; r.SavedAt != nil {
				at, _ = r.SavedAt.In(zone)
			}
			if at.After(now) {
				return nil
			}
			a.clock = func() time.Time { return at }
			_, err := door.Receive(e.ctx, text, false)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}
