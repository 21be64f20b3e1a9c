package crash_test

import (
	"context"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/running"
)

// roundsVariable is how often the bridge is killed; without it as often as R-ING-05 wants.
const roundsVariable = "NAILBRIDGE_CRASH_ROUNDS"

func rounds(t *testing.T) int {
	text := os.Getenv(roundsVariable)
	if text == "" {
		if testing.Short() {
			t.Skipf("kills a bridge for minutes; %s says how often", roundsVariable)
		}
		return 100
	}
	n, err := strconv.Atoi(text)
	require.NoError(t, err, roundsVariable)
	return n
}

const (
	byHTTP = 8
	byNATS = 4
)

// R-ING-02, R-ING-05, R-ING-06, R-ING-12: a bridge that is killed again and again, 5 to
// 500 ms after the first answer since its start, early more often than late, while several senders at both doors
// send saves and amendments, holds in the end what one holds that was never killed and
// took the same records: nothing that it answered for is lost, nothing is there twice
// or by half, ids and versions are the same. A hub that polled meanwhile saw all of it,
// each resource in its final state, and nothing else.
func TestKilledAgainAndAgain(t *testing.T) {
	n, seed := rounds(t), rand.Uint64()
	t.Logf("%d rounds, seed %d", n, seed)
	random := rand.New(rand.NewPCG(seed, 0))
	binary, err := running.Build(t.Context(), t.TempDir())
	require.NoError(t, err)
	namespace := "7d4ff3c2-9ee5-4f2c-8b0a-3f4c6f1d2a11\n" // so that both bridges make the same ids
	broken := place(t, binary, namespace)
	senders := newSenders(t, seed)
	hub := newPoller(broken.Base)
	polling, stopPolling := context.WithCancel(t.Context())
	var polls sync.WaitGroup
	polls.Go(func() { hub.poll(polling) })

	for range n {
		require.NoError(t, broken.Start(t.Context()))
		early := random.Float64()
		round(t, broken, senders, 5*time.Millisecond+time.Duration(early*early*float64(495*time.Millisecond)))
	}
	require.NoError(t, broken.Start(t.Context()))
	for _, s := range senders {
		s.finish(t, broken)
	}
	unbroken := place(t, binary, namespace)
	require.NoError(t, unbroken.Start(t.Context()))
	again := newSenders(t, seed)
	for i, s := range again {
		s.repeat(t, unbroken, senders[i])
	}
	compare(t, broken, unbroken, senders)
	compareKept(t, broken, unbroken, senders)
	stopPolling()
	polls.Wait()
	hub.catchUp(t)
	compareSeen(t, hub, broken, unbroken)
	require.NoError(t, broken.Stop())
	require.NoError(t, unbroken.Stop())
	report(t, senders, hub)
}

// place is a bridge about to run on an empty data folder with the namespace.
func place(t *testing.T, binary, namespace string) *running.Bridge {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	require.NoError(t, os.Mkdir(data, 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(data, "namespace"), []byte(namespace), 0o600))
	b, err := running.New(binary, dir)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, b.Kill()) })
	return b
}

// round lets all senders at the bridge and kills it so long after the first
// answer.
func round(t *testing.T, b *running.Bridge, senders []*sender, after time.Duration) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	answered := make(chan struct{}, 1)
	var all sync.WaitGroup
	for _, s := range senders {
		s.open(t, b)
		all.Go(func() { s.sendUntilLost(ctx, answered) })
	}
	select {
	case <-answered:
		time.Sleep(after)
	case <-time.After(time.Minute):
		assert.Fail(t, "no answer since the start")
	}
	require.NoError(t, b.Died(), "before it was killed")
	require.NoError(t, b.Kill())
	cancel()
	all.Wait()
	for _, s := range senders {
		s.door.Close()
	}
}

func report(t *testing.T, senders []*sender, hub *poller) {
	var sent, again, known, versions int
	for _, s := range senders {
		sent += len(s.ledger)
		for _, l := range s.ledger {
			again += l.tries - 1
			if l.tries > 1 && l.answer.Answer == "unchanged" {
				known++
			}
			versions += len(l.answer.Resources)
		}
	}
	require.Positive(t, again, "nothing was under way when the bridge was killed")
	t.Logf("%d deliveries answered, %d times one was sent again, %d were stored before and their answer lost, %d versions answered for; the hub saw %d resources in %d pages, %d of them broken off",
		sent, again, known, versions, len(hub.seen), hub.pages, hub.broken)
}
