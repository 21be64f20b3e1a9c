package events

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"nailbridge/internal/receive"
	"nailbridge/internal/store"
	"nailbridge/mapping/record"
)

// Erasing says of whom the embedded server's streams are to hold nothing.
type Erasing struct {
	Dir     string // data folder, which no other process uses meanwhile
	Clinic  string
	Patient record.Identifier
	// Known is what the store holds of the patient.
	Known store.Belongings
	Log   *slog.Logger
}

// Erase deletes from the streams that an embedded server left in the data
// folder what the patient sent, was answered and was announced by, and
// overwrites it there. It gives how many messages that were. The server runs
// meanwhile within this process and listens nowhere. Without such streams it
// does nothing; those of an outside server are its operator's to purge.
func Erase(ctx context.Context, o Erasing) (n int, err error) {
	if has, err := HasStreams(o.Dir); err != nil || !has {
		return 0, err
	}
	s, err := startAlone(o.Dir, newGuard(nil, []string{o.Clinic}, o.Log, time.Now), o.Log)
	if err != nil {
		return 0, err
	}
	defer s.stop()
	conn, err := nats.Connect("", nats.InProcessServer(s), nats.UserInfo(o.Clinic, s.guard.own))
	if err != nil {
		return 0, errors.New("NATS: the embedded server can not be reached")
	}
	defer conn.Close()
	js, err := jetstream.New(conn, jetstream.WithDefaultTimeout(10*time.Second))
	if err != nil {
		return 0, err
	}
	e := eraser{Erasing: o, js: js, taken: map[uint64]bool{}, subjects: map[string]bool{}}
	// RECORDS goes last: who was cut off before finds there again what leads to
	// the answers.
	if err := e.walk(ctx, RecordsStream, e.noteRecord); err != nil {
		return 0, fmt.Errorf("stream %s: %w", RecordsStream, err)
	}
	for _, stream := range []struct {
		name string
		of   func(*jetstream.RawStreamMsg) bool
	}{{ChangesStream, e.ofChange}, {AnswersStream, e.ofAnswer}, {RecordsStream, e.ofRecord}} {
		if err := e.walk(ctx, stream.name, stream.of); err != nil {
			return e.n, fmt.Errorf("stream %s: %w", stream.name, err)
		}
	}
	return e.n, nil
}

// HasStreams reports whether an embedded server left its data in a data folder.
func HasStreams(dir string) (bool, error) {
	_, err := os.Stat(filepath.Join(dir, dataFolder))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil, err
}

// overwrite deletes a message and overwrites it on the disk; another in tests.
var overwrite = jetstream.Stream.SecureDeleteMsg

// eraser walks the streams of one clinic.
type eraser struct {
	Erasing
	js       jetstream.JetStream
	taken    map[uint64]bool // the patient's messages of RECORDS
	subjects map[string]bool // of their answers
	n        int
}

func (e *eraser) walk(ctx context.Context, name string, of func(*jetstream.RawStreamMsg) bool) error {
	st, err := e.js.Stream(ctx, name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, r := range e.Known.Records {
		e.subjects[AnswersSubject(e.Clinic, r)] = true
	}
	is := st.CachedInfo().State
	for seq := is.FirstSeq; seq > 0 && seq <= is.LastSeq; seq++ {
		m, err := st.GetMsg(ctx, seq)
		switch {
		case errors.Is(err, jetstream.ErrMsgNotFound):
			continue
		case err != nil:
			return err
		}
		if !of(m) {
			continue
		}
		if err := overwrite(st, ctx, seq); err != nil {
			return err
		}
		e.n++
	}
	return nil
}

// noteRecord notes what was sent about the patient, and leaves it there; a record
// that no delivery in the store has is known by it from then on.
func (e *eraser) noteRecord(m *jetstream.RawStreamMsg) bool {
	if !strings.HasPrefix(m.Subject, recordsPrefix) { // an answer or a change that a client led here, and nobody's record
		e.taken[m.Sequence] = true
		return false
	}
	if !receive.Names(m.Data, e.Patient) {
		return false
	}
	e.taken[m.Sequence] = true
	if id := record.Read(m.Data, time.UTC).Record.Record; id != "" {
		e.Known.Records = append(e.Known.Records, id)
	}
	return false
}

func (e *eraser) ofRecord(m *jetstream.RawStreamMsg) bool { return e.taken[m.Sequence] }

func (e *eraser) ofAnswer(m *jetstream.RawStreamMsg) bool {
	var a struct {
		StreamSequence uint64 `json:"streamSequence"`
	}
	_ = json.Unmarshal(m.Data, &a) // else it answers nothing known
	return e.subjects[m.Subject] || e.taken[a.StreamSequence] || e.Known.NamedIn(m.Data)
}

// ofChange takes what names the patient's resources. A gap in the numbers is
// left; the relay goes on after it, or from the start of the outbox, where the
// same events name nothing any more.
func (e *eraser) ofChange(m *jetstream.RawStreamMsg) bool { return e.Known.NamedIn(m.Data) }
