package main

import (
	"fmt"
	"text/tabwriter"

	"nailbridge/mapping/terms"
)

type termsCommand struct{}

// Run prints, per element, the share of local codes that carry a SNOMED CT coding
// too, under each licence setting that sends any.
func (termsCommand) Run(e *env) error {
	t, err := terms.Load()
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(e.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "element\tcodes\tfree-set\tlicensed")
	for _, s := range t.Share() {
		fmt.Fprintf(w, "%s\t%d\t%d (%s)\t%d (%s)\n", s.Element, s.Codes,
			s.FreeSet, percent(s.FreeSet, s.Codes), s.Licensed, percent(s.Licensed, s.Codes))
	}
	return w.Flush()
}

func percent(n, of int) string {
	if of == 0 {
		return "-"
	}
	return fmt.Sprintf("%d %%", (100*n+of/2)/of)
}
