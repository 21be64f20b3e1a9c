package batch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"nailbridge/internal/convert"
	"nailbridge/internal/old"
	"nailbridge/internal/old/table"
	"nailbridge/mapping"
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
// says, and where none made a record, as the door does, and else as a row says that is dated before
// what is converted.
func (o Options) treated(ctx context.Context, s *spool, clinic, id string) (sites []old.Site, known bool, err error) {
	if sites, known, err = o.treatedIn(s, clinic, id, converted, ""); known || err != nil {
		return sites, known, err
	}
	if o.Treated != nil {
		if sites, known, err = o.Treated(ctx, clinic, id); known || err != nil {
			return sites, known, err
		}
	}
	return o.treatedIn(s, clinic, id, skipped, beforeSince)
}

// treatedIn are the sites that the content of a surgery treated that counts among its rows of a state
// and reason.
func (o Options) treatedIn(s *spool, clinic, id, state, reason string) (sites []old.Site, known bool, err error) {
	rows, err := s.surgeriesOf(clinic, id, state, reason)
	if err != nil || len(rows) == 0 {
		return nil, false, err
	}
	counts := 0
	if len(rows) > 1 {
		if counts, err = o.counting(clinic, rows); err != nil {
			return nil, false, err
		}
	}
	return sites, true, json.Unmarshal(rows[counts].Sites, &sites)
}

// counting is which of the rows of one record id has the content that counts (D1.1).
func (o Options) counting(clinic string, rows []rowState) (int, error) {
	settings, err := o.settings(clinic)
	if err != nil {
		return 0, err
	}
	_, ds, err := convert.Records(settings, patient{rows: rows}.bodies(), o.AsOf)
	if err != nil {
		return 0, err
	}
	now := mapping.Stand(ds, settings.Clinic.Zone).Current
	return max(slices.IndexFunc(ds, func(d mapping.Delivery) bool { return now != nil && d.Record == now.Record }), 0), nil
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
		if len(res.Sites) > 0 { // it tells its reviews their toes
			out.Body, out.Sites = res.Record, jsonOf(res.Sites)
		}
	default:
		out.State, out.Patient, out.Body = converted, res.Patient.Key(), res.Record
		if len(res.Sites) > 0 {
			out.Sites = jsonOf(res.Sites)
		}
	}
}
