// Package receive is the one intake behind every door: it decodes a delivery,
// keeps it, decides which content of its record id counts, folds the patient
// again, checks what the fold made, and commits what changed, all in one
// transaction. The doors (HTTP, NATS, batch) carry bytes in and answers out
// and decide nothing.
package receive

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// Errors of Receive beside store.ErrUnavailable.
var (
	// ErrClinic: the record names another clinic than the caller's. Nothing
	// was kept under either clinic (D2.1).
	ErrClinic = errors.New("record of another clinic")
)

// Meter counts what an operator is alarmed by. Its methods must be safe for
// concurrent use.
type Meter interface {
	Answered(kind Kind)
	// HeldRecord counts a record that our own check held; redFlag says that
	// it holds a red flag (D2).
	HeldRecord(redFlag bool)
	// RefusedRecord counts a refusal; redFlag says that what could be read of
	// it holds a red flag.
	RefusedRecord(redFlag bool)
	Unavailable()
}

// Receiver takes deliveries of one clinic's door into a store.
type Receiver struct {
	Store    store.Store
	Settings mapping.Settings
	Index    searchparam.Index
	Clock    func() time.Time
	Meter    Meter
	Log      *slog.Logger
}

// errDryRun rolls a transaction back after its answer was made.
var errDryRun = errors.New("dry run")

// Receive takes one delivery. The answer is what the clinic is told; an error
// means that nothing was stored and nothing was promised (store.ErrUnavailable
// and whatever wraps it) or that the delivery is not this door's (ErrClinic).
// A dry run gives the answer that would be given and stores nothing.
func (v *Receiver) Receive(ctx context.Context, body []byte, dryRun bool) (Answer, error) {
	in, err := v.read(body)
	if err != nil {
		return Answer{}, err
	}
	var answer Answer
	err = v.Store.Update(ctx, func(w store.Writer) error {
		var err error
		answer, err = v.take(w, in)
		if err == nil && dryRun {
			return errDryRun
		}
		return err
	})
	if errors.Is(err, errDryRun) {
		answer.DryRun = true
		return answer, nil
	}
	if err != nil {
		v.Meter.Unavailable()
		return Answer{}, unavailable(err)
	}
	v.count(answer, in)
	return answer, nil
}

// unavailable makes every fault of an intake one that the sender may retry.
func unavailable(err error) error {
	if errors.Is(err, store.ErrUnavailable) {
		return err
	}
	return fmt.Errorf("%w: %w", store.ErrUnavailable, err)
}

func (v *Receiver) count(a Answer, in incoming) {
	v.Meter.Answered(a.Answer)
	switch a.Answer {
	case Refused:
		v.Meter.RefusedRecord(in.redFlag)
	case Held:
		v.Meter.HeldRecord(in.redFlag)
	}
}

// incoming is a delivery as read, before anything is stored.
type incoming struct {
	body     []byte
	record   *record.Record
	findings []record.Finding
	hash     string
	refused  bool
	notJSON  bool
	redFlag  bool
	received time.Time
}

func (v *Receiver) read(body []byte) (incoming, error) {
	d := record.Read(body, v.Settings.Clinic.Zone)
	in := incoming{body: body, record: d.Record, findings: d.Findings, notJSON: d.NotJSON, received: v.Clock()}
	if d.Record.Clinic != "" && d.Record.Clinic != v.Settings.Clinic.ID {
		return in, ErrClinic
	}
	in.refused = d.NotJSON || d.Refused()
	in.hash, in.redFlag = d.Hash, len(d.RedFlags()) > 0
	return in, nil
}

// take stores one delivery and commits what it changed.
func (v *Receiver) take(w store.Writer, in incoming) (Answer, error) {
	answer := Answer{
		Clinic: v.Settings.Clinic.ID, Record: in.record.Record, Revision: in.record.Revision,
		Reasons: in.findings, NotJSON: in.notJSON,
	}
	before, err := w.Deliveries(v.Settings.Clinic.ID, in.record.Record)
	if err != nil {
		return answer, err
	}
	answer.First = len(before) == 0
	row, err := w.PutDelivery(v.deliveryRow(in))
	if err != nil {
		return answer, err
	}
	if in.refused {
		return v.refuse(w, answer, row)
	}
	after, err := w.Deliveries(v.Settings.Clinic.ID, in.record.Record)
	if err != nil {
		return answer, err
	}
	sent := v.delivery(row)
	was, is := v.stand(before), v.stand(after)
	arrival := mapping.Arrive(was, is, &sent)
	if err := v.putStaff(w, in.record); err != nil {
		return answer, err
	}
	folded, err := v.foldAll(w, v.affected(was, is, &sent), foldCause{delivery: &row})
	if err != nil {
		return answer, err
	}
	answer.Answer = v.decide(answer, in, arrival, len(after) > len(before), folded)
	folded.describe(&answer, in.record)
	if answer.Answer == Conflict {
		answer.Counts = &arrival.Counts
	}
	answer.Urgent = answer.Answer == Superseded && arrival.ByTimeAlone && len(after) > len(before)
	row.Answer, row.Superseded = string(answer.Answer), answer.Urgent || row.Superseded
	row.Held = answer.Answer == Held
	return answer, w.MarkDelivery(row)
}

// decide picks the answer from the closed list (D2).
func (v *Receiver) decide(a Answer, in incoming, arrival mapping.Arrival, isNew bool, f *folded) Kind {
	switch {
	case f.held:
		return Held
	case in.record.Status == "draft":
		if isNew {
			return Stored
		}
		return Unchanged
	case arrival.Conflict != mapping.NoConflict:
		return Conflict
	case !arrival.Counts:
		return Superseded
	case f.waits(in.record.Record):
		return Waiting
	case !arrival.Changed:
		return Unchanged
	}
	return Stored
}

// refuse keeps a delivery that cannot be understood (D2.1).
func (v *Receiver) refuse(w store.Writer, a Answer, row store.Delivery) (Answer, error) {
	a.Answer = Refused
	row.Answer, row.Refused = string(Refused), true
	if err := w.MarkDelivery(row); err != nil {
		return a, err
	}
	return a, nil
}
