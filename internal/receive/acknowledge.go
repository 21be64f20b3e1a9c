package receive

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"time"

	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// Errors of Acknowledge.
var (
	// ErrNoFlag: the clinic has no such flag on that record.
	ErrNoFlag = errors.New("no such flag")
	// ErrStale: the flag's inputs changed since it was shown. The
	// acknowledgement was kept; the flag stays open (D1.3).
	ErrStale = errors.New("the inputs of the flag have changed")
	// ErrBeforeFlag and ErrAhead: the time at which the acknowledgement is said to
	// have been given is before any record of the patient was saved, or lies ahead.
	// Since the earliest stands, such a time would take another's place for good.
	ErrBeforeFlag = errors.New("the time is before any record of the patient was saved")
	ErrAhead      = errors.New("the time lies ahead")
)

// Acknowledgement is a named person's answer to one flag.
type Acknowledgement struct {
	Who        record.Person `json:"who"`
	Reason     string        `json:"reason"`
	At         time.Time     `json:"at"`
	InputsHash string        `json:"inputsHash"` // as shown with the flag
}

// Acknowledged is the answer to an acknowledgement: the flag as it is now, and
// what became of the acknowledgement.
type Acknowledged struct {
	// Stands says that the flag shows this acknowledgement. Of several of one
	// flag and the same inputs the earliest stands, and at the same time the one
	// that came first; all are kept.
	Stands bool   `json:"stands"`
	Note   string `json:"note,omitempty"`
	// Replaces is the acknowledgement that the flag showed until now, which was
	// given later and came before.
	Replaces *mapping.Acknowledged `json:"replaces,omitempty"`
	mapping.Flag
}

const (
	noteWaits    = "The acknowledgement is kept. The flag shows it once the patient can be folded again: our own output did not pass our check."
	noteKept     = "Another acknowledgement of this flag was given before and stands; this one is kept."
	noteReplaces = "This acknowledgement was given before the one that stood until now, and stands in its place; both are kept."
)

// Acknowledge binds a person's answer to a flag as it was shown, with the
// record, another of its case, or any of the patient where it is the patient's:
// to its code, place and the hash of its inputs. A change of those inputs opens
// it again.
func (v *Receiver) Acknowledge(ctx context.Context, recordID, flagID string, a Acknowledgement) (Acknowledged, error) {
	var out Acknowledged
	stale, waits := false, false
	err := v.update(ctx, func(w store.Writer, failed failure) error {
		fl, err := v.flagOf(w, recordID, flagID)
		if err != nil {
			return err
		}
		if err := v.possible(w, fl.Owner, a.At); err != nil {
			return err
		}
		was := fl.shown.Acknowledged
		stale, waits = fl.InputsHash != a.InputsHash, failed.any()
		sent, err := v.putAck(w, fl.Flag, a, stale, waits)
		if err != nil {
			return err
		}
		if fl, err = v.flagOf(w, recordID, flagID); err != nil {
			return err
		}
		if waits {
			out = Acknowledged{Flag: fl.shown, Note: noteWaits}
			return nil
		}
		out, err = acknowledged(w, fl, sent)
		if out.Stands && was != nil && !reflect.DeepEqual(was, out.Acknowledged) {
			out.Replaces, out.Note = was, noteReplaces
		}
		return err
	})
	if waits && err == nil {
		v.Meter.FailedFold()
	}
	switch {
	case errors.Is(err, ErrNoFlag), errors.Is(err, ErrBeforeFlag), errors.Is(err, ErrAhead):
		return Acknowledged{}, err
	case err != nil:
		return Acknowledged{}, unavailable(err)
	case stale:
		return out, ErrStale
	}
	return out, nil
}

// possible checks when an acknowledgement is said to have been given, with the
// same room for clocks as D1.1 leaves to saved-at. Where a record does not say
// when it was saved there is no earliest time: it may have been sent again.
func (v *Receiver) possible(r store.Reader, o store.Owner, at time.Time) error {
	if at.After(v.Clock().Add(mapping.MaxAhead)) {
		return ErrAhead
	}
	rows, err := r.DeliveriesOf(o)
	if err != nil || len(rows) == 0 {
		return err
	}
	first := slices.MinFunc(rows, func(a, b store.Delivery) int { return a.SavedAt.Compare(b.SavedAt) })
	if at.Before(first.SavedAt.Add(-mapping.MaxAhead)) {
		return ErrBeforeFlag
	}
	return nil
}

// acknowledged says what became of an acknowledgement of a flag.
func acknowledged(r store.Reader, fl standingFlag, sent []byte) (Acknowledged, error) {
	out := Acknowledged{Flag: fl.shown}
	kept, err := r.Acks(fl.Owner)
	if err != nil {
		return out, err
	}
	stands, err := standingAck(kept, fl.ID, fl.InputsHash)
	if err != nil || stands < 0 {
		return out, err
	}
	if out.Stands = bytes.Equal(kept[stands].JSON, sent); !out.Stands {
		out.Note = noteKept
	}
	return out, nil
}

// standingAck is the acknowledgement that a flag with these inputs shows, among
// all in the order of their arrival; -1 without one.
func standingAck(kept []store.Ack, flagID, inputsHash string) (int, error) {
	stands, at := -1, time.Time{}
	for i, k := range kept {
		if k.Flag != flagID || k.InputsHash != inputsHash {
			continue
		}
		a, err := readAck(k)
		if err != nil {
			return -1, err
		}
		if stands < 0 || a.At.Before(at) {
			stands, at = i, a.At
		}
	}
	return stands, nil
}

func readAck(k store.Ack) (a mapping.Acknowledgement, err error) {
	if err := json.Unmarshal(k.JSON, &a); err != nil {
		return a, fmt.Errorf("stored acknowledgement: %w", err)
	}
	return a, nil
}

// readAcks gives a fold the acknowledgements. When one came is an input as it
// is of a delivery (D1.1): of those of one flag, inputs and time the fold sees
// the first to come, so that a second takes no name from the first. One that
// was stale when it came counts again when its flag rests on those same inputs
// again: the set decides (D1.4).
func readAcks(kept []store.Ack) (out []mapping.Acknowledgement, err error) {
	for _, k := range kept {
		a, err := readAck(k)
		if err != nil {
			return nil, err
		}
		if !slices.ContainsFunc(out, func(b mapping.Acknowledgement) bool {
			return b.Flag == a.Flag && b.InputsHash == a.InputsHash && b.At.Equal(a.At)
		}) {
			out = append(out, a)
		}
	}
	return out, nil
}

// putAck keeps the acknowledgement and folds again, so that the published
// issue gains its mitigation in the same commit. The same acknowledgement sent
// again is kept once. A fold that failed before keeps nobody's word from being
// kept.
func (v *Receiver) putAck(w store.Writer, fl store.Flag, a Acknowledgement, stale, failed bool) (sent []byte, err error) {
	sent, err = json.Marshal(mapping.Acknowledgement{
		Case: fl.Case, Flag: fl.ID, InputsHash: a.InputsHash, Who: a.Who, Reason: a.Reason, At: a.At.UTC(),
	})
	if err != nil {
		return nil, err
	}
	kept, err := w.Acks(fl.Owner)
	if err != nil {
		return nil, err
	}
	for _, k := range kept {
		if bytes.Equal(k.JSON, sent) {
			return sent, nil
		}
	}
	err = w.PutAck(store.Ack{Owner: fl.Owner, Case: fl.Case, Flag: fl.ID, InputsHash: a.InputsHash, JSON: sent, Stale: stale})
	if err != nil || stale {
		return sent, err
	}
	id, err := patientNamed(fl.Owner)
	if err != nil {
		return nil, err
	}
	if failed {
		_, err = v.containPatient(w, id)
		return sent, err
	}
	_, err = v.refoldPatient(w, id)
	return sent, err
}
