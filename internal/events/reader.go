package events

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Reader names the consumer of ANSWERS, and of CHANGES, that the bridge makes
// for the key of a practice system. A client makes none itself: one could
// deliver where others listen, crowd out the rest, and stay when the key is
// gone.
func Reader(key string) string { return "reader-" + Token(key) }

// Limits of a reader.
const (
	// mostRead is how many messages a reader may hold unacknowledged.
	mostRead = 1000
	// mostPulls is how many pulls of a reader may be open at once.
	mostPulls = 4
	// rereadAfter is after how long a message comes again that was read and not
	// acknowledged.
	rereadAfter = 30 * time.Second
)

// readTime is how long the readers of a key may take to be made while its
// client waits to be let in; then it is let in all the same and they come with
// a later beat.
const readTime = time.Second

// untilMade is how long it takes to look again for a stream that is not made
// yet.
const untilMade = 20 * time.Millisecond

// mostRemembered is how long readers are known to be there without a look, and
// half of the time after which the server takes off one that nobody uses is the
// other bound. A look is a write to the disk, so connections do not each have
// one.
const mostRemembered = time.Minute

// readers are the readers of a clinic's keys, made and ended by one part, one
// after another and once for each key: a connection that comes waits for the
// streams no longer than readTime, and the ending of one never does.
type readers struct {
	clock func() time.Time
	known time.Duration // how long they are remembered
	bell  chan struct{} // rings when something is to be done

	mu    sync.Mutex
	made  map[string]time.Time // when, by key
	queue []*wish
	times int // how often all was forgotten
}

// wish is that the readers of a key be there, or be gone.
type wish struct {
	key  string
	gone bool
	done chan struct{} // closed when it was tried
}

func newReaders(o Options) *readers {
	known := mostRemembered
	for _, age := range o.Keep.read() {
		known = min(known, age/2)
	}
	return &readers{clock: o.Clock, known: known, bell: make(chan struct{}, 1), made: map[string]time.Time{}}
}

// letRead asks for the readers of a key, unless they are there, and gives what is
// closed when that was tried.
func (r *readers) letRead(key string) <-chan struct{} {
	r.mu.Lock()
	defer r.mu.Unlock()
	if at, ok := r.made[key]; ok && r.clock().Sub(at) < r.known {
		tried := make(chan struct{})
		close(tried)
		return tried
	}
	return r.wish(key, false)
}

// end asks that the readers of a key be taken away.
func (r *readers) end(key string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	delete(r.made, key)
	r.wish(key, true)
}

// wish puts a wish into the queue if the last about that key is another.
func (r *readers) wish(key string, gone bool) <-chan struct{} {
	for _, w := range slices.Backward(r.queue) {
		if w.key != key {
			continue
		}
		if w.gone == gone {
			return w.done
		}
		break
	}
	w := &wish{key, gone, make(chan struct{})}
	r.queue = append(r.queue, w)
	select {
	case r.bell <- struct{}{}:
	default: // it rings already
	}
	return w.done
}

// forget forgets which readers there are: the server or a stream is another now.
func (r *readers) forget() {
	r.mu.Lock()
	defer r.mu.Unlock()
	clear(r.made)
	r.times++
}

// next gives the wish that waits longest, which stays in the queue, and how often
// all was forgotten; nil: there is none.
func (r *readers) next() (w *wish, times int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.queue) > 0 {
		w = r.queue[0]
	}
	return w, r.times
}

// tried takes the first wish off, and remembers what it made.
func (r *readers) tried(w *wish, times int, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.queue = r.queue[1:]
	if err == nil && !w.gone && times == r.times {
		r.made[w.key] = r.clock()
	}
	close(w.done)
}

// keepReaders does what is wished of the clinic's readers. What fails is wished
// again by the next beat while its key is in.
func (d *door) keepReaders(ctx context.Context) error {
	d.state.set(d.part(readersPart), nil)
	for {
		for w, times := d.readers.next(); w != nil && ctx.Err() == nil; w, times = d.readers.next() {
			d.readers.tried(w, times, d.grant(ctx, w))
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-d.readers.bell:
		}
	}
}

// grant makes or ends the readers of a key.
func (d *door) grant(ctx context.Context, w *wish) error {
	ctx, cancel := context.WithTimeout(ctx, d.opts.Timeout)
	defer cancel()
	if w.gone {
		err := d.endReading(ctx, w.key)
		if err != nil {
			d.opts.Log.Warn("the readers of a key that ended stay until they have been idle for as long as messages are kept", "error", err)
		}
		return err
	}
	err := d.letRead(ctx, w.key)
	if err != nil {
		d.opts.Log.Warn("NATS: a practice system can not read yet", "key", w.key, "error", err)
	}
	return err
}

// letRead makes the readers of a key that are not there, as soon as their
// streams are. It asks by making: what asks for information waits behind all that
// clients ask. Those that are there stay as long as messages do by now.
func (d *door) letRead(ctx context.Context, key string) error {
	if err := d.fault("make-readers"); err != nil {
		return err
	}
	for stream, age := range d.opts.Keep.read() {
		c := jetstream.ConsumerConfig{
			Durable: Reader(key), AckPolicy: jetstream.AckExplicitPolicy, AckWait: rereadAfter, MaxDeliver: -1,
			MaxAckPending: mostRead, MaxWaiting: mostPulls, MaxRequestBatch: mostRead, MaxRequestExpires: longestPull,
			InactiveThreshold: age, // by then all that it had not read is gone by age
		}
		_, err := d.js.CreateConsumer(ctx, stream, c)
		for errors.Is(err, jetstream.ErrStreamNotFound) && ctx.Err() == nil {
			time.Sleep(untilMade)
			_, err = d.js.CreateConsumer(ctx, stream, c)
		}
		if errors.Is(err, jetstream.ErrConsumerExists) { // it was made by other settings
			_, err = d.js.UpdateConsumer(ctx, stream, c)
		}
		if err != nil {
			return fmt.Errorf("reader of %s: %w", stream, err)
		}
	}
	return nil
}

// endReading takes the readers of a key away.
func (d *door) endReading(ctx context.Context, key string) error {
	var errs []error
	for stream := range d.opts.Keep.read() {
		if err := d.js.DeleteConsumer(ctx, stream, Reader(key)); err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
			errs = append(errs, fmt.Errorf("reader of %s: %w", stream, err))
		}
	}
	return errors.Join(errs...)
}
