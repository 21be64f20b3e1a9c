package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"text/tabwriter"

	"nailbridge/internal/config"
	"nailbridge/internal/receive"
	"nailbridge/mapping/record"
)

type followUpCommand struct {
	Config string `required:"" type:"existingfile" help:"Settings file."`
	Data   string `required:"" type:"existingdir" help:"Data folder."`
	State  string `enum:",due,overdue,missed,flagged" default:"" help:"Only due, overdue, missed or flagged."`
	Since  string `help:"Only activities that became so at or after this date."`
}

// Run prints the clinic's follow-up list.
func (c followUpCommand) Run(e *env) error {
	file, err := config.Read(c.Config)
	if err != nil {
		return err
	}
	namespace, err := config.ReadNamespace(filepath.Join(c.Data, config.NamespaceFile))
	if err != nil {
		return err
	}
	a, err := newApp(e, file, namespace, c.Data, accessFlags{})
	if err != nil {
		return err
	}
	return errors.Join(c.print(e, a), a.close())
}

func (c followUpCommand) print(e *env, a *app) error {
	q := receive.FollowUpQuery{State: c.State}
	if c.Since != "" {
		w, err := record.ParseWhen(c.Since)
		if err != nil {
			return fmt.Errorf("--since: %w", err)
		}
		q.Since, _ = w.In(a.receiver.Settings.Clinic.Zone)
	}
	list, err := a.receiver.FollowUp(e.ctx, q)
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
