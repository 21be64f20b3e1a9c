package receive

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/internal/validate"
	"nailbridge/mapping"
	"nailbridge/mapping/resource"
)

// trial is a store in which a re-map is tried: a snapshot, with what was put
// since laid over it in memory. Nothing reaches the store below. Of what a
// transaction put, only that of the clinic as a whole outlasts it: each patient
// is folded once, so that memory does not grow with the patients.
type trial struct {
	below store.Reader
	kept  laid
	seq   int64
}

// laid is what lies over the snapshot.
type laid struct {
	held  map[store.Owner]map[resource.Ref]store.Held
	facts map[store.Owner][]store.Fact
	staff map[string][]store.Statement // by source
	marks map[string]string            // by clinic and name
}

func newTrial(r store.Reader) *trial {
	return &trial{below: r, kept: laid{staff: map[string][]store.Statement{}, marks: map[string]string{}, held: map[store.Owner]map[resource.Ref]store.Held{}}}
}

// View reads what lies there.
func (t *trial) View(_ context.Context, fn func(store.Reader) error) error { return fn(t.begin()) }

// Update keeps what fn put, unless it failed.
func (t *trial) Update(ctx context.Context, fn func(store.Writer) error) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("%w: %w", store.ErrUnavailable, err)
	}
	w := t.begin()
	if err := fn(w); err != nil {
		return err
	}
	t.kept.staff, t.kept.marks = w.laid.staff, w.laid.marks
	for o, held := range w.laid.held {
		if o.Patient == "" {
			t.kept.held[o] = held
		}
	}
	t.seq = w.stamp.Seq
	return nil
}

// Close leaves the snapshot to whoever opened it.
func (t *trial) Close() error { return nil }

func (t *trial) begin() *trialWriter {
	w := &trialWriter{Reader: t.below, owned: map[store.Owner][]store.Held{}, laid: laid{
		held: map[store.Owner]map[resource.Ref]store.Held{}, facts: map[store.Owner][]store.Fact{},
		staff: maps.Clone(t.kept.staff), marks: maps.Clone(t.kept.marks),
	}}
	for o, held := range t.kept.held {
		w.laid.held[o] = maps.Clone(held)
	}
	w.stamp = t.below.Head()
	w.stamp.Seq = max(w.stamp.Seq, t.seq)
	return w
}

// trialWriter is one transaction of a trial.
type trialWriter struct {
	store.Reader
	laid
	owned   map[store.Owner][]store.Held // of the snapshot, as far as read
	stamp   store.Stamp
	stamped bool
}

// errTrial: a re-map does no such thing.
var errTrial = errors.New("no part of a re-map")

// Mark gives what was set since, else what lies below.
func (w *trialWriter) Mark(clinic, name string) (string, error) {
	if s, ok := w.marks[clinic+"\x00"+name]; ok {
		return s, nil
	}
	return w.Reader.Mark(clinic, name)
}

// SetMark keeps a value for the length of the trial.
func (w *trialWriter) SetMark(clinic, name, value string) error {
	w.marks[clinic+"\x00"+name] = value
	return nil
}

// Owned gives what lies below, with the versions laid over it.
func (w *trialWriter) Owned(o store.Owner) ([]store.Held, error) {
	below, read := w.owned[o]
	if !read {
		var err error
		if below, err = w.Reader.Owned(o); err != nil {
			return nil, err
		}
		w.owned[o] = below
	}
	var out []store.Held
	over := maps.Clone(w.held[o])
	for _, h := range below {
		if x, ok := over[h.Ref]; ok {
			h = x
			delete(over, h.Ref)
		}
		out = append(out, h)
	}
	return slices.AppendSeq(out, maps.Values(over)), nil
}

// Exists tells of a laid version, else of what lies below.
func (w *trialWriter) Exists(ref resource.Ref) (bool, error) {
	for _, held := range w.held {
		if h, ok := held[ref]; ok {
			return !h.Deleted, nil
		}
	}
	return w.Reader.Exists(ref)
}

// Facts gives those below and those put since.
func (w *trialWriter) Facts(o store.Owner) ([]store.Fact, error) {
	below, err := w.Reader.Facts(o)
	return append(below, w.facts[o]...), err
}

// PutFact lays a fact over those below.
func (w *trialWriter) PutFact(f store.Fact) error {
	w.facts[f.Owner] = append(w.facts[f.Owner], f)
	return nil
}

// Staff gives the statements below, but for those of sources that were replaced.
func (w *trialWriter) Staff(clinic, key string) ([][]byte, error) {
	below, err := w.Reader.Staff(clinic, key)
	if err != nil {
		return nil, err
	}
	var out [][]byte
	for _, b := range below {
		var of []mapping.StaffStatement
		if err := json.Unmarshal(b, &of); err != nil {
			return nil, fmt.Errorf("stored statement about staff: %w", err)
		}
		if len(of) > 0 {
			if _, replaced := w.staff[patientSource(of[0].Patient)]; replaced {
				continue
			}
		}
		out = append(out, b)
	}
	for _, statements := range w.staff {
		for _, s := range statements {
			if s.Key == key {
				out = append(out, s.JSON)
			}
		}
	}
	return out, nil
}

// ReplaceStaff takes the place of what a source said.
func (w *trialWriter) ReplaceStaff(_, source string, statements []store.Statement) error {
	w.staff[source] = statements
	return nil
}

// EndedBefore gives none: each patient is folded with what ended.
func (w *trialWriter) EndedBefore(time.Time) ([]store.Activity, error) { return nil, nil }

// Stamp gives the next place after the snapshot, once a transaction.
func (w *trialWriter) Stamp(now time.Time) (store.Stamp, error) {
	if !w.stamped {
		w.stamped = true
		w.stamp.Seq++
		w.stamp.LastUpdated = now.UTC()
	}
	return w.stamp, nil
}

// Put lays a version over what is there.
func (w *trialWriter) Put(o store.Owner, caseID string, c validate.Checked, _ []searchparam.Row) (store.Version, error) {
	return w.lay(o, store.Held{Ref: c.Resource().Ref(), Case: caseID, Content: c.Resource()})
}

// Delete lays an end over what is there.
func (w *trialWriter) Delete(o store.Owner, ref resource.Ref) (store.Version, error) {
	return w.lay(o, store.Held{Ref: ref, Deleted: true})
}

// lay lays a version over what is there, with a version id like a store's.
func (w *trialWriter) lay(o store.Owner, h store.Held) (store.Version, error) {
	owned, err := w.Owned(o)
	if err != nil {
		return store.Version{}, err
	}
	h.Version = 1
	if i := slices.IndexFunc(owned, func(x store.Held) bool { return x.Ref == h.Ref }); i >= 0 {
		h.Version = owned[i].Version + 1
	}
	h.VersionID = fmt.Sprintf("%s-%d", w.stamp.Epoch, h.Version)
	if w.held[o] == nil {
		w.held[o] = map[resource.Ref]store.Held{}
	}
	w.held[o][h.Ref] = h
	return store.Version{Ref: h.Ref, Number: h.Version, VersionID: h.VersionID, Deleted: h.Deleted, Seq: w.stamp.Seq, LastUpdated: w.stamp.LastUpdated}, nil
}

// What follows changes nothing that a re-map reads again or counts.

// SetWaiting leaves who waits.
func (w *trialWriter) SetWaiting(store.Owner, []int64) error { return nil }

// Mask leaves what was written.
func (w *trialWriter) Mask(resource.Ref) error { return nil }

// ReplaceFlags leaves the flags.
func (w *trialWriter) ReplaceFlags(store.Owner, []store.Flag) error { return nil }

// ReplaceActivities leaves the activities.
func (w *trialWriter) ReplaceActivities(store.Owner, []store.Activity) error { return nil }

// PutEvent tells nobody.
func (w *trialWriter) PutEvent(string, string, []byte) error { return nil }

// Reindex leaves the index.
func (w *trialWriter) Reindex(store.Owner, func(resource.Resource) ([]searchparam.Row, error)) error {
	return nil
}

// Nor does a re-map take or lose a record.

// PutDelivery takes none.
func (w *trialWriter) PutDelivery(store.Delivery) (store.Delivery, error) {
	return store.Delivery{}, errTrial
}

// MarkDelivery marks none.
func (w *trialWriter) MarkDelivery(store.Delivery) error { return errTrial }

// PutAck takes none.
func (w *trialWriter) PutAck(store.Ack) error { return errTrial }

// SetMerged merges none.
func (w *trialWriter) SetMerged(store.Delivery, []string) error { return errTrial }

// PutErasure lists none.
func (w *trialWriter) PutErasure(store.Erasure) error { return errTrial }

// Erase erases none.
func (w *trialWriter) Erase(store.Erasing) (store.Belongings, []store.Version, error) {
	return store.Belongings{}, nil, errTrial
}
