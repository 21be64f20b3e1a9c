package batch

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"

	"nailbridge/internal/old"
	"nailbridge/mapping/record"
)

// Deliver hands records to a door that takes records in, in their order, and says
// where each ended. With an error it says so of those that ended. It must be safe to
// call again with the same records.
type Deliver func(ctx context.Context, records []Record) ([]End, error)

// End is where a row ended that made a record, and of one that is held, refused or waits why.
type End struct {
	Outcome Outcome
	Reasons []Reason
}

// Reason is a code, and words that hold nothing of the row.
type Reason struct{ Code, Text string }

// mostReasons is how many reasons of a row are listed.
const mostReasons = 20

// listed are reasons, each once.
func listed(all []Reason) (out []Reason) {
	for _, r := range all {
		if !slices.Contains(out, r) {
			out = append(out, r)
		}
	}
	if more := len(out) - mostReasons; more > 0 {
		out = append(out[:mostReasons], Reason{"more-reasons", fmt.Sprintf("and %d more", more)})
	}
	return out
}

// Record is a record that is to be taken in.
type Record struct {
	Clinic string // by its id
	Body   []byte
}

// Check looks at a record, and at what the door has of its id. Its error stops a run
// before anything is delivered.
type Check func(ctx context.Context, id string, r Record) error

// Treated gives the sites that a surgery treated, and whether the door has its record; none
// where it has not, or where a toe of it is not told.
type Treated func(ctx context.Context, clinic, id string) (sites []old.Site, known bool, err error)

// There gives the records of a patient, by the key of mapping.PatientKey, that count or may at the door, in the
// order in which they came.
type There func(ctx context.Context, clinic, patient string) ([][]byte, error)

// besideThere lays beside the rows of patients what the door has of them, so that a dry run ends each where
// the run would.
func (o Options) besideThere(ctx context.Context, ps []patient) (err error) {
	for i := range ps {
		if o.There == nil || err != nil {
			return err
		}
		ps[i].there, err = o.There(ctx, ps[i].clinic, ps[i].id)
	}
	return err
}

// check looks at every record, unless some were delivered already.
func (o Options) check(ctx context.Context, s *spool) error {
	if o.Check == nil {
		return nil
	}
	if after, err := s.folded(); err != nil || after != [2]string{} && !o.DryRun {
		return err
	}
	return s.eachRow(func(r rowState, _ string) error {
		if r.State != converted || r.untold() {
			return nil
		}
		if err := o.Check(ctx, r.Record, Record{r.Clinic, r.Body}); err != nil {
			return fmt.Errorf("%s, row %d: %w", o.names[r.Input], r.Number, err)
		}
		return nil
	})
}

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
// that was killed delivers the rows of those again at most that were handed over
// together (Together), which changes nothing.
func (o Options) deliver(ctx context.Context, s *spool) error {
	after, err := s.folded()
	if err != nil {
		return err
	}
	done, err := s.number("patients")
	if err != nil {
		return err
	}
	all, err := s.countPatients()
	if err != nil {
		return err
	}
	for {
		ps, err := s.patients(after, patientsAtOnce)
		if err != nil || len(ps) == 0 {
			return err
		}
		for some := range slices.Chunk(ps, max(o.Together, 1)) {
			done += len(some)
			after = [2]string{some[len(some)-1].clinic, some[len(some)-1].id}
			if err := o.deliverPatients(ctx, s, some, after, done); err != nil {
				return err
			}
			o.tell("delivering", done, all)
		}
	}
}

// deliverPatients delivers the rows of some patients, of each the surgeries before what
// belongs to them, so that no review waits for a surgery that comes with it. A review whose toes only
// a surgery can tell that nobody knows yet is not delivered: with them it is another content of
// the same saved-at, of which chance would choose (D1.1).
func (o Options) deliverPatients(ctx context.Context, s *spool, ps []patient, after [2]string, done int) error {
	var records []Record
	var rows []rowState
	for _, p := range ps {
		slices.SortStableFunc(p.rows, func(a, b rowState) int { return rank(a.Body) - rank(b.Body) })
		for _, r := range p.rows {
			if !r.untold() {
				rows, records = append(rows, r), append(records, Record{r.Clinic, r.Body})
			}
		}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	var ends []End
	var err error
	if len(records) > 0 {
		ends, err = o.Deliver(ctx, records)
	}
	if err != nil {
		first := rows[min(len(ends), len(rows)-1)]
		return fmt.Errorf("%s, row %d: %w", o.names[first.Input], first.Number, err)
	}
	out := make([]folded, len(ps))
	for i, p := range ps {
		out[i].patient = p
		for _, r := range p.rows {
			if r.untold() {
				out[i].ends = append(out[i].ends, End{waiting, []Reason{o.untoldHere()}})
				continue
			}
			out[i].ends = append(out[i].ends, End{ends[0].Outcome, listed(ends[0].Reasons)})
			ends = ends[1:]
		}
	}
	return s.within(func(tx *sql.Tx) error {
		for key, v := range map[string]any{"folded": after, "patients": done} {
			if err := setMeta(tx, key, string(jsonOf(v))); err != nil {
				return err
			}
		}
		return keepOutcomes(tx, out)
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
