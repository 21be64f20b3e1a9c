package events_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/access"
	"nailbridge/internal/events"
	"nailbridge/internal/receive"
	"nailbridge/internal/receive/receivetest"
	"nailbridge/mapping/record"
)

// Every stream is on file, has an age limit, the size limit of HTTP and no
// de-duplication (D2.2) longer than the server's least.
func TestStreamsAreSetUp(t *testing.T) {
	day := 24 * time.Hour
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		o.Keep.Records = 3 * day
		n := run(o)
		n.ask("north", receivetest.Surgery())
		n.relayed(c)
		for name, want := range map[string]struct {
			subject string
			age     time.Duration
		}{
			"RECORDS": {"nailbridge.records.*", 3 * day},
			"ANSWERS": {"nailbridge.answers.*.*", 30 * day},
			"CHANGES": {"nailbridge.changes.*", 30 * day},
		} {
			st, err := n.js.Stream(context.Background(), name)
			require.NoError(t, err)
			is := st.CachedInfo().Config
			assert.Equal(t, []string{want.subject}, is.Subjects, name)
			assert.Equal(t, want.age, is.MaxAge, name)
			assert.Equal(t, jetstream.FileStorage, is.Storage, name)
			assert.EqualValues(t, record.MaxBytes, is.MaxMsgSize, name)
			assert.Equal(t, 100*time.Millisecond, is.Duplicates, name)
			assert.Equal(t, jetstream.DiscardNew, is.Discard, name)
			assert.Equal(t, jetstream.DefaultPersistMode, is.PersistMode, name)
		}
	})
}

// A start brings the settings that are ours up to date and leaves those of the
// operator; a stream that would lose records is not used.
func TestStreamsOfAnOutsideServer(t *testing.T) {
	p := newProcess(t)
	n := connect(t, p.url)
	ctx := context.Background()
	_, err := n.js.CreateStream(ctx, jetstream.StreamConfig{
		Name: "RECORDS", Subjects: []string{"nailbridge.records.>"}, MaxAge: time.Hour, Description: "of the operator",
		Compression: jetstream.S2Compression, MaxMsgs: 5000,
	})
	require.NoError(t, err)
	_, err = n.js.CreateStream(ctx, jetstream.StreamConfig{Name: "CHANGES", Subjects: []string{"nailbridge.changes.*"}, Storage: jetstream.MemoryStorage})
	require.NoError(t, err)
	c := newClinic(t)
	o := c.options(t)
	o.URL = p.url
	s := start(t, o)
	defer stop(t, s)
	n.ask("north", receivetest.Surgery())
	st, err := n.js.Stream(ctx, "RECORDS")
	require.NoError(t, err)
	is := st.CachedInfo().Config
	assert.Equal(t, []string{"nailbridge.records.*"}, is.Subjects)
	assert.Equal(t, 30*24*time.Hour, is.MaxAge)
	assert.Equal(t, "of the operator", is.Description)
	assert.Equal(t, jetstream.S2Compression, is.Compression)
	assert.EqualValues(t, 5000, is.MaxMsgs)

	require.Eventually(t, func() bool { return s.Health() != nil && strings.Contains(s.Health().Error(), "CHANGES") }, patience, 20*time.Millisecond)
	assert.ErrorContains(t, s.Health(), "kept on file")
	ms, err := n.all("CHANGES")
	require.NoError(t, err)
	assert.Empty(t, ms)
	require.NoError(t, n.js.DeleteStream(ctx, "CHANGES"))
	assertRising(t, n.relayed(c), len(c.outbox(t)))
	require.Eventually(t, func() bool { return s.Health() == nil }, patience, 20*time.Millisecond)
}

// The embedded server listens on loopback alone and keeps its data in the data
// folder.
func TestEmbeddedServer(t *testing.T) {
	c := newClinic(t)
	o := embedded(c, c.options(t))
	for _, addr := range []string{"0.0.0.0:0", ":0", "192.0.2.1:4270"} {
		o.Listen = addr
		_, err := events.Start(o)
		assert.ErrorIs(t, err, access.ErrNotLoopback, addr)
	}
	o.Listen = "127.0.0.1:99999"
	_, err := events.Start(o)
	assert.Error(t, err)

	o.Listen = "127.0.0.1:0"
	s := start(t, o)
	defer stop(t, s)
	connect(t, s.ClientURL()).ask("north", receivetest.Surgery())
	files, err := os.ReadDir(filepath.Join(c.dir, "jetstream"))
	require.NoError(t, err)
	assert.NotEmpty(t, files)
	assert.True(t, events.SyncsAlways(s), "D9: sync always")

	o.Listen = strings.TrimPrefix(s.ClientURL(), "nats://")
	o.Dir = t.TempDir()
	_, err = events.Start(o)
	assert.Error(t, err, "an address that is taken is told at the start")
}

// A stream that is gone, by whatever hand, is made again: a record that was
// taken and could not be answered comes again, and changes are announced from
// the start of the outbox.
func TestStreamsThatAreGoneAreMadeAgain(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		o.AckWait = time.Second
		n := run(o)
		require.Equal(t, receive.Stored, n.ask("north", receivetest.Surgery()).Answer.Answer)
		n.settled()
		n.relayed(c)
		for i, name := range []string{events.AnswersStream, events.ChangesStream, events.RecordsStream} {
			require.NoError(t, n.js.DeleteStream(t.Context(), name))
			a := n.ask("north", receivetest.Surgery(receivetest.Record(fmt.Sprint("S-", i+2))))
			assert.NotEmpty(t, a.Answer.Answer, name)
			n.settled()
			assert.Len(t, n.relayed(c), len(c.outbox(t)), name)
		}
	})
}
