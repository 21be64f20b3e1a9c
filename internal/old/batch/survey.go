package batch

import (
	"context"
	"errors"
	"fmt"
	"io"

	"nailbridge/internal/old"
)

// survey reads all files once, before anything is written, and stops a run whose
// dates cannot be trusted: a column whose order of day and month its values do not tell
// and the layout does not declare, and a column whose values contradict the declared
// order. It also stops one over a file that is named after a patient.
func survey(ctx context.Context, inputs []input) error {
	var errs []error
	for _, in := range inputs {
		errs = append(errs, in.survey(ctx)...)
	}
	return errors.Join(errs...)
}

func (in input) survey(ctx context.Context) []error {
	var errs []error
	if why := in.table.Note.Unsure; why != "" {
		errs = append(errs, fmt.Errorf("%s: the layout is unsure of the table: %s", in.name, why))
	}
	for _, c := range in.table.Schema.Columns {
		if c.Note.Unsure != "" {
			errs = append(errs, fmt.Errorf("%s: column %s: the layout is unsure: %s", in.name, c.Name, c.Note.Unsure))
		}
	}
	watch, words := in.conv.DateColumns(), old.Words(in.name)
	named := func(err error) error {
		if err != nil {
			err = fmt.Errorf("%s: %w", in.name, err)
		}
		return err
	}
	rows, _, _, err := open(in.source, in.table)
	if err != nil {
		return append(errs, named(err))
	}
	for ctx.Err() == nil {
		r, err := rows.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return append(errs, named(err), rows.Close())
		}
		if !in.conv.Takes(r) {
			continue
		}
		for i := range watch {
			watch[i].See(r)
		}
		if words != nil && in.conv.Names(r, words) {
			errs, words = append(errs, fmt.Errorf("a file's name holds what its row %d says of its patient, and Provenance would name the file: --name-as gives it another", r.Number)), nil
		}
	}
	for _, w := range watch {
		if fault := w.Fault(); fault != "" {
			errs = append(errs, fmt.Errorf("%s: column %s: %s", in.name, w.Name, fault))
		}
	}
	return append(errs, ctx.Err(), rows.Close())
}
