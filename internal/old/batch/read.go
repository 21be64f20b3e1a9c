package batch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"nailbridge/internal/old"
	"nailbridge/internal/old/table"
)

// rowsAtOnce is how many rows are kept in one transaction of the working file.
const rowsAtOnce = 2000

// detail is what the working file keeps of a row beside its record.
type detail struct {
	Findings  []old.Finding  `json:"findings,omitempty"`
	Questions []old.Question `json:"questions,omitempty"`
	Decided   []string       `json:"decided,omitempty"`
	Untold    bool           `json:"untold,omitempty"` // see old.Result
}

// read reads an input into the working file, from where an earlier run stopped.
func (o Options) read(ctx context.Context, s *spool, index int, in *input) error {
	key := fmt.Sprintf("read-%d", index)
	if v, err := s.meta(key); err != nil || v == "whole" {
		return err
	}
	done, err := s.number(key)
	if err != nil {
		return err
	}
	rows, _, _, err := open(in.source, in.table)
	if err != nil {
		return err
	}
	defer rows.Close()
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	in.conv.Surgery = func(id string) ([]old.Site, bool) {
		sites, known, err := o.treated(ctx, s, in.table.Note.Clinic, id)
		if err != nil {
			stop(err)
		}
		return sites, known
	}
	var some []table.Row
	for n := 0; ; {
		r, err := rows.Next()
		end := errors.Is(err, io.EOF) || o.Limit > 0 && n >= o.Limit
		if err != nil && !end {
			return err
		}
		if len(some) > 0 && (end || len(some) == rowsAtOnce) {
			states := o.rows(in, index, some)
			if err := context.Cause(ctx); err != nil {
				return err
			}
			if err := s.addRows(index, states, some[len(some)-1].Number, false); err != nil {
				return err
			}
			some = some[:0]
			o.tell("reading", n, 0)
		}
		if end {
			return s.addRows(index, nil, 0, true)
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		n++
		if r.Number > done && in.conv.Takes(r) {
			some = append(some, r)
		}
	}
}

// treated are the sites that a surgery treated, and whether that is known: as its row of the run
// says, and where none made a record, as the door does.
func (o Options) treated(ctx context.Context, s *spool, clinic, id string) (sites []old.Site, known bool, err error) {
	if b, err := s.sitesOf(id); err != nil || b != nil {
		_ = json.Unmarshal(b, &sites) // our own bytes
		return sites, true, err
	}
	if o.Treated == nil {
		return nil, false, nil
	}
	return o.Treated(ctx, clinic, id)
}

// rows is what becomes of some rows. A review finds the sites of surgeries of the rows
// kept before them alone, whichever row is done first.
func (o Options) rows(in *input, index int, some []table.Row) []rowState {
	out := make([]rowState, len(some))
	o.each(len(some), func(i int) { out[i] = o.row(in, index, some[i]) })
	return out
}

func (o Options) tell(stage string, done, all int) {
	if o.Progress != nil {
		o.Progress(stage, done, all)
	}
}

// row is what becomes of a row before its patient is folded.
func (o Options) row(in *input, index int, r table.Row) rowState {
	res := in.conv.Row(r, o.Decided.of(in.name, r.Number))
	out := rowState{Input: index, Number: r.Number, Record: res.RecordID, Clinic: in.table.Note.Clinic,
		Detail: jsonOf(detail{res.Findings, res.Questions, res.Decided, res.Untold})}
	switch {
	case res.Skip != "":
		out.State, out.Reason, out.Raw = skipped, res.Skip, r.Raw
	case res.Record != nil:
		o.placed(&out, res, r)
	case len(res.Questions) > 0 && !res.Rejected():
		out.State, out.Raw = question, r.Raw
	default:
		out.State, out.Raw = rejected, r.Raw
	}
	return out
}

// placed is a row that made a record, unless its patient or its date is left out.
func (o Options) placed(out *rowState, res old.Result, r table.Row) {
	switch {
	case o.Exclude[res.Patient.Value]:
		out.State, out.Reason, out.Raw, out.Patient = skipped, excluded, r.Raw, res.Patient.Value
	case o.Since != nil && (res.SavedAt == nil || res.SavedAt.Before(*o.Since, time.UTC)):
		out.State, out.Reason, out.Raw = skipped, beforeSince, r.Raw
	default:
		out.State, out.Patient, out.Body = converted, res.Patient.Key(), res.Record
		if len(res.Sites) > 0 {
			out.Sites = jsonOf(res.Sites)
		}
	}
}
