package batch

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"

	"nailbridge/mapping/record"
)

// Deliver hands a record of a clinic to the one door that takes records in, and says
// where it ended: one of the outcomes of a row. It must be safe to call again with
// the same bytes.
type Deliver func(ctx context.Context, clinic string, body []byte) (Outcome, error)

// Outcome is where a row ended that made a record.
type Outcome string

// The outcomes that a door may give; they are those of a run that writes files, and
// Refused, of a record that the door does not take.
const (
	Published  Outcome = published
	Unchanged  Outcome = unchanged
	Superseded Outcome = superseded
	Conflict   Outcome = conflict
	Waiting    Outcome = waiting
	Held       Outcome = held
	NotShared  Outcome = notShared
	Refused    Outcome = refused
)

// deliver delivers patient after patient, from where an earlier run stopped. A run
// that was killed delivers the rows of one patient again at most, which changes nothing.
func (o Options) deliver(ctx context.Context, s *spool) error {
	var after [2]string
	v, err := s.meta("folded")
	if err == nil && v != "" {
		err = json.Unmarshal([]byte(v), &after)
	}
	if err != nil {
		return err
	}
	done, err := s.number("patients")
	if err != nil {
		return err
	}
	all, err := s.count(`SELECT count(*) FROM (SELECT DISTINCT clinic, patient FROM row WHERE state = 'converted')`)
	if err != nil {
		return err
	}
	for {
		ps, err := s.patients(after, patientsAtOnce)
		if err != nil || len(ps) == 0 {
			return err
		}
		for _, p := range ps {
			done++
			after = [2]string{p.clinic, p.id}
			if err := o.deliverPatient(ctx, s, p, done); err != nil {
				return err
			}
			o.tell("delivering", done, all)
		}
	}
}

// deliverPatient delivers the rows of a patient, surgeries before what belongs to
// them, so that no review waits for a surgery that comes with it.
func (o Options) deliverPatient(ctx context.Context, s *spool, p patient, done int) error {
	slices.SortStableFunc(p.rows, func(a, b rowState) int { return rank(a.Body) - rank(b.Body) })
	f := folded{patient: p}
	for _, r := range p.rows {
		if err := ctx.Err(); err != nil {
			return err
		}
		end, err := o.Deliver(ctx, r.Clinic, r.Body)
		if err != nil {
			return fmt.Errorf("%s, row %d: %w", o.names[r.Input], r.Number, err)
		}
		f.outcomes = append(f.outcomes, string(end))
	}
	return s.within(func(tx *sql.Tx) error {
		for key, v := range map[string]any{"folded": [2]string{p.clinic, p.id}, "patients": done} {
			if err := setMeta(tx, key, string(jsonOf(v))); err != nil {
				return err
			}
		}
		return keepOutcomes(tx, []folded{f})
	})
}

// rank is 0 for a surgery and 1 for what belongs to one.
func rank(body []byte) int {
	var r struct {
		Kind record.Code `json:"kind"`
	}
	if json.Unmarshal(body, &r) == nil && r.Kind == "surgery" {
		return 0
	}
	return 1
}
