package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"

	"nailbridge/internal/config"
	"nailbridge/internal/meter"
	"nailbridge/internal/old"
	"nailbridge/internal/old/batch"
	"nailbridge/internal/receive"
	"nailbridge/internal/store"
	"nailbridge/internal/store/sqlite"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// sameWord holds the word on sharing that a run was told to the settings of the
// clinics: in a store one rule is in force for all of a patient's cases (D3.1), which
// a conversion must neither widen nor narrow. At the other end of NATS the settings
// given here must be those of the bridge there.
func sameWord(clinics []mapping.Settings, sharing record.Code) error {
	for _, s := range clinics {
		if agreed := s.Clinic.ShareUnstated != ""; agreed != (sharing == "agreed") {
			return fmt.Errorf("--sharing %s: the shareUnstated of clinic %s says otherwise, and rules in its data folder", sharing, s.Clinic.ID)
		}
	}
	return nil
}

// openInto opens a data folder that nobody serves, as the one that takes the records in.
func (c fromOldCommand) openInto(e *env, o *batch.Options) (shut func() error, err error) {
	file, err := config.Read(c.Config)
	if err != nil {
		return nil, err
	}
	namespace, err := config.ReadNamespace(filepath.Join(c.Into, config.NamespaceFile))
	if err != nil {
		return nil, err
	}
	settings, err := file.Settings(namespace)
	if err != nil {
		return nil, err
	}
	release, err := config.Lock(c.Into)
	if err != nil {
		return nil, err
	}
	st, err := sqlite.Open(e.ctx, sqlite.Options{Dir: c.Into})
	if err != nil {
		return nil, errors.Join(fmt.Errorf("data folder: %w", err), release())
	}
	shut = func() error { return errors.Join(st.Close(), release()) }
	log := slog.New(slog.NewTextHandler(e.stderr, nil))
	if err := eraseListed(e, c.Into, st, namespace, log); err != nil { // as a start does
		return nil, errors.Join(err, shut())
	}
	cs, err := newClinics(file, settings, st, log)
	if err == nil {
		err = receive.Named(e.ctx, st, cs.ids())
	}
	if err != nil {
		return nil, errors.Join(err, shut())
	}
	for _, v := range cs {
		v.Clock, v.Meter = e.clock, meter.New(version)
	}
	o.Deliver = cs.deliver
	c.asks(o, st)
	return shut, nil
}

// askInto opens a data folder to be read, served or not: a dry run asks it what a run would
// before it writes.
func (c fromOldCommand) askInto(e *env, o *batch.Options) (shut func() error, err error) {
	st, err := sqlite.Open(e.ctx, sqlite.Options{Dir: c.Into, ReadOnly: true})
	if errors.Is(err, fs.ErrNotExist) { // it took nothing in yet
		return func() error { return nil }, nil
	}
	if err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	c.asks(o, st)
	o.There = takenInto(st)
	return st.Close, nil
}

// takenInto gives what a folder has of a patient and took.
func takenInto(st store.Store) batch.There {
	return func(ctx context.Context, clinic, patient string) (out [][]byte, err error) {
		err = st.View(ctx, func(read store.Reader) error {
			ds, err := read.DeliveriesOf(store.Owner{Clinic: clinic, Patient: patient})
			for _, d := range ds {
				if d.Patient == patient && !d.Held && !d.Refused {
					out = append(out, d.Body)
				}
			}
			return err
		})
		return out, err
	}
}

// asks has a run ask a folder.
func (c fromOldCommand) asks(o *batch.Options, st store.Store) {
	o.Into, o.Check, o.Treated = c.Into, standsAlike(st), treatedIn(st, o.Clinics)
}

// treatedIn tells of a surgery, by the content that counts in a folder, which toes and borders it
// treated, and whether it is there. Where one of its toes is not told none is: what is found would be taken for the
// others'.
func treatedIn(st store.Store, clinics []mapping.Settings) batch.Treated {
	return func(ctx context.Context, clinic, id string) (sites []old.Site, known bool, err error) {
		i := slices.IndexFunc(clinics, func(s mapping.Settings) bool { return s.Clinic.ID == clinic })
		if i < 0 {
			return nil, false, fmt.Errorf("no settings of the clinic %s", clinic)
		}
		err = st.View(ctx, func(read store.Reader) error {
			ds, err := read.Deliveries(clinic, id)
			r := receive.Counting(ds, clinics[i].Clinic.Zone)
			if known = r != nil; known && r.Status != "withdrawn" && r.Surgery != nil {
				sites = old.SitesOf(*r.Surgery)
			}
			return err
		})
		return sites, known, err
	}
}

// standsAlike holds a record to what a folder has under its id: of another patient it has a key
// that is none, and would take the surgery from that patient. A content of an earlier
// conversion with the same saved-at would count or not by the hashes alone (D1.1), whether it is the same
// followed from another day or one that was mended since.
func standsAlike(st store.Store) batch.Check {
	return func(ctx context.Context, id string, r batch.Record) error {
		var there receive.Likeness
		err := st.View(ctx, func(read store.Reader) error {
			ds, err := read.Deliveries(r.Clinic, id)
			there = receive.LikenessOf(ds, r.Body)
			return err
		})
		switch {
		case err != nil:
			return err
		case there.OtherDay:
			return errors.New("--follow-since: the data folder has this record by another day; give that one")
		case there.OtherPatient && !there.Known:
			return errors.New("the data folder has a record of this id of another patient: files that number alike need a recordPrefix each")
		case there.Rival && !there.Known:
			return errors.New("the data folder has this record otherwise, saved at the same time; give mended rows the day of mending, as the layout's constant /savedAt")
		}
		return nil
	}
}

// deliver takes old records in, by the same receive as every other door.
func (cs clinics) deliver(ctx context.Context, records []batch.Record) (ends []batch.End, err error) {
	for _, r := range records {
		i := slices.IndexFunc(cs, func(v *receive.Receiver) bool { return v.Settings.Clinic.ID == r.Clinic })
		if i < 0 {
			return ends, fmt.Errorf("no settings of the clinic %s", r.Clinic)
		}
		a, err := cs[i].Receive(ctx, r.Body, false)
		if err != nil {
			return ends, err
		}
		ends = append(ends, endOf(a))
	}
	return ends, nil
}

// endOf is where a row ended by its answer, and why it is not taken as it is.
func endOf(a receive.Answer) batch.End {
	end := batch.End{Outcome: outcomeOf(a)}
	for _, f := range a.Reasons {
		if a.Answer == receive.Held || a.Answer == receive.Refused || f.Code == receive.CodeBelowLive {
			end.Reasons = append(end.Reasons, batch.Reason{Code: f.Code, Text: strings.TrimSpace(f.Pointer + " " + f.Text)})
		}
	}
	return end
}

// outcomeOf is where a row ended by its answer (D2).
func outcomeOf(a receive.Answer) batch.Outcome {
	switch a.Answer {
	case receive.Stored:
		if !a.Shared {
			return batch.NotShared
		}
		return batch.Published
	case receive.Unchanged:
		return batch.Unchanged
	case receive.Superseded:
		return batch.Superseded
	case receive.Waiting:
		return batch.Waiting
	case receive.Conflict:
		return batch.Conflict
	case receive.Held:
		return batch.Held
	}
	return batch.Refused
}
