package events

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"nailbridge/internal/receive"
	"nailbridge/internal/store"
	"nailbridge/mapping/resource"
)

// Headers of a message on CHANGES.
const (
	KindHeader     = "Nailbridge-Kind"
	EpochHeader    = "Nailbridge-Epoch"
	SequenceHeader = "Nailbridge-Sequence"
	DigestHeader   = "Nailbridge-Digest"
)

// Announcer is a store that wakes the relays after each commit.
type Announcer struct {
	store.Store

	mu    sync.Mutex
	bells []chan struct{}
}

// Announce makes an Announcer.
func Announce(s store.Store) *Announcer { return &Announcer{Store: s} }

// listen gives a bell that rings after each commit.
func (a *Announcer) listen() <-chan struct{} {
	bell := make(chan struct{}, 1)
	a.mu.Lock()
	defer a.mu.Unlock()
	a.bells = append(a.bells, bell)
	return bell
}

// Update runs fn in a write transaction of the store.
func (a *Announcer) Update(ctx context.Context, fn func(store.Writer) error) error {
	if err := a.Store.Update(ctx, fn); err != nil {
		return err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, bell := range a.bells {
		select {
		case bell <- struct{}{}:
		default: // it rings already
		}
	}
	return nil
}

// relayed is how far the outbox has been relayed.
type relayed struct {
	epoch string
	seq   int64 // of the last event relayed; 0: none
}

// batch is how many events are read from the outbox at once.
const batch = 256

// relayChanges relays the outbox until stop ends, and then once more what was
// committed until then.
func (d *door) relayChanges(stop, work context.Context) error {
	st, err := d.changes(stop)
	if err != nil {
		return err
	}
	at, err := d.resume(stop, st)
	if err != nil {
		return err
	}
	poll := time.NewTicker(d.opts.Poll)
	defer poll.Stop()
	for {
		if at, err = d.relay(work, at); err != nil {
			return err
		}
		d.state.set(d.part(relayPart), nil)
		select {
		case <-stop.Done():
			if _, err := d.relay(work, at); err != nil {
				return err
			}
			return stop.Err()
		case <-d.bell:
		case <-poll.C:
		}
	}
}

func (d *door) changes(ctx context.Context) (jetstream.Stream, error) {
	if err := d.may("ensure-changes"); err != nil {
		return nil, err
	}
	return d.stream(ctx, ChangesStream, changesPrefix+d.whose(), d.opts.Keep.Changes)
}

// resume finds where the relay was: after the event of the last message, if the
// outbox has exactly that event under exactly that number; else at the start. A
// store put back from a backup, even without a new epoch, has another there.
func (d *door) resume(ctx context.Context, st jetstream.Stream) (relayed, error) {
	if err := d.may("resume"); err != nil {
		return relayed{}, err
	}
	last, err := st.GetLastMsgForSubject(ctx, ChangesSubject(d.clinic.ID))
	switch {
	case errors.Is(err, jetstream.ErrMsgNotFound):
		last = &jetstream.RawStreamMsg{}
	case err != nil:
		return relayed{}, fmt.Errorf("last change: %w", err)
	}
	var at relayed
	err = d.opts.Store.View(ctx, func(r store.Reader) error {
		at.epoch = r.Head().Epoch
		seq, err := strconv.ParseInt(last.Header.Get(SequenceHeader), 10, 64)
		if err != nil || seq < 1 || last.Header.Get(EpochHeader) != at.epoch {
			return nil
		}
		es, err := r.Outbox(d.clinic.ID, seq-1, 1)
		if err == nil && len(es) == 1 && es[0].Seq == seq && digest(es[0]) == last.Header.Get(DigestHeader) {
			at.seq = seq
		}
		return err
	})
	if err == nil {
		d.opts.Log.Info("relaying changes", "epoch", at.epoch, "after", at.seq)
	}
	return at, err
}

// errNewEpoch: the store's epoch changed while the relay ran.
var errNewEpoch = errors.New("the store has a new epoch")

// relay publishes everything after a position, and says how far it came.
func (d *door) relay(ctx context.Context, at relayed) (relayed, error) {
	for {
		es, err := d.read(ctx, at)
		if err != nil || len(es) == 0 {
			return at, err
		}
		for _, e := range es {
			if d.opts.Hold != nil && d.opts.Hold() {
				return at, nil
			}
			// What may still be shown is asked last, event by event: a patient may
			// have declined since the event before.
			m, err := d.message(ctx, at.epoch, e)
			if err != nil {
				return at, err
			}
			if err := d.publishChange(ctx, change{e.Seq, m}); err != nil {
				return at, err
			}
			at.seq = e.Seq
			d.relayedSeq.Store(e.Seq)
		}
	}
}

// change is an event of the outbox as a message.
type change struct {
	seq int64
	msg *nats.Msg
}

// read reads the next events.
func (d *door) read(ctx context.Context, at relayed) (es []store.Event, err error) {
	err = d.opts.Store.View(ctx, func(r store.Reader) error {
		if r.Head().Epoch != at.epoch {
			return errNewEpoch
		}
		es, err = r.Outbox(d.clinic.ID, at.seq, batch)
		return err
	})
	return es, err
}

func (d *door) publishChange(ctx context.Context, c change) error {
	if err := d.may("publish-change"); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, d.opts.Timeout)
	defer cancel()
	if _, err := d.js.PublishMsg(ctx, c.msg); err != nil {
		return fmt.Errorf("change %d: %w", c.seq, err)
	}
	return nil
}

// head is what a Withdrawn or Truncated event has alone.
type head struct {
	Clinic    string `json:"clinic"`
	Epoch     string `json:"epoch,omitempty"`
	Withdrawn bool   `json:"withdrawn,omitempty"`
	Truncated bool   `json:"truncated,omitempty"`
}

// message is an event as a message: what it may still show of it.
func (d *door) message(ctx context.Context, epoch string, e store.Event) (*nats.Msg, error) {
	var h struct {
		head
		Resource string `json:"resource"`
	}
	gone := json.Unmarshal(e.JSON, &h) != nil
	if !gone && e.Kind != receive.EventChange {
		err := d.opts.Store.View(ctx, func(r store.Reader) (err error) {
			gone, err = isGone(r, h.Resource)
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	body := e.JSON
	var err error
	switch {
	case gone:
		body, err = json.Marshal(head{Clinic: d.clinic.ID, Withdrawn: true})
	case len(body) > d.room():
		body, err = json.Marshal(head{Clinic: d.clinic.ID, Epoch: h.Epoch, Truncated: true})
	}
	if err != nil {
		return nil, err
	}
	m := nats.NewMsg(ChangesSubject(d.clinic.ID))
	m.Data = body
	m.Header.Set(KindHeader, e.Kind)
	m.Header.Set(EpochHeader, epoch)
	m.Header.Set(SequenceHeader, strconv.FormatInt(e.Seq, 10))
	m.Header.Set(DigestHeader, digest(e))
	return m, nil
}

func digest(e store.Event) string {
	sum := sha256.Sum256(e.JSON)
	return hex.EncodeToString(sum[:])
}

// isGone reports a resource that may no longer be shown (D3.1). What names none
// may not be shown either.
func isGone(r store.Reader, reference string) (bool, error) {
	typ, id, ok := strings.Cut(reference, "/")
	if !ok {
		return true, nil
	}
	_, err := r.Read(resource.Ref{Type: typ, ID: id})
	if errors.Is(err, store.ErrGone) || errors.Is(err, store.ErrNotFound) {
		return true, nil
	}
	return false, err
}
