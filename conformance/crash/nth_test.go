//go:build linux && (amd64 || arm64)

package crash_test

import (
	"context"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/running"
	"nailbridge/internal/fault"
)

// serverFolders are those of the embedded server in a data folder: its own, and
// those that keep its files while it starts.
func serverFolders(data string) (out []string) {
	for _, name := range []string{"jetstream", "jetstream-kept", "jetstream-kept.part"} {
		out = append(out, filepath.Join(data, name))
	}
	return out
}

// used is a data folder in use, and what its streams promise.
type used struct {
	binary, data string
	promise      *promised
	next         [][]byte // records that were not sent yet
}

// watchable gives a bridge that was not started, whose calls on files can be watched
// as often as a test of hundreds of starts needs.
func watchable(t *testing.T) (binary, dir string, b *running.Bridge) {
	fault.NeedFolder(t)
	if testing.Short() {
		t.Skip("starts a bridge hundreds of times")
	}
	binary, err := running.Build(t.Context(), t.TempDir())
	require.NoError(t, err)
	dir = t.TempDir()
	b, err = running.New(binary, dir)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, b.Kill()) })
	return binary, dir, b
}

// newUsed makes a data folder as a kill leaves it, which came some records after
// a clean stop.
func newUsed(t *testing.T) used {
	binary, dir, b := watchable(t)
	u := used{binary, filepath.Join(dir, "data"), &promised{records: map[uint64]string{}, answers: map[uint64]string{}}, nil}
	s := newSenders(t, 1)[byHTTP]
	for _, end := range []func() error{b.Stop, b.Kill} {
		require.NoError(t, b.Start(t.Context()))
		for range 3 {
			_, err := u.promise.publish(t.Context(), b, s.take(t))
			require.NoError(t, err)
		}
		require.NoError(t, u.promise.keeps(t.Context(), b, time.Minute))
		require.NoError(t, end())
	}
	for range 100 {
		u.next = append(u.next, s.take(t))
	}
	return u
}

// take is the next record, as if it had been sent.
func (s *sender) take(t *testing.T) []byte {
	rec, err := s.Next()
	require.NoError(t, err)
	s.Sent()
	return rec
}

// attempt is a bridge on a copy of a data folder in use, of whose calls one is to
// fail.
type attempt struct {
	*running.Bridge
	files   *fault.Folder
	promise *promised
	next    [][]byte
}

func (u used) attempt(t *testing.T, ports []string) *attempt {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	require.NoError(t, os.CopyFS(data, os.DirFS(u.data)))
	b, err := running.At(u.binary, dir, ports[0], ports[1])
	require.NoError(t, err)
	files, err := fault.NewFolder(serverFolders(data)...)
	require.NoError(t, err)
	b.Exec = files.Start
	t.Cleanup(func() {
		assert.NoError(t, b.Kill())
		assert.NoError(t, files.Err())
	})
	return &attempt{b, files, u.promise.clone(), u.next}
}

// whole says whether all is there that was promised, and the next record is
// taken.
func (a *attempt) whole(t *testing.T) error {
	if err := a.promise.look(t.Context(), a.Bridge); err != nil {
		return err
	}
	if _, err := a.promise.publish(t.Context(), a.Bridge, a.take()); err != nil {
		return err
	}
	return a.promise.keeps(t.Context(), a.Bridge, startTime)
}

// take is the next record.
func (a *attempt) take() []byte {
	rec := a.next[0]
	a.next = a.next[1:]
	return rec
}

// again starts the bridge anew, with nothing that fails, on what a kill leaves.
func (a *attempt) again(t *testing.T) {
	require.NoError(t, a.Kill())
	a.Exec = nil
	require.NoError(t, a.Start(t.Context()))
	require.NoError(t, a.whole(t))
}

// outcomes counts what became of the failures.
type outcomes struct {
	mu    sync.Mutex
	kinds map[string]int
	began time.Time
}

func newOutcomes() *outcomes { return &outcomes{kinds: map[string]int{}, began: time.Now()} }

// add adds an outcome, if there was a failure at all.
func (o *outcomes) add(kind string, failed bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if failed {
		o.kinds[kind]++
	}
}

func (o *outcomes) report(t *testing.T) {
	t.Logf("%v in %s", o.kinds, time.Since(o.began).Round(time.Second))
}

// every tries with the nth call, so many at once, until n is more than there are,
// or one has failed: what never works would be tried without end. How many there
// are differs a little from run to run.
func every(t *testing.T, workers int, try func(t *testing.T, ports []string, n int) (reached bool)) {
	const beyond = 3
	var last, missed atomic.Int64
	var all sync.WaitGroup
	// Two that start at once could find the same ports free.
	ports, err := running.FreePorts(2 * workers)
	require.NoError(t, err)
	for w := range workers {
		all.Go(func() {
			for missed.Load() < beyond && !t.Failed() {
				n := int(last.Add(1))
				t.Run(strconv.Itoa(n), func(t *testing.T) {
					if !try(t, ports[2*w:], n) {
						missed.Add(1)
					}
				})
			}
		})
	}
	all.Wait()
}

// startTime is how long a start, or an intake, may take on a busy machine.
const startTime = 30 * time.Second

// The nth system call on a file of the embedded server fails, for every n of a
// start. Either it did no harm, or the bridge ends and says why; the next start
// serves all that was acknowledged, and takes the next record (D9).
func TestAStartOutlivesAnyFileOperationOfTheEmbeddedServer(t *testing.T) {
	u := newUsed(t)
	seen := newOutcomes()
	every(t, 3, func(t *testing.T, ports []string, n int) bool {
		a := u.attempt(t, ports)
		a.files.Fail(n)
		ctx, cancel := context.WithTimeout(t.Context(), startTime)
		defer cancel()
		err := a.Start(ctx)
		c, failed := a.files.Failed()
		t.Log(c)
		if err == nil {
			require.NoError(t, a.promise.look(t.Context(), a.Bridge))
			seen.add("without harm", failed)
		} else {
			require.ErrorContains(t, err, "the bridge ended: exit status 1")
			require.ErrorContains(t, err, "nailbridge: NATS server: ")
			seen.add("the start ends", failed)
		}
		a.again(t)
		return failed
	})
	seen.report(t)
	assert.NotZero(t, seen.kinds["the start ends"])
}

// healTime is how long a bridge may take to help itself: three looks at a server
// that is sick, a start of it, and what was not acknowledged coming again.
const healTime = time.Minute

// The nth system call on a file of the embedded server fails, for every n of an
// intake: a record is published, taken and answered, and what it changed is
// relayed. Whatever was acknowledged is answered; a sender without an
// acknowledgement sends again and is answered, by the same process; and all of it
// is there after a restart (D9).
func TestAnIntakeOutlivesAnyFileOperationOfTheEmbeddedServer(t *testing.T) {
	u := newUsed(t)
	seen := newOutcomes()
	every(t, 6, func(t *testing.T, ports []string, n int) bool {
		a := u.attempt(t, ports)
		require.NoError(t, a.Start(t.Context()))
		a.files.Fail(n)
		rec := a.take()
		_, told := a.promise.publish(t.Context(), a.Bridge, rec)
		for err, until := told, time.Now().Add(healTime); err != nil; time.Sleep(50 * time.Millisecond) {
			require.True(t, time.Now().Before(until), "the record is not taken: %v", err)
			_, err = a.promise.publish(t.Context(), a.Bridge, rec)
		}
		published := time.Now()
		require.NoError(t, a.promise.keeps(t.Context(), a.Bridge, healTime))
		answered := time.Since(published)
		a.settle()
		c, failed := a.files.Failed()
		t.Logf("%s: told %v, answered after %s", c, told, answered)
		require.NoError(t, a.promise.look(t.Context(), a.Bridge))
		switch {
		case told != nil:
			seen.add("no acknowledgement", failed)
		case answered > 10*time.Second:
			seen.add("delivered again", failed)
		default:
			seen.add("without harm", failed)
		}
		a.again(t)
		return failed
	})
	seen.report(t)
	assert.NotZero(t, seen.kinds["no acknowledgement"])
}

// settle waits until nobody works on the files any more.
func (a *attempt) settle() {
	for last := -1; last != a.files.Count(); time.Sleep(200 * time.Millisecond) {
		last = a.files.Count()
	}
}

// A stream whose messages can not be read at all is not made anew: the start ends
// and names it, again and again, and when the disk is well nothing is missing.
func TestNoStartGoesOverAStreamThatCanNotBeRead(t *testing.T) {
	ports, err := running.FreePorts(2)
	require.NoError(t, err)
	a := newUsed(t).attempt(t, ports)
	for range 2 {
		a.files.FailAll("openat", "1.blk")
		require.ErrorContains(t, a.Start(t.Context()), "a stream can not be read from the disk; its messages are kept")
		_, failed := a.files.Failed()
		require.True(t, failed)
	}
	a.again(t)
}
