package events

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"nailbridge/mapping/record"
)

// Keep says how long messages are kept.
type Keep struct {
	// Records is how long a record is kept in its stream, taken or not.
	// 0: 30 days.
	Records time.Duration
	// Answers is how long a sender may take to read an answer. 0: 30 days.
	Answers time.Duration
	// Changes is how long a reader may be away. 0: 30 days.
	Changes time.Duration
}

const day = 24 * time.Hour

func (k Keep) orDefault() Keep {
	for _, d := range []*time.Duration{&k.Records, &k.Answers, &k.Changes} {
		if *d <= 0 {
			*d = 30 * day
		}
	}
	return k
}

// read gives how long the streams that a practice system reads are kept.
func (k Keep) read() map[string]time.Duration {
	return map[string]time.Duration{AnswersStream: k.Answers, ChangesStream: k.Changes}
}

// leastDuplicates is the shortest window of de-duplication that a server takes.
// None is wanted: the same bytes sent again count again (D1.1, D2.2).
const leastDuplicates = 100 * time.Millisecond

// ruled are the settings of a stream that are ours; the rest is its operator's.
func ruled(c *jetstream.StreamConfig, subject string, age time.Duration) {
	c.Subjects = []string{subject}
	c.MaxAge = age
	c.MaxMsgSize = record.MaxBytes
	c.Duplicates = leastDuplicates
	// A stream that is full says so at publish; nothing goes before its time.
	c.Discard = jetstream.DiscardNew
}

// ours is a stream as we make it.
func ours(name, subject string, age time.Duration) jetstream.StreamConfig {
	c := jetstream.StreamConfig{Name: name, Storage: jetstream.FileStorage, Retention: jetstream.LimitsPolicy, Replicas: 1}
	ruled(&c, subject, age)
	return c
}

// stream is ensureStream for the door. At the embedded server it asks by making,
// which says the same of a stream that is there: what asks for information waits
// behind all that clients of every clinic ask, and may be dropped with it.
func (d *door) stream(ctx context.Context, name, subject string, age time.Duration) (jetstream.Stream, error) {
	d.readers.forget() // those of a stream that is made anew are gone
	if d.server != nil {
		st, err := d.js.CreateStream(ctx, ours(name, subject, age))
		if err == nil {
			return st, nil
		}
		if !errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) { // else it is there with other settings
			return nil, fmt.Errorf("stream %s: %w", name, err)
		}
	}
	return ensureStream(ctx, d.js, name, subject, age)
}

// ensureStream makes a stream, or brings what is ours of its settings up to
// date.
func ensureStream(ctx context.Context, js jetstream.JetStream, name, subject string, age time.Duration) (jetstream.Stream, error) {
	st, err := js.Stream(ctx, name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		c := ours(name, subject, age)
		if st, err = js.CreateStream(ctx, c); errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
			st, err = js.Stream(ctx, name) // another bridge was faster
		}
	}
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", name, err)
	}
	is := st.CachedInfo().Config
	if is.Storage != jetstream.FileStorage || is.Retention != jetstream.LimitsPolicy || is.NoAck {
		return nil, fmt.Errorf("stream %s: it must be kept on file by limits, with acknowledgements", name)
	}
	want := is
	ruled(&want, subject, age)
	if slices.Equal(is.Subjects, want.Subjects) && is.MaxAge == want.MaxAge && is.MaxMsgSize == want.MaxMsgSize &&
		is.Duplicates == want.Duplicates && is.Discard == want.Discard {
		return st, nil
	}
	if st, err = js.UpdateStream(ctx, want); err != nil {
		return nil, fmt.Errorf("stream %s: %w", name, err)
	}
	return st, nil
}

// epochOf names, on the consumer, the epoch of the store that it feeds.
const epochOf = "nailbridge-epoch"

// ensureConsumer makes the durable consumer, which begins at the first message;
// one of another epoch is made anew: its store no longer holds all that was
// acknowledged.
func ensureConsumer(ctx context.Context, st jetstream.Stream, c jetstream.ConsumerConfig, epoch string) (jetstream.Consumer, error) {
	c.Metadata = map[string]string{epochOf: epoch}
	made, err := st.CreateConsumer(ctx, c) // says yes to one that is just so, and is dropped for no client's asking
	if err == nil {
		return made, nil
	}
	if !errors.Is(err, jetstream.ErrConsumerExists) {
		return nil, fmt.Errorf("consumer: %w", err)
	}
	is, err := st.Consumer(ctx, c.Durable)
	switch {
	case errors.Is(err, jetstream.ErrConsumerNotFound):
	case err != nil:
		return nil, fmt.Errorf("consumer: %w", err)
	case is.CachedInfo().Config.Metadata[epochOf] != epoch:
		if err := st.DeleteConsumer(ctx, c.Durable); err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
			return nil, fmt.Errorf("consumer of another epoch: %w", err)
		}
	}
	made, err = st.CreateOrUpdateConsumer(ctx, c)
	if err != nil {
		return nil, fmt.Errorf("consumer: %w", err)
	}
	return made, nil
}
