package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"nailbridge/internal/config"
	"nailbridge/mapping"
)

type letterCommand struct {
	Files  []string `arg:"" name:"file" help:"Files of records: JSON or NDJSON; - for standard input."`
	Config string   `required:"" type:"existingfile" help:"Settings file."`
	AsOf   string   `help:"Date or date and time that stands for now; else the clock."`
	Case   string   `help:"Only the letter of this surgery, by its record id."`
}

// Run prints the letter of each case, as the region's record holds it, with a
// line of dashes between two. Patients who are not shared, or who declined a
// letter, have none. The exit status is 1 when a record was refused, a patient
// left out through a fault of ours, or the case asked for has no letter.
func (c letterCommand) Run(e *env) error {
	file, err := config.Read(c.Config)
	if err != nil {
		return err
	}
	res, _, err := converted(e, file, config.DemoNamespace, c.Files, c.AsOf) // no id shows in a letter
	if err != nil {
		return err
	}
	letters := slices.DeleteFunc(res.Letters, func(l mapping.Letter) bool { return c.Case != "" && l.Case != c.Case })
	slices.SortStableFunc(letters, func(a, b mapping.Letter) int { return strings.Compare(a.Case, b.Case) })
	for i, l := range letters {
		if i > 0 {
			fmt.Fprintln(e.stdout, strings.Repeat("-", 72))
		}
		fmt.Fprint(e.stdout, l.Text)
	}
	if c.Case != "" && len(letters) == 0 {
		err = errors.New("no letter: the case is not among the records, is not shared, or its letter was declined")
	}
	return errors.Join(err, report(e.stderr, res))
}
