package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"nailbridge/internal/old/draft"
	"nailbridge/mapping/record"
)

type layoutCommand struct {
	File   string `arg:"" type:"existingfile" help:"File of old records."`
	Clinic string `required:"" help:"Id of the clinic, as in the settings."`
	Zone   string `required:"" help:"IANA name of the zone of the file's times, such as Europe/London."`
	Kind   string `enum:"surgery,review,contact," default:"" help:"What a row is; else the header tells."`
}

// Run drafts a layout on stdout and says on stderr how much of it is unsure.
func (c layoutCommand) Run(e *env) error {
	if _, err := time.LoadLocation(c.Zone); err != nil || c.Zone == "Local" {
		return errors.New("--zone: an IANA zone name is needed, such as Europe/London")
	}
	l, err := draft.File(c.File, record.Code(c.Kind), c.Clinic, c.Zone)
	if err != nil {
		return err
	}
	columns, unsure := 0, 0
	for _, t := range l.All() {
		if t.Note.Unsure != "" {
			fmt.Fprintf(e.stderr, "%s: a run stops while the layout says so\n", strings.TrimSpace(t.Note.Sheet+" "+t.Note.Unsure))
		}
		for _, col := range t.Schema.Columns {
			columns++
			if col.Note.Unsure != "" {
				unsure++
			}
		}
	}
	fmt.Fprintf(e.stderr, "%d columns, %d unsure: a run stops while a column says so\n", columns, unsure)
	fmt.Fprintln(e.stderr, "no column says whose numbers the patients have: add the constant /patient/identifier/system")
	enc := json.NewEncoder(e.stdout)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(l)
}
