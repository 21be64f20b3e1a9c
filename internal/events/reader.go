package events

import (
	"context"
	"errors"
	"fmt"
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
// the next beat.
const readTime = time.Second

// untilMade is how long it takes to look again for a stream that is not made
// yet.
const untilMade = 20 * time.Millisecond

// letRead makes the readers of a key that are not there, as soon as their
// streams are. Those that are there stay as long as messages do by now.
func (d *door) letRead(ctx context.Context, key string) error {
	for stream, age := range d.opts.Keep.read() {
		is, err := d.js.Consumer(ctx, stream, Reader(key))
		for errors.Is(err, jetstream.ErrStreamNotFound) && ctx.Err() == nil {
			time.Sleep(untilMade)
			is, err = d.js.Consumer(ctx, stream, Reader(key))
		}
		switch {
		case err == nil && is.CachedInfo().Config.InactiveThreshold != age:
			kept := is.CachedInfo().Config
			kept.InactiveThreshold = age
			_, err = d.js.UpdateConsumer(ctx, stream, kept)
		case errors.Is(err, jetstream.ErrConsumerNotFound):
			_, err = d.js.CreateConsumer(ctx, stream, jetstream.ConsumerConfig{
				Durable: Reader(key), AckPolicy: jetstream.AckExplicitPolicy, AckWait: rereadAfter, MaxDeliver: -1,
				MaxAckPending: mostRead, MaxWaiting: mostPulls, MaxRequestBatch: mostRead, MaxRequestExpires: longestPull,
				InactiveThreshold: age, // by then all that it had not read is gone by age
			})
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
