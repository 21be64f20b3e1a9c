// Package receive is the one intake behind every door: it decodes a delivery,
// keeps it, decides which content of its record id counts, folds the patients
// concerned again, checks what the folds made, and commits what changed, all
// in one transaction. The doors (HTTP, NATS, batch) carry bytes in and answers
// out and decide nothing.
package receive

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
	"nailbridge/mapping/resource"
	"nailbridge/mapping/terms"
)

// ErrClinic: the record names another clinic than the caller's. Nothing was
// kept under either clinic; the answer beside it says why and shows the red
// flags (D2.1).
var ErrClinic = errors.New("record of another clinic")

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
	// FailedFold counts a fold that no arrival caused and that our own check
	// stopped: only what cannot wait was done. A retry of a held record is one.
	FailedFold()
}

// Uncounted is a Meter that counts nothing.
type Uncounted struct{}

// Answered counts no answer.
func (Uncounted) Answered(Kind) {}

// HeldRecord counts no record.
func (Uncounted) HeldRecord(bool) {}

// RefusedRecord counts no refusal.
func (Uncounted) RefusedRecord(bool) {}

// Unavailable counts no failure.
func (Uncounted) Unavailable() {}

// FailedFold counts no fold.
func (Uncounted) FailedFold() {}

// Receiver takes deliveries of one clinic's door into a store. It is safe for
// concurrent use.
type Receiver struct {
	Store    store.Store
	Settings mapping.Settings
	Index    searchparam.Index
	Clock    func() time.Time
	Meter    Meter
	Log      *slog.Logger

	remapping bool            // what is committed is counted
	causes    []mapping.Cause // of a re-map, for its Provenance

	// Fold, EnterInError and Check stand in for mapping.FoldPatient,
	// mapping.EnterInError and validate.Check, to try their failures; nil: those.
	Fold         func(mapping.Settings, mapping.PatientFold) (mapping.Result, error)
	EnterInError func(s mapping.Settings, r resource.Resource, masked bool) (out resource.Resource, changed bool, err error)
	Check        func(set []resource.Resource, exists func(resource.Ref) bool, t *terms.Terms, s terms.Setting) ([]validate.Checked, []validate.Issue)
}

// errDryRun rolls a transaction back after its answer was made.
var errDryRun = errors.New("dry run")

// Receive takes one delivery. The answer is what the clinic is told; an error
// means that nothing was stored and nothing was promised (store.ErrUnavailable
// and whatever wraps it) or that the delivery is not this door's (ErrClinic, with
// the refusal as answer).
// A dry run gives the answer that would be given, with every resource in it as
// it would be served, and stores nothing.
func (v *Receiver) Receive(ctx context.Context, body []byte, dryRun bool) (Answer, error) {
	in, err := v.read(body)
	if err != nil {
		return v.otherClinic(body, dryRun), err
	}
	var answer Answer
	err = v.update(ctx, func(w store.Writer, failed failure) error {
		var err error
		answer, err = v.take(w, in, failed)
		if err == nil && dryRun {
			err = cmp.Or(answer.show(w), errDryRun)
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
		v.Meter.RefusedRecord(len(in.redFlags) > 0)
	case Held:
		v.Meter.HeldRecord(len(in.redFlags) > 0)
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
	unread   bool // reading it failed through a fault of ours
	redFlags []record.RedFlag
	received time.Time
}

func (v *Receiver) read(body []byte) (in incoming, err error) {
	defer v.recovered("reading a record", func() { in, err = v.unread(body), nil })
	d := record.Read(body, v.Settings.Clinic.Zone)
	if d.Record.Clinic != "" && d.Record.Clinic != v.Settings.Clinic.ID {
		return incoming{}, ErrClinic
	}
	return incoming{
		body: body, record: d.Record, findings: d.Findings, hash: d.Hash, notJSON: d.NotJSON,
		refused: d.NotJSON || d.Refused(), redFlags: d.RedFlags(), received: v.Clock(),
	}, nil
}

// unread is a delivery that makes our reading fail. It is refused and kept, for
// a version that can read it.
func (v *Receiver) unread(body []byte) incoming {
	sum := sha256.Sum256(body)
	return incoming{
		body: body, record: &record.Record{}, hash: hex.EncodeToString(sum[:]), refused: true, unread: true, received: v.Clock(),
		findings: []record.Finding{{
			Severity: record.Refusal, Code: "internal", Rule: "D2",
			Text: "the record could not be read through a fault of ours; it is kept",
		}},
	}
}

// take keeps one delivery and commits what it changed, or holds it where what
// failed before did (update).
func (v *Receiver) take(w store.Writer, in incoming, failed failure) (Answer, error) {
	if why, err := v.erasedBefore(w, in); err != nil {
		return Answer{}, err
	} else if why != nil {
		return v.keepOut(in, *why), nil
	}
	before, err := w.Deliveries(v.Settings.Clinic.ID, in.record.Record)
	if err != nil {
		return Answer{}, err
	}
	row, err := w.PutDelivery(v.deliveryRow(in))
	if err != nil {
		return Answer{}, err
	}
	if err := v.keepMerged(w, row, in.record); err != nil {
		return Answer{}, err
	}
	isNew := true
	for _, b := range before {
		isNew = isNew && b.Seq != row.Seq
	}
	if in.refused && (isNew || row.Refused) {
		return v.refuse(w, in, row, failed)
	}
	return v.admit(w, in, arriving{row: row, before: before, isNew: isNew}, failed)
}

// refuse keeps a delivery that cannot be understood (D2.1).
func (v *Receiver) refuse(w store.Writer, in incoming, row store.Delivery, failed failure) (Answer, error) {
	row.Answer, row.Refused, row.Reasons = string(Refused), true, reasonsJSON(in.findings)
	a := v.answer(in, Refused)
	if err := w.MarkDelivery(row); err != nil || in.unread {
		return a, err
	}
	return a, v.endSharing(w, row, &a, failed)
}

// arriving is a delivery that is kept and can be understood, about to be
// folded: one that just came, or a held or refused one tried again.
type arriving struct {
	row    store.Delivery
	before []store.Delivery // of its record id, before it counted
	isNew  bool             // never received before
}

// admit folds with the delivery, or holds it and folds without.
func (v *Receiver) admit(w store.Writer, in incoming, x arriving, failed failure) (Answer, error) {
	row := x.row
	row.Held, row.Refused, row.Answer, row.Reasons = false, false, string(Stored), reasonsJSON(in.findings)
	if err := w.MarkDelivery(row); err != nil {
		return Answer{}, err
	}
	if in.record.Status == "draft" {
		return v.keepDraft(w, in, x, row)
	}
	was := v.stand(x.before)
	f, err := v.refold(w, in.record, was, &row, failed)
	if err != nil {
		return Answer{}, err
	}
	after, err := w.Deliveries(v.Settings.Clinic.ID, in.record.Record)
	if err != nil {
		return Answer{}, err
	}
	sent := v.delivery(row)
	arrival := mapping.Arrive(was, v.stand(after), &sent)
	kind := decide(in, arrival, f)
	a := v.answer(in, kind)
	if kind == Conflict {
		a.Counts = &arrival.Counts
	}
	if kind == Stored || kind == Unchanged || kind == Waiting || kind == Conflict && arrival.Counts {
		a.Flags = nil // those of the fold are described
	}
	if arrival.BelowLive {
		a.Reasons = append(a.Reasons, belowLive)
	}
	if in.record.Converted != nil && LikenessOf(cameBefore(x), in.body).OtherDay {
		a.Reasons = append(a.Reasons, followedOtherwise)
	}
	a.First = !isAccepted(x.before)
	a.Urgent = a.Answer == Superseded && arrival.ByTimeAlone && x.isNew
	f.describe(&a, in.record)
	row.Answer, row.Superseded = string(a.Answer), a.Urgent || row.Superseded
	row.Reasons = reasonsJSON(a.Reasons)
	return a, w.MarkDelivery(row)
}

// CodeBelowLive is the code of an answer's reason that a historical content does not count.
const CodeBelowLive = "historical-below-live"

// belowLive says why a historical content does not count beside a live one.
var belowLive = record.Finding{
	Severity: record.Info, Code: CodeBelowLive, Pointer: "/historical", Rule: "D1.1",
	Text: "a converted record does not count while a live one of the same id does; it is kept",
}

// keepDraft answers a draft: it is stored and checked, never folded.
func (v *Receiver) keepDraft(w store.Writer, in incoming, x arriving, row store.Delivery) (Answer, error) {
	kind := Unchanged
	if x.isNew || x.row.Refused {
		kind = Stored
	}
	a := v.answer(in, kind)
	a.First = !isAccepted(x.before)
	row.Answer = string(kind)
	return a, w.MarkDelivery(row)
}

// isAccepted reports whether any delivery was understood.
func isAccepted(rows []store.Delivery) bool {
	for _, r := range rows {
		if !r.Refused {
			return true
		}
	}
	return false
}

// decide picks the answer from the closed list (D2).
func decide(in incoming, arrival mapping.Arrival, f *folded) Kind {
	switch {
	case len(f.issues) > 0:
		return Held
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
