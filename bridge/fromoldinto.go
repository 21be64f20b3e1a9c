package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"

	"nailbridge/internal/config"
	"nailbridge/internal/meter"
	"nailbridge/internal/old/batch"
	"nailbridge/internal/receive"
	"nailbridge/internal/store/sqlite"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// sameWord holds the word on sharing that a run was told to the settings of the
// clinics: in a store one rule is in force for all of a patient's cases (D3.1), which
// a conversion must neither widen nor narrow.
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
	o.Into, o.Deliver = c.Into, cs.deliver
	return shut, nil
}

// deliver takes old records in, by the same receive as every other door.
func (cs clinics) deliver(ctx context.Context, records []batch.Record) (ends []batch.Outcome, err error) {
	for _, r := range records {
		i := slices.IndexFunc(cs, func(v *receive.Receiver) bool { return v.Settings.Clinic.ID == r.Clinic })
		if i < 0 {
			return ends, fmt.Errorf("no settings of the clinic %s", r.Clinic)
		}
		a, err := cs[i].Receive(ctx, r.Body, false)
		if err != nil {
			return ends, err
		}
		ends = append(ends, outcomeOf(a))
	}
	return ends, nil
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
