package receive

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
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
)

// Acknowledgement is a named person's answer to one flag.
type Acknowledgement struct {
	Who        record.Person `json:"who"`
	Reason     string        `json:"reason"`
	At         time.Time     `json:"at"`
	InputsHash string        `json:"inputsHash"` // as shown with the flag
}

// Acknowledge binds a person's answer to a flag as it was shown, with the
// record, another of its case, or any of the patient where it is the patient's:
// to its code, place and the hash of its
// inputs. A change of those inputs opens it again.
func (v *Receiver) Acknowledge(ctx context.Context, recordID, flagID string, a Acknowledgement) (mapping.Flag, error) {
	var shown mapping.Flag
	stale := false
	err := v.Store.Update(ctx, func(w store.Writer) error {
		fl, err := v.flagOf(w, recordID, flagID)
		if err != nil {
			return err
		}
		stale = fl.InputsHash != a.InputsHash
		if err := v.putAck(w, fl.Flag, a, stale); err != nil {
			return err
		}
		fl, err = v.flagOf(w, recordID, flagID)
		shown = fl.shown
		return err
	})
	switch {
	case errors.Is(err, ErrNoFlag):
		return mapping.Flag{}, ErrNoFlag
	case err != nil:
		return mapping.Flag{}, unavailable(err)
	case stale:
		return shown, ErrStale
	}
	return shown, nil
}

// putAck keeps the acknowledgement and folds again, so that the published
// issue gains its mitigation in the same commit. The same acknowledgement sent
// again is kept once.
func (v *Receiver) putAck(w store.Writer, fl store.Flag, a Acknowledgement, stale bool) error {
	b, err := json.Marshal(mapping.Acknowledgement{
		Case: fl.Case, Flag: fl.ID, InputsHash: a.InputsHash, Who: a.Who, Reason: a.Reason, At: a.At.UTC(),
	})
	if err != nil {
		return err
	}
	kept, err := w.Acks(fl.Owner)
	if err != nil {
		return err
	}
	for _, k := range kept {
		if bytes.Equal(k.JSON, b) {
			return nil
		}
	}
	err = w.PutAck(store.Ack{Owner: fl.Owner, Case: fl.Case, Flag: fl.ID, InputsHash: a.InputsHash, JSON: b, Stale: stale})
	if err != nil || stale {
		return err
	}
	id, ok := mapping.ParsePatientKey(fl.Owner.Patient)
	if !ok {
		return errors.New("stored flag names no patient")
	}
	_, err = v.refoldPatient(w, id)
	return err
}
