package main

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"path/filepath"
	"slices"
	"text/tabwriter"

	"nailbridge/internal/config"
	"nailbridge/internal/receive"
	"nailbridge/internal/store/sqlite"
)

type followUpCommand struct {
	Config string `required:"" type:"existingfile" help:"Settings file."`
	Data   string `required:"" type:"existingdir" help:"Data folder."`
	Clinic string `help:"Only this clinic, of several."`
	State  string `enum:",due,overdue,missed,flagged" default:"" help:"Only due, overdue, missed or flagged."`
	Since  string `help:"Only activities that became so at or after this date."`
}

// Run prints the follow-up list of each clinic. It reads the data folder beside
// whatever serves it, and writes nothing.
func (c followUpCommand) Run(e *env) error {
	file, err := config.Read(c.Config)
	if err != nil {
		return err
	}
	// The list holds no id of FHIR: a folder without its namespace has one too.
	namespace, err := config.ReadNamespace(filepath.Join(c.Data, config.NamespaceFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	settings, err := file.Settings(namespace)
	if err != nil {
		return err
	}
	st, err := sqlite.Open(e.ctx, sqlite.Options{Dir: c.Data, ReadOnly: true})
	if err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	cs, err := newClinics(file, settings, st, slog.New(slog.NewTextHandler(e.stderr, nil)))
	if err == nil {
		err = c.print(e, cs)
	}
	return errors.Join(err, st.Close())
}

// print prints the lists of the clinics asked for, each under its name where
// there are several.
func (c followUpCommand) print(e *env, cs clinics) error {
	if c.Clinic != "" && !slices.Contains(cs.ids(), c.Clinic) {
		return fmt.Errorf("--clinic: the settings name no clinic %q", c.Clinic)
	}
	printed := 0
	for _, v := range cs {
		id := v.Settings.Clinic.ID
		if c.Clinic != "" && c.Clinic != id {
			continue
		}
		if len(cs) > 1 {
			if printed++; printed > 1 {
				fmt.Fprintln(e.stdout)
			}
			fmt.Fprintf(e.stdout, "clinic %s\n", id)
		}
		v.Clock = e.clock
		if err := c.printOne(e, v); err != nil {
			return err
		}
	}
	return nil
}

func (c followUpCommand) printOne(e *env, v *receive.Receiver) error {
	q := receive.FollowUpQuery{State: c.State}
	var err error
	if c.Since != "" {
		if q.Since, err = instant("--since", c.Since, v.Settings.Clinic.Zone); err != nil {
			return err
		}
	}
	if q.Afresh, err = v.Stale(e.ctx); err != nil {
		return err
	}
	if q.Afresh {
		fmt.Fprintln(e.stderr, "nailbridge: the data folder was last folded under other settings; this list is made under those given, and serve would change what hubs see")
	}
	list, err := v.FollowUp(e.ctx, q)
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(e.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "state\tsurgery\tfrom\tto\twhat")
	for _, x := range list.Entries {
		if x.Flag != nil {
			fmt.Fprintf(w, "%s\t%s\t\t\t%s: %s\n", x.State, x.Surgery, x.Flag.Level, x.Flag.Text)
			continue
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", x.State, x.Surgery, x.Start, x.End, x.Title)
	}
	return w.Flush()
}
