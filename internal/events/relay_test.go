package events_test

import (
	"context"
	"encoding/json"
	"errors"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/events"
	"nailbridge/internal/receive"
	"nailbridge/internal/receive/receivetest"
	"nailbridge/internal/store/sqlite"
)

// assertRising asserts that all of 1 to n came, none before one with a lower
// number came first: repeats are allowed, a skip is not.
func assertRising(t *testing.T, seqs []int64, n int) {
	t.Helper()
	var most int64
	for _, s := range seqs {
		require.LessOrEqual(t, s, most+1, "skipped: %v", seqs)
		most = max(most, s)
	}
	assert.EqualValues(t, n, most)
}

// left is a flag at a toe: no release of the tourniquet is recorded.
var left = receivetest.Set("/surgery/toes/0/tourniquets/0/off", nil)

// A commit, an ended window and a newly opened flag are announced, in the order
// of the outbox, with clinic, record ids, references and codes alone.
func TestChangesOverdueAndFlagsAreRelayed(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		n := run(o)
		n.ask("north", receivetest.Surgery(left))
		facts, err := c.Tick(context.Background(), noon.AddDate(0, 0, 5))
		require.NoError(t, err)
		require.Positive(t, facts)
		assertRising(t, n.relayed(c), len(c.outbox(t)))

		ms, err := n.all(events.ChangesStream)
		require.NoError(t, err)
		kinds := map[string]int{}
		for _, m := range ms {
			kind := m.Header.Get(events.KindHeader)
			kinds[kind]++
			assert.Equal(t, "nailbridge.changes.north", m.Subject)
			for _, word := range []string{"Marsh", "Tobin", "1988", "P-1", "Quill", "Vale"} {
				assert.NotContains(t, string(m.Data), word)
			}
			switch kind {
			case receive.EventChange:
				var e receive.ChangeEvent
				require.NoError(t, json.Unmarshal(m.Data, &e))
				assert.NotEmpty(t, e.Resources)
			case receive.EventOverdue:
				var e receive.OverdueEvent
				require.NoError(t, json.Unmarshal(m.Data, &e))
				assert.Equal(t, []string{"north", "S-1", "day-2"}, []string{e.Clinic, e.Case, e.Activity})
				assert.True(t, strings.HasPrefix(e.Resource, "CarePlan/"), e.Resource)
			case receive.EventFlag:
				var e receive.FlagEvent
				require.NoError(t, json.Unmarshal(m.Data, &e))
				assert.NotEmpty(t, e.Code)
				assert.True(t, strings.HasPrefix(e.Resource, "DetectedIssue/"), e.Resource)
			}
		}
		assert.Equal(t, 2, kinds[receive.EventChange], "the record and the tick")
		assert.Equal(t, facts, kinds[receive.EventOverdue])
		assert.GreaterOrEqual(t, kinds[receive.EventFlag], 2, "the tourniquet and the overdue review")

		before := len(c.outbox(t))
		n.ask("north", receivetest.Surgery(left))
		assert.Len(t, c.outbox(t), before, "a repeat announces nothing")
	})
}

// D3.1: nothing of a patient who is not shared is announced, and what was in
// the outbox when sharing was declined is no longer told.
func TestD3_1_NotSharedIsNotAnnounced(t *testing.T) {
	c := newClinic(t)
	send := func(body []byte) {
		_, err := c.Receive(context.Background(), body, false)
		require.NoError(t, err)
	}
	send(receivetest.Surgery(left, receivetest.Set("/sharing", "declined"), receivetest.Record("S-2"), receivetest.Patient("P-2")))
	_, err := c.Tick(context.Background(), noon.AddDate(0, 0, 5))
	require.NoError(t, err)
	assert.Empty(t, c.outbox(t))

	send(receivetest.Surgery(left))
	require.Contains(t, flagCodes(t, c), "tourniquet")
	send(receivetest.Surgery(left, receivetest.Set("/sharing", "declined"), receivetest.Saved("2026-03-02T11:30:00Z")))
	s := start(t, embedded(c, c.options(t)))
	defer stop(t, s)
	n := connect(t, s.ClientURL())
	assertRising(t, n.relayed(c), len(c.outbox(t)))
	ms, err := n.all(events.ChangesStream)
	require.NoError(t, err)
	told := 0
	for _, m := range ms {
		if m.Header.Get(events.KindHeader) == receive.EventFlag {
			told++
			assert.JSONEq(t, `{"clinic": "north", "withdrawn": true}`, string(m.Data))
		}
	}
	assert.Positive(t, told)
}

func flagCodes(t *testing.T, c *clinic) string {
	var codes []string
	for _, e := range c.outbox(t) {
		var f receive.FlagEvent
		if e.Kind == receive.EventFlag {
			require.NoError(t, json.Unmarshal(e.JSON, &f))
			codes = append(codes, f.Code)
		}
	}
	return strings.Join(codes, " ")
}

// some fills the outbox with n changes.
func some(t *testing.T, c *clinic, from, n int) {
	t.Helper()
	for i := range n {
		id := strconv.Itoa(from + i)
		_, err := c.Receive(context.Background(), receivetest.Surgery(receivetest.Record("S-"+id), receivetest.Patient("P-"+id)), false)
		require.NoError(t, err)
	}
}

// The relay goes on where it was: a start repeats nothing that it need not.
func TestRelayResumes(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		some(t, c, 0, 3)
		if o.URL == "" {
			s := start(t, o)
			o.Listen = strings.TrimPrefix(s.ClientURL(), "nats://")
			assertRising(t, connect(t, s.ClientURL()).relayed(c), len(c.outbox(t)))
			stop(t, s)
		} else {
			s := start(t, o)
			assertRising(t, connect(t, o.URL).relayed(c), len(c.outbox(t)))
			stop(t, s)
		}
		some(t, c, 3, 2)
		n := run(o)
		seqs := n.relayed(c)
		assertRising(t, seqs, len(c.outbox(t)))
		assert.Len(t, seqs, len(c.outbox(t)), "nothing twice")
	})
}

// A publish that fails in the middle is tried again from the last message of
// the stream.
func TestRelayResumesAfterAFault(t *testing.T) {
	c := newClinic(t)
	some(t, c, 0, 3)
	var calls atomic.Int32
	o := embedded(c, c.options(t))
	o.Fault = func(op string) error {
		if op == "publish-change" && calls.Add(1)%3 == 2 {
			return errors.New("not now")
		}
		return nil
	}
	s := start(t, o)
	defer stop(t, s)
	seqs := connect(t, s.ClientURL()).relayed(c)
	assertRising(t, seqs, len(c.outbox(t)))
	assert.Len(t, seqs, len(c.outbox(t)))
}

// D9: after a restore (epoch, sequence) are compared, never the sequence alone.
// A new epoch begins at the start of the outbox.
func TestD9_RelayAfterANewEpoch(t *testing.T) {
	c := newClinic(t)
	p := newProcess(t)
	o := c.options(t)
	o.URL = p.url
	some(t, c, 0, 2)
	s := start(t, o)
	n := connect(t, p.url)
	n.relayed(c)
	stop(t, s)
	require.NoError(t, c.db.NewEpoch(context.Background()))
	some(t, c, 2, 1)
	s = start(t, o)
	defer stop(t, s)
	seqs := n.relayed(c)
	assert.EqualValues(t, 1, seqs[0])
	assertRising(t, seqs, len(c.outbox(t)))
}

// A data file put back by hand keeps its epoch, and its outbox counts again
// from a lower number: the digest shows that the event there is another.
func TestD9_RelayAfterAFileWasPutBack(t *testing.T) {
	p := newProcess(t)
	before := newClinic(t)
	some(t, before, 0, 4)
	o := before.options(t)
	o.URL = p.url
	s := start(t, o)
	n := connect(t, p.url)
	n.relayed(before)
	stop(t, s)

	for _, c := range []struct {
		what string
		n    int
	}{{"shorter", 1}, {"longer", 6}} {
		t.Run(c.what, func(t *testing.T) {
			after := newClinic(t)
			some(t, after, 10, c.n)
			o := after.options(t)
			o.URL = p.url
			s := start(t, o)
			defer stop(t, s)
			require.Eventually(t, func() bool {
				ms, err := n.all(events.ChangesStream)
				if err != nil {
					return false
				}
				seen := map[string]bool{}
				for _, m := range ms {
					seen[string(m.Data)] = true
				}
				for _, e := range after.outbox(t) {
					if !seen[string(e.JSON)] {
						return false
					}
				}
				return true
			}, patience, 50*time.Millisecond, "an event was skipped")
		})
	}
}

// What a backup had lost and RECORDS still holds is taken again by itself.
func TestD9_IntakeAfterARestore(t *testing.T) {
	p := newProcess(t)
	c := newClinic(t)
	o := c.options(t)
	o.URL = p.url
	s := start(t, o)
	n := connect(t, p.url)
	n.ask("north", receivetest.Surgery())
	backup := filepath.Join(t.TempDir(), "backup.db")
	require.NoError(t, c.db.Backup(context.Background(), backup, sqlite.Taken{}))
	lost := n.send("north", receivetest.Review())
	n.answer(lost)
	n.settled()
	stop(t, s)

	dir := filepath.Join(t.TempDir(), "restored")
	_, err := sqlite.Restore(context.Background(), backup, sqlite.Options{Dir: dir, NewEpoch: func() string { return "e9" }}, "", time.Now(), nil)
	require.NoError(t, err)
	c = openClinic(t, dir)
	require.Empty(t, c.deliveries(t, "R-1"))
	o = c.options(t)
	o.URL = p.url
	s = start(t, o)
	defer stop(t, s)
	require.Eventually(t, func() bool { return len(n.answers()[lost]) == 2 }, patience, 50*time.Millisecond)
	n.settled()
	assert.Len(t, c.deliveries(t, "R-1"), 1)
	assert.Equal(t, receive.Stored, n.answers()[lost][1].Answer.Answer)
	assert.Equal(t, "e9", n.consumer().Config.Metadata["nailbridge-epoch"])
}

// Messages past their age limit leave nothing to resume from: all is told
// again.
func TestRelayAfterItsLastMessageAged(t *testing.T) {
	c := newClinic(t)
	p := newProcess(t)
	o := c.options(t)
	o.URL = p.url
	o.Keep.Changes = time.Second
	some(t, c, 0, 1)
	s := start(t, o)
	n := connect(t, p.url)
	n.relayed(c)
	stop(t, s)
	require.Eventually(t, func() bool {
		ms, err := n.all(events.ChangesStream)
		return err == nil && len(ms) == 0
	}, patience, 100*time.Millisecond, "the age limit is not kept")
	o.Keep.Changes = time.Hour
	s = start(t, o)
	defer stop(t, s)
	assertRising(t, n.relayed(c), len(c.outbox(t)))
}

// D3.1: nothing is announced while what is stored may be shared no longer; what
// was committed meanwhile is announced afterwards.
func TestD3_1_NothingIsAnnouncedWhileHeld(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		var held atomic.Bool
		var asked atomic.Int64
		held.Store(true)
		o.Poll = 10 * time.Millisecond
		o.Hold = func() bool { asked.Add(1); return held.Load() }
		n := run(o)
		n.ask("north", receivetest.Surgery(left))
		was := asked.Load()
		require.Eventually(t, func() bool { return asked.Load() > was+3 }, 10*time.Second, time.Millisecond)
		ms, err := n.all(events.ChangesStream)
		require.NoError(t, err)
		assert.Empty(t, ms)
		held.Store(false)
		assertRising(t, n.relayed(c), len(c.outbox(t)))
	})
}

// D3.1: a patient who declines while a full outbox is being relayed is not told
// of any more, from the next event on.
func TestD3_1_DeclinedWhileRelaying(t *testing.T) {
	onEach(t, func(t *testing.T, c *clinic, o events.Options, run func(events.Options) *client) {
		_, err := c.Receive(t.Context(), receivetest.Surgery(left), false)
		require.NoError(t, err)
		before := c.outbox(t)
		flags := 0
		for _, e := range before {
			if e.Kind == receive.EventFlag {
				flags++
			}
		}
		require.Positive(t, flags)
		var once sync.Once
		declined := make(chan struct{})
		o.Fault = func(op string) error {
			if op == "publish-change" {
				once.Do(func() {
					defer close(declined)
					_, err := c.Receive(context.Background(), receivetest.Surgery(left, receivetest.Saved("2026-03-02T11:30:00Z"), receivetest.Set("/sharing", "declined")), false)
					assert.NoError(t, err)
				})
			}
			return nil
		}
		n := run(o)
		<-declined
		n.relayed(c)
		ms, err := n.all(events.ChangesStream)
		require.NoError(t, err)
		withdrawn := 0
		for _, m := range ms[1:] {
			if m.Header.Get(events.KindHeader) == receive.EventFlag {
				assert.JSONEq(t, `{"clinic":"north","withdrawn":true}`, string(m.Data))
				withdrawn++
			}
		}
		assert.Positive(t, withdrawn)
	})
}
