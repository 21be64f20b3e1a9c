package running

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"nailbridge/internal/events"
)

// Door takes one record and gives the answer, which is a promise. busy is called
// each time that the bridge asks to wait. After an error nothing is known of the
// record.
type Door interface {
	Name() string
	Send(ctx context.Context, rec []byte, busy func()) (answer []byte, err error)
	Close()
}

// httpDoor is POST /records.
type httpDoor struct {
	url    string
	client *http.Client
}

// HTTP opens the door over HTTP for so many senders.
func (b *Bridge) HTTP(senders int) Door {
	return httpDoor{b.Base + "/records", &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: senders}}}
}

// Name is "HTTP".
func (httpDoor) Name() string { return "HTTP" }

// Close closes connections that wait.
func (d httpDoor) Close() { d.client.CloseIdleConnections() }

// Send posts the record until it is answered by more than a 503.
func (d httpDoor) Send(ctx context.Context, rec []byte, busy func()) ([]byte, error) {
	for {
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, d.url, bytes.NewReader(rec))
		if err != nil {
			return nil, err
		}
		req.Header.Set("Content-Type", "application/json")
		res, err := d.client.Do(req)
		if err != nil {
			return nil, err
		}
		body, err := io.ReadAll(res.Body)
		if err = errors.Join(err, res.Body.Close()); err != nil {
			return nil, err
		}
		switch res.StatusCode {
		case http.StatusOK, http.StatusCreated, http.StatusAccepted, http.StatusConflict:
			return body, nil
		case http.StatusServiceUnavailable:
			busy()
			if err := pause(ctx, res.Header.Get("Retry-After")); err != nil {
				return nil, err
			}
		default:
			return nil, fmt.Errorf("POST /records: %s", res.Status)
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
	lost   chan struct{} // closed when the connection ends

	mu      sync.Mutex
	waiting map[uint64]chan []byte // by sequence in the records stream
	asking  int                    // publishes whose sequence is not known yet
	early   map[uint64][]byte      // answers that came meanwhile: one of them may be theirs
}

// OpenNATS opens the door over NATS. A connection that is lost stays so.
func (b *Bridge) OpenNATS() (Door, error) {
	d := &natsDoor{waiting: map[uint64]chan []byte{}, early: map[uint64][]byte{}, lost: make(chan struct{})}
	var err error
	if d.conn, err = nats.Connect(b.NATS, nats.NoReconnect(), nats.ClosedHandler(func(*nats.Conn) { close(d.lost) })); err != nil {
		return nil, err
	}
	if d.stream, err = jetstream.New(d.conn); err == nil {
		_, err = d.conn.Subscribe("nailbridge.answers."+events.Token(Clinic)+".*", d.answered)
	}
	if err = errors.Join(err, d.conn.Flush()); err != nil {
		d.conn.Close()
		return nil, err
	}
	return d, nil
}

// Name is "NATS".
func (*natsDoor) Name() string { return "NATS" }

// Close closes the connection.
func (d *natsDoor) Close() { d.conn.Close() }

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
		c <- m.Data
		delete(d.waiting, a.StreamSequence)
		return
	}
	if d.asking > 0 {
		d.early[a.StreamSequence] = m.Data
	}
}

// published publishes a record and gives where its answer comes.
func (d *natsDoor) published(ctx context.Context, rec []byte) (<-chan []byte, error) {
	d.mu.Lock()
	d.asking++
	d.mu.Unlock()
	ack, err := d.stream.Publish(ctx, events.RecordsSubject(Clinic), rec)
	d.mu.Lock()
	defer d.mu.Unlock()
	c := make(chan []byte, 1)
	if err == nil {
		if answer, ok := d.early[ack.Sequence]; ok {
			c <- answer
		} else {
			d.waiting[ack.Sequence] = c
		}
	}
	if d.asking--; d.asking == 0 {
		clear(d.early) // of other publishers
	}
	return c, err
}

// Send publishes the record and waits for its answer.
func (d *natsDoor) Send(ctx context.Context, rec []byte, _ func()) ([]byte, error) {
	c, err := d.published(ctx, rec)
	if err != nil {
		return nil, err
	}
	select {
	case answer := <-c:
		return answer, nil
	case <-d.lost:
		return nil, nats.ErrConnectionClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}
