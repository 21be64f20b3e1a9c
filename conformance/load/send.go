package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"nailbridge/internal/events"
	"nailbridge/internal/generate"
	"nailbridge/mapping/record"
)

// casesApart keeps the numbers of one sender's cases off another's.
const casesApart = 1_000_000

// answerTime is how long a sender waits for one answer.
const answerTime = 2 * time.Minute

// records gives a sender's records, encoded, case after case without end.
type records struct {
	seed   uint64
	sender int
	zone   *time.Location
	number int
	queue  [][]byte
}

func (r *records) next() ([]byte, error) {
	for len(r.queue) == 0 {
		number := r.sender*casesApart + r.number
		r.number++
		random := rand.New(rand.NewPCG(r.seed, uint64(number)))
		for _, rec := range generate.Case(random, generate.Options{Clinic: clinic, Zone: r.zone, Number: number}) {
			b, err := record.Encode(rec)
			if err != nil {
				return nil, err
			}
			r.queue = append(r.queue, b)
		}
	}
	b := r.queue[0]
	r.queue = r.queue[1:]
	return b, nil
}

// door takes one record and returns when it is stored. busy is called for each
// time that the bridge asked to wait.
type door interface {
	name() string
	send(ctx context.Context, rec []byte, busy func()) error
}

// httpDoor is POST /records.
type httpDoor struct {
	url    string
	client *http.Client
}

func (httpDoor) name() string { return "HTTP" }

func (d httpDoor) send(ctx context.Context, rec []byte, busy func()) error {
	for {
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, d.url, bytes.NewReader(rec))
		if err != nil {
			return err
		}
		req.Header.Set("Content-Type", "application/json")
		res, err := d.client.Do(req)
		if err != nil {
			return err
		}
		_, err = io.Copy(io.Discard, res.Body)
		if err = errors.Join(err, res.Body.Close()); err != nil {
			return err
		}
		switch res.StatusCode {
		case http.StatusOK, http.StatusCreated, http.StatusAccepted, http.StatusConflict:
			return nil
		case http.StatusServiceUnavailable:
			busy()
			if err := pause(ctx, res.Header.Get("Retry-After")); err != nil {
				return err
			}
		default:
			return fmt.Errorf("POST /records: %s", res.Status)
		}
	}
}

// pause waits as Retry-After says, which a 503 must (RFC 9110, 10.2.3).
func pause(ctx context.Context, retryAfter string) error {
	seconds, err := strconv.Atoi(retryAfter)
	if err != nil {
		return fmt.Errorf("a 503 whose Retry-After is %q", retryAfter)
	}
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(time.Duration(seconds) * time.Second):
		return nil
	}
}

// natsDoor publishes to the records stream and waits for the answer.
type natsDoor struct {
	conn   *nats.Conn
	stream jetstream.JetStream

	mu      sync.Mutex
	waiting map[uint64]chan struct{} // by sequence in the records stream
	early   map[uint64]bool          // answered before the publisher knew its sequence
}

func openNATS(url string) (*natsDoor, error) {
	conn, err := nats.Connect(url)
	if err != nil {
		return nil, err
	}
	d := &natsDoor{conn: conn, waiting: map[uint64]chan struct{}{}, early: map[uint64]bool{}}
	if d.stream, err = jetstream.New(conn); err != nil {
		return nil, err
	}
	_, err = conn.Subscribe("nailbridge.answers."+events.Token(clinic)+".>", d.answered)
	return d, errors.Join(err, conn.Flush())
}

func (*natsDoor) name() string { return "NATS" }

func (d *natsDoor) answered(m *nats.Msg) {
	var a struct {
		StreamSequence uint64 `json:"streamSequence"`
	}
	if json.Unmarshal(m.Data, &a) != nil {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if c := d.waiting[a.StreamSequence]; c != nil {
		close(c)
		delete(d.waiting, a.StreamSequence)
		return
	}
	d.early[a.StreamSequence] = true
}

func (d *natsDoor) send(ctx context.Context, rec []byte, _ func()) error {
	ack, err := d.stream.Publish(ctx, "nailbridge.records."+events.Token(clinic), rec)
	if err != nil {
		return err
	}
	c := make(chan struct{})
	d.mu.Lock()
	if d.early[ack.Sequence] {
		delete(d.early, ack.Sequence)
		d.mu.Unlock()
		return nil
	}
	d.waiting[ack.Sequence] = c
	d.mu.Unlock()
	select {
	case <-c:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
