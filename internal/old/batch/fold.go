package batch

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"sync"

	"nailbridge/internal/convert"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
)

// patientsAtOnce is how many patients are folded between two points from which a
// killed run goes on. The files depend on it: each is written in pieces of as many.
const patientsAtOnce = 200

// The outcomes of a row that made a record (D2), counted by where the row ended.
const (
	published  = "provenance" // its record counts and is published
	unchanged  = "unchanged"  // the same content stands in another row, which counts
	superseded = "superseded" // another content of its record id counts
	conflict   = "conflict"   // another content claims its revision, and counts (D1.2)
	waiting    = "waiting"    // the surgery of a review or contact is unknown
	held       = "held"       // our own output did not pass
	notShared  = "not-shared"
	refused    = "refused" // by the door that it was delivered to
)

// folded is what one patient's records became.
type folded struct {
	patient patient
	res     convert.Result
	ends    []End // of the patient's rows
	err     error
}

// fold folds patient after patient and writes what they become, from where an
// earlier run stopped. The next patients are folded while those before are written.
func (o Options) fold(ctx context.Context, s *spool) error {
	files, err := openFiles(o, s)
	if err != nil {
		return err
	}
	defer files.close()
	after, err := s.folded()
	if err != nil {
		return err
	}
	all, err := s.countPatients()
	if err != nil {
		return err
	}
	writing := make(chan error, 1)
	writing <- nil // nothing is under way
	told := files.patients
	written := func() error {
		err := <-writing
		if err == nil && files.patients > told {
			told = files.patients
			o.tell("folding", told, all)
		}
		return err
	}
	for {
		ps, err := s.patients(after, patientsAtOnce)
		if err == nil {
			err = cmp.Or(ctx.Err(), o.besideThere(ctx, ps))
		}
		if err != nil || len(ps) == 0 {
			return errors.Join(err, written())
		}
		done := o.foldAll(ps)
		if err := written(); err != nil {
			return err
		}
		after = [2]string{ps[len(ps)-1].clinic, ps[len(ps)-1].id}
		go func() { writing <- files.write(s, done, after) }()
	}
}

// foldAll folds patients side by side; the order of the results is that of the
// patients.
func (o Options) foldAll(ps []patient) []folded {
	out := make([]folded, len(ps))
	o.each(len(ps), func(i int) { out[i] = o.foldOne(ps[i]) })
	return out
}

// each calls f for so many numbers, side by side.
func (o Options) each(n int, f func(i int)) {
	next := make(chan int)
	var wg sync.WaitGroup
	for range max(o.Workers, 1) {
		wg.Go(func() {
			for i := range next {
				f(i)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
}

// settings are those of a clinic.
func (o Options) settings(clinic string) (mapping.Settings, error) {
	i := slices.IndexFunc(o.Clinics, func(s mapping.Settings) bool { return s.Clinic.ID == clinic })
	if i < 0 {
		return mapping.Settings{}, fmt.Errorf("no settings of the clinic %s", clinic)
	}
	return o.Clinics[i], nil
}

func (o Options) foldOne(p patient) folded {
	f := folded{patient: p}
	s, err := o.settings(p.clinic)
	if err != nil {
		f.err = err
		return f
	}
	var read []mapping.Delivery
	f.res, read, f.err = convert.Records(s, slices.Concat(p.there, p.bodies()), o.AsOf)
	if f.err == nil {
		f.ends = o.endsOf(s, p, f.res, read)
	}
	return f
}

// endsOf says of each row where it ended.
func (o Options) endsOf(s mapping.Settings, p patient, res convert.Result, read []mapping.Delivery) []End {
	out := make([]End, len(p.rows))
	byRecord := map[string][]int{}
	there, read := read[:len(p.there)], read[len(p.there):]
	for i, r := range p.rows {
		byRecord[r.Record] = append(byRecord[r.Record], i)
	}
	for id, rows := range byRecord {
		var ds []mapping.Delivery
		for _, d := range there {
			if d.Record.Record == id {
				ds = append(ds, d)
			}
		}
		first := len(ds) // of the rows
		for _, i := range rows {
			ds = append(ds, read[i])
		}
		st := mapping.Stand(ds, s.Clinic.Zone)
		counts := slices.IndexFunc(ds, func(d mapping.Delivery) bool { return st.Current != nil && d.Record == st.Current.Record })
		for k, i := range rows {
			k += first
			switch {
			case o.There != nil && p.rows[i].untold():
				out[i] = End{waiting, []Reason{o.untoldHere()}}
			case k == counts:
				out[i] = endOf(id, res)
			case counts >= 0 && counts < first && ds[k].Hash == ds[counts].Hash:
				out[i] = againOf(id, res)
			case counts >= 0 && ds[k].Hash == ds[counts].Hash:
				out[i].Outcome = unchanged
			case mapping.Arrive(mapping.Standing{}, st, &ds[k]).Conflict != mapping.NoConflict:
				out[i].Outcome = conflict
			default:
				out[i].Outcome = superseded
			}
		}
	}
	return out
}

// endOf is where the content ended that counts for a record id.
func endOf(id string, res convert.Result) End {
	switch {
	case res.NotShared > 0:
		return End{Outcome: notShared}
	case slices.Contains(res.Waiting, id):
		return End{Outcome: waiting}
	case len(res.Issues) > 0:
		return End{held, whyHeld(res.Issues)}
	}
	return End{Outcome: published}
}

// againOf is where a row ends whose content counts at the door already.
func againOf(id string, res convert.Result) End {
	if end := endOf(id, res); end.Outcome == waiting || end.Outcome == held {
		return end
	}
	return End{Outcome: unchanged}
}

// whyHeld are the faults of our own output: of all that was made of the patient, since
// nothing of it is published.
func whyHeld(issues []validate.Issue) []Reason {
	var out []Reason
	for _, i := range issues {
		out = append(out, Reason{i.Key, i.Path + ": " + i.Text})
	}
	return listed(out)
}

// keepOutcomes keeps where the rows of some patients ended, the resources of the
// clinics, and how long each file is.
func keepOutcomes(tx *sql.Tx, done []folded) error {
	st, err := tx.Prepare(`UPDATE row SET outcome = ? WHERE input = ? AND number = ?`)
	if err != nil {
		return err
	}
	defer st.Close()
	for _, f := range done {
		for i, r := range f.patient.rows {
			if _, err := st.Exec(f.ends[i].Outcome, r.Input, r.Number); err != nil {
				return err
			}
			if len(f.ends[i].Reasons) == 0 {
				continue
			}
			if _, err := tx.Exec(`INSERT OR REPLACE INTO why (input, number, reasons) VALUES (?, ?, ?)`, r.Input, r.Number, jsonOf(f.ends[i].Reasons)); err != nil {
				return err
			}
		}
		for _, r := range f.res.Resources {
			if !mapping.FoldedPerClinic(r.Type()) {
				continue
			}
			if _, err := tx.Exec(`INSERT INTO clinic (ref, body) VALUES (?, ?) ON CONFLICT (ref) DO UPDATE SET body = excluded.body`, r.Ref().String(), r.JSON()); err != nil {
				return err
			}
		}
	}
	return nil
}
