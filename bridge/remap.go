package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"text/tabwriter"
	"time"

	"nailbridge/internal/config"
	"nailbridge/internal/meter"
	"nailbridge/internal/receive"
	"nailbridge/internal/store/sqlite"
)

type remapCommand struct {
	Config            string `required:"" type:"existingfile" help:"Settings file."`
	Data              string `required:"" type:"existingdir" help:"Data folder."`
	Commit            bool   `help:"Write it; without, only what would be written is printed."`
	PatientsPerSecond int    `default:"50" help:"At most so many patients a second; 0: as fast as it goes."`
	Format            string `enum:"text,json" default:"text" help:"text or json."`
}

// Run prints what a re-map would write, from a snapshot, or writes it into a
// folder that nobody serves.
func (c remapCommand) Run(e *env) (err error) {
	file, err := config.Read(c.Config)
	if err != nil {
		return err
	}
	namespace, err := config.ReadNamespace(filepath.Join(c.Data, config.NamespaceFile))
	if err != nil {
		return err
	}
	settings, err := file.Settings(namespace)
	if err != nil {
		return err
	}
	if c.Commit {
		release, held := config.Lock(c.Data)
		if held != nil {
			return held
		}
		defer func() { err = errors.Join(err, release()) }()
	}
	st, err := sqlite.Open(e.ctx, sqlite.Options{Dir: c.Data, ReadOnly: !c.Commit})
	if err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	defer func() { err = errors.Join(err, st.Close()) }()
	log := slog.New(slog.NewTextHandler(e.stderr, nil))
	if c.Commit { // as a start does: nobody who was erased is folded
		if err := eraseListed(e, c.Data, st, namespace, log); err != nil {
			return err
		}
	}
	cs, err := newClinics(file, settings, st, log)
	if err != nil {
		return err
	}
	if err := receive.Named(e.ctx, st, cs.ids()); err != nil {
		return err
	}
	return c.each(e, cs)
}

// each re-maps one clinic after another.
func (c remapCommand) each(e *env, cs clinics) error {
	failed := false
	pace := &receive.Pace{Patients: c.PatientsPerSecond, Pause: func(ctx context.Context) error { return e.sleep(ctx, time.Second) }}
	for _, v := range cs {
		v.Clock, v.Meter = e.clock, meter.New(version)
		var done receive.Remapped
		var err error
		if c.Commit {
			done, err = v.Remap(e.ctx, pace)
		} else {
			done, err = v.DryRemap(e.ctx)
		}
		if err = errors.Join(c.print(e.stdout, done), err); err != nil {
			return err
		}
		failed = failed || c.Commit && done.Failed > 0
	}
	if failed {
		return exitError(1)
	}
	return nil
}

func (c remapCommand) print(out io.Writer, done receive.Remapped) error {
	if c.Format == "json" {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(done)
	}
	how := "written"
	if done.DryRun {
		how = "a dry run, nothing is written"
	}
	fmt.Fprintf(out, "re-map of clinic %s: %s\n", done.Clinic, how)
	for _, x := range done.Causes {
		fmt.Fprintf(out, "changed: %s\n", x)
	}
	fmt.Fprintf(out, "patients %d, failed %d, versions %d\n", done.Patients, done.Failed, done.Versions)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for i, t := range done.Types {
		if i == 0 {
			fmt.Fprintln(w, "\nresource\tcreated\tupdated\tentered in error\tremoved")
		}
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\n", t.Type, t.Created, t.Updated, t.EnteredInError, t.Removed)
	}
	for i, x := range done.Elements {
		if i == 0 {
			fmt.Fprintln(w, "\nelement\tversions")
		}
		fmt.Fprintf(w, "%s\t%d\n", x.Path, x.Versions)
	}
	return w.Flush()
}
