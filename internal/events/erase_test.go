package events_test

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/events"
	"nailbridge/internal/receive"
	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/record"
)

// filesWith are the files below a folder that hold a text.
func filesWith(t *testing.T, dir, text string) (names []string) {
	t.Helper()
	require.NoError(t, filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		if err == nil && strings.Contains(string(b), text) {
			names = append(names, path)
		}
		return err
	}))
	return names
}

// An erased patient is in no message of any stream, and no file below the
// embedded server's folder holds a text of theirs; what is of others stays. The
// relay and the intake go on.
func TestEraseLeavesNothingInTheStreams(t *testing.T) {
	const marker = "Zzyzxmarker"
	c := newClinic(t)
	o := embedded(c, c.options(t))
	s := start(t, o)
	n := connect(t, s.ClientURL())
	theirs := []rt.Edit{rt.Record("S-" + marker), rt.Patient("P-" + marker), rt.Set("/patient/name/family", marker)}
	n.ask("north", rt.Surgery())
	n.ask("north", rt.Surgery(theirs...))
	n.ask("north", rt.Review(rt.Record("R-"+marker), rt.Set("/review/surgery", "S-"+marker), rt.Patient("P-"+marker), rt.RedFlag))
	// Refused: what is wrong stands where it can not be read, the patient does not.
	n.ask("north", rt.Surgery(append(theirs, rt.Set("/status", "no-such"))...))
	broken := strings.Replace(string(rt.Surgery(theirs...)), "{", `{"clinic": 1, `, 1)
	n.ask("north", []byte(broken))
	n.settled()
	n.relayed(c)
	stop(t, s)
	require.NotEmpty(t, filesWith(t, filepath.Join(c.dir, "jetstream"), marker), "else nothing is shown")

	patient := record.Identifier{System: rt.PatientSystem, Value: "P-" + marker}
	e := erasing(t, c, patient)
	deleted, err := events.Erase(context.Background(), e)
	require.NoError(t, err)
	assert.Greater(t, deleted, 8, "four records, their answers and changes")
	assert.Empty(t, filesWith(t, filepath.Join(c.dir, "jetstream"), marker))
	again, err := events.Erase(context.Background(), e)
	require.NoError(t, err)
	assert.Zero(t, again)

	require.NoError(t, c.db.Update(t.Context(), func(w store.Writer) error {
		_, err := receive.Erase(w, store.Owner{Clinic: "north", Patient: mapping.PatientKey(patient)}, store.Erasure{Subject: "s", At: noon}, noon)
		return err
	}))
	s = start(t, o)
	defer stop(t, s)
	n = connect(t, s.ClientURL())
	n.settled()
	n.relayed(c)
	left, err := n.all(events.RecordsStream)
	require.NoError(t, err)
	require.Len(t, left, 1)
	assert.Equal(t, rt.Surgery(), left[0].Data)
	for _, stream := range []string{events.AnswersStream, events.ChangesStream} {
		ms, err := n.all(stream)
		require.NoError(t, err)
		require.NotEmpty(t, ms)
		for _, m := range ms {
			assert.NotContains(t, string(m.Data)+m.Subject, marker, stream)
		}
	}
	assert.Equal(t, receive.Unchanged, n.ask("north", rt.Surgery()).Answer.Answer)
}

// A folder without an embedded server's data is left as it is.
func TestEraseWithoutStreams(t *testing.T) {
	dir := t.TempDir()
	has, err := events.HasStreams(dir)
	require.NoError(t, err)
	assert.False(t, has)
	n, err := events.Erase(context.Background(), events.Erasing{Dir: dir, Clinic: "north", Log: logTo(t)})
	require.NoError(t, err)
	assert.Zero(t, n)
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, entries)
}

// What a client led into RECORDS, an answer of its own, is no record, and goes
// with any erasure: it may tell of the patient. Without keys that can be done.
func TestEraseTakesWhatWasLedIntoTheRecords(t *testing.T) {
	const marker = "Zzyzxmarker"
	c := newClinic(t)
	s := start(t, embedded(c, c.options(t)))
	n := connect(t, s.ClientURL())
	n.ask("north", rt.Surgery(rt.Record("S-"+marker), rt.Patient("P-"+marker)))
	_, err := n.js.CreateConsumer(t.Context(), events.AnswersStream, jetstream.ConsumerConfig{Durable: "mine", AckPolicy: jetstream.AckExplicitPolicy})
	require.NoError(t, err)
	require.NoError(t, n.conn.PublishRequest("$JS.API.CONSUMER.MSG.NEXT.ANSWERS.mine", "nailbridge.records.north", []byte(`{"batch":1,"no_wait":true}`)))
	require.Eventually(t, func() bool {
		led, err := n.all(events.RecordsStream)
		return err == nil && len(led) == 2
	}, patience, 20*time.Millisecond)
	stop(t, s)
	dir := filepath.Join(c.dir, "jetstream")
	require.NotEmpty(t, filesWith(t, dir, marker), "else nothing is shown")
	_, err = events.Erase(context.Background(), erasing(t, c, record.Identifier{System: rt.PatientSystem, Value: "P-" + marker}))
	require.NoError(t, err)
	assert.Empty(t, filesWith(t, dir, marker))
}

// An erasure of the streams is cut off before the nth message goes, for every n, and
// done again: with what the store still holds, and with a store that has nothing of
// the patient any more, as after a start in between, which erases by the list. No file
// keeps a text of theirs: what leads to the rest goes last.
func TestEraseMayBeCutOffBeforeAnyMessage(t *testing.T) {
	const marker = "Zzyzxmarker"
	c, e := streamsOf(t, marker)
	cut := errors.New("cut off")
	seen := map[string]int{}
	for n := 1; ; n++ {
		dir, left := filepath.Join(t.TempDir(), "cut"), n
		require.NoError(t, os.CopyFS(dir, os.DirFS(c.dir)))
		restore := events.SetOverwrite(func(stream string) error {
			if left--; left > 0 {
				return nil
			}
			seen[stream]++
			return cut
		})
		first := e
		first.Dir = dir
		_, err := events.Erase(t.Context(), first)
		restore()
		if err == nil {
			break
		}
		require.ErrorIs(t, err, cut)
		require.NotEmpty(t, filesWith(t, filepath.Join(dir, "jetstream"), marker), "else nothing is shown")
		for name, known := range map[string]store.Belongings{"as before": e.Known, "nothing known": {}} {
			again := first
			again.Dir, again.Known = filepath.Join(t.TempDir(), "again"), known
			require.NoError(t, os.CopyFS(again.Dir, os.DirFS(dir)))
			_, err := events.Erase(t.Context(), again)
			require.NoError(t, err)
			assert.Empty(t, filesWith(t, filepath.Join(again.Dir, "jetstream"), marker), "cut off before message %d, %s", n, name)
		}
	}
	t.Logf("messages that it was cut off before: %v", seen)
	for _, stream := range []string{events.RecordsStream, events.AnswersStream, events.ChangesStream} {
		assert.Positive(t, seen[stream], stream)
	}
}

// streamsOf is a clinic with the streams that a marked patient and another left, and
// how the one is erased.
func streamsOf(t *testing.T, marker string) (*clinic, events.Erasing) {
	t.Helper()
	c := newClinic(t)
	s := start(t, embedded(c, c.options(t)))
	n := connect(t, s.ClientURL())
	theirs := []rt.Edit{rt.Record("S-" + marker), rt.Patient("P-" + marker), rt.Set("/patient/name/family", marker)}
	n.ask("north", rt.Surgery())
	n.ask("north", rt.Surgery(theirs...))
	n.ask("north", rt.Review(rt.Record("R-"+marker), rt.Set("/review/surgery", "S-"+marker), rt.Patient("P-"+marker), rt.RedFlag))
	n.ask("north", []byte(strings.Replace(string(rt.Surgery(theirs...)), "{", `{"clinic": 1, `, 1)))
	n.settled()
	n.relayed(c)
	stop(t, s)
	return c, erasing(t, c, record.Identifier{System: rt.PatientSystem, Value: "P-" + marker})
}

// erasing is how a patient is erased of whom the store knows something.
func erasing(t testing.TB, c *clinic, patient record.Identifier) events.Erasing {
	t.Helper()
	e := events.Erasing{Dir: c.dir, Clinic: "north", Patient: patient, Log: logTo(t)}
	require.NoError(t, c.db.View(t.Context(), func(r store.Reader) (err error) {
		e.Known, err = r.Belongings(store.Owner{Clinic: "north", Patient: mapping.PatientKey(patient)},
			func(b []byte) bool { return receive.Mentions(b, patient) })
		return err
	}))
	require.NotEmpty(t, e.Known.Resources)
	return e
}
