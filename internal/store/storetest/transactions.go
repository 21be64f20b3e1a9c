package storetest

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/store"
)

var transactionTests = []test{
	{"AnErrorStoresNothing", txError},
	{"APanicStoresNothing", txPanic},
	{"AWriterReadsItsOwnWrites", txOwnWrites},
	{"ReadsGoOnWhileAWriteIsOpen", txReadersDoNotWait},
	{"ASnapshotStandsStill", txSnapshot},
	{"ACancelledRequestStoresNothing", txCancelled},
	{"NothingAfterItsEnd", txEnded},
	{"WritersQueueAndCommitsAreSeenWhole", txConcurrent},
	{"CloseWaits", txClose},
}

// state is everything that a failed transaction must leave as it was.
func (f *fixture) state() string {
	f.Helper()
	var out string
	f.view(func(r store.Reader) {
		h, err := r.History(store.HistoryQuery{Count: 1000})
		require.NoError(f, err)
		ds, err := r.Deliveries(owner.Clinic, "s1")
		require.NoError(f, err)
		es, err := r.Outbox(owner.Clinic, 0, 1000)
		require.NoError(f, err)
		fs, err := r.Flags(owner)
		require.NoError(f, err)
		as, err := r.Activities(owner.Clinic)
		require.NoError(f, err)
		st, err := r.Staff(owner.Clinic, "k")
		require.NoError(f, err)
		out = fmt.Sprint(r.Head(), names(h.Versions), ds, es, fs, as, st)
	})
	return out
}

// writeAll changes something of every kind.
func (f *fixture) writeAll(w store.Writer, mark string) error {
	_, err := w.Stamp(f.now)
	d := delivery("s1", mark)
	_, err2 := w.PutDelivery(d)
	_, err3 := w.Put(owner, "case", Checked(f, Plan("a", mark)), nil)
	_, err4 := w.Put(owner, "case", Checked(f, Plan("b", mark)), nil)
	return errors.Join(err, err2, err3, err4,
		w.ReplaceFlags(owner, []store.Flag{{ID: mark, Open: true}}),
		w.ReplaceActivities(owner, []store.Activity{{ID: mark, Open: true, End: t0}}),
		w.PutFact(store.Fact{Owner: owner, Activity: mark, End: t0}),
		w.PutAck(store.Ack{Owner: owner, Flag: mark}),
		w.ReplaceStaff(owner.Clinic, mark, []store.Statement{{Key: "k", JSON: []byte(mark)}}),
		w.PutEvent(owner.Clinic, "change", []byte(mark)))
}

func txError(f *fixture) {
	f.update(func(w store.Writer) { require.NoError(f, f.writeAll(w, "first")) })
	before := f.state()
	err := f.store.Update(f.ctx, func(w store.Writer) error {
		require.NoError(f, f.writeAll(w, "second"))
		return errStop
	})
	assert.Equal(f, errStop, err, "the caller's error comes back as it is")
	assert.Equal(f, before, f.state())
	f.update(func(w store.Writer) { require.NoError(f, f.writeAll(w, "third")) })
	assert.NotEqual(f, before, f.state())
}

func txPanic(f *fixture) {
	before := f.state()
	assert.Panics(f, func() {
		_ = f.store.Update(f.ctx, func(w store.Writer) error {
			require.NoError(f, f.writeAll(w, "x"))
			panic("fold")
		})
	})
	assert.Panics(f, func() { _ = f.store.View(f.ctx, func(store.Reader) error { panic("read") }) })
	assert.Equal(f, before, f.state())
	f.update(func(w store.Writer) { require.NoError(f, f.writeAll(w, "y")) })
}

func txOwnWrites(f *fixture) {
	f.update(func(w store.Writer) {
		require.NoError(f, f.writeAll(w, "x"))
		v, err := w.Read(planRef("a"))
		require.NoError(f, err)
		assert.Equal(f, w.Head().Seq, v.Seq)
		p, err := w.Search(query())
		require.NoError(f, err)
		assert.Equal(f, []string{"a", "b"}, ids(p))
		ds, err := w.Deliveries(owner.Clinic, "s1")
		require.NoError(f, err)
		assert.Len(f, ds, 1)
		fs, err := w.Flags(owner)
		require.NoError(f, err)
		assert.Len(f, fs, 1)
	})
}

func txReadersDoNotWait(f *fixture) {
	f.putOne(Plan("a", "one"))
	before := f.state()
	f.update(func(w store.Writer) {
		f.put(w, Plan("a", "two"))
		assert.Equal(f, before, f.state(), "the earlier state, at once")
	})
	assert.NotEqual(f, before, f.state())
}

func txSnapshot(f *fixture) {
	f.putOne(Plan("a", "one"))
	f.view(func(r store.Reader) {
		head := r.Head()
		f.putOne(Plan("a", "two"))
		f.putOne(Plan("b", "one"))
		v, err := r.Read(planRef("a"))
		require.NoError(f, err)
		assert.EqualValues(f, 1, v.Number)
		_, err = r.Read(planRef("b"))
		assert.ErrorIs(f, err, store.ErrNotFound)
		h, err := r.History(store.HistoryQuery{Count: 10})
		require.NoError(f, err)
		assert.Equal(f, 1, h.Total)
		assert.Equal(f, head, r.Head())
	})
}

func txCancelled(f *fixture) {
	before := f.state()
	ctx, cancel := context.WithCancel(f.ctx)
	err := f.store.Update(ctx, func(w store.Writer) error {
		require.NoError(f, f.writeAll(w, "x"))
		cancel()
		return nil
	})
	assert.ErrorIs(f, err, store.ErrUnavailable)
	assert.ErrorIs(f, err, context.Canceled)
	assert.Equal(f, before, f.state(), "cancelled before the commit")

	called := false
	assert.ErrorIs(f, f.store.Update(ctx, func(store.Writer) error { called = true; return nil }), store.ErrUnavailable)
	assert.ErrorIs(f, f.store.View(ctx, func(store.Reader) error { called = true; return nil }), store.ErrUnavailable)
	assert.False(f, called)

	ctx, cancel = context.WithCancel(f.ctx)
	defer cancel()
	assert.ErrorIs(f, f.store.View(ctx, func(r store.Reader) error {
		cancel()
		_, err := r.Read(planRef("a"))
		return err
	}), store.ErrUnavailable)
	f.update(func(w store.Writer) { require.NoError(f, f.writeAll(w, "y")) })
}

func txEnded(f *fixture) {
	var r store.Reader
	var w store.Writer
	f.view(func(x store.Reader) { r = x })
	f.update(func(x store.Writer) { w = x })
	before := f.state()
	_, err := r.Read(planRef("a"))
	assert.ErrorIs(f, err, store.ErrUnavailable)
	assert.ErrorIs(f, f.writeAll(w, "x"), store.ErrUnavailable)
	assert.Equal(f, before, f.state())
}

// txConcurrent: 8 writers put two resources each time, 4 pollers read what is
// new since their last head; each sees every commit once, whole, in order.
func txConcurrent(f *fixture) {
	const writers, rounds, pollers = 8, 5, 4
	for i := range writers * rounds {
		// Checked before the race, which is about the store.
		Checked(f, Plan("a", fmt.Sprint(i)))
		Checked(f, patient("p", i))
	}
	var writing, polling sync.WaitGroup
	done := make(chan struct{})
	errs := make(chan error, writers+pollers)
	for i := range writers {
		writing.Go(func() { errs <- f.writeRounds(i, rounds) })
	}
	for range pollers {
		polling.Go(func() { errs <- f.poll(done, writers*rounds) })
	}
	writing.Wait()
	close(done)
	polling.Wait()
	close(errs)
	for err := range errs {
		assert.NoError(f, err)
	}
}

func (f *fixture) writeRounds(writer, rounds int) error {
	for i := range rounds {
		n := writer*rounds + i
		err := f.store.Update(f.ctx, func(w store.Writer) error {
			if _, err := w.Stamp(t0); err != nil {
				return err
			}
			_, err := w.Put(owner, "", Checked(f, Plan("a", fmt.Sprint(n))), nil)
			_, err2 := w.Put(owner, "", Checked(f, patient("p", n)), nil)
			return errors.Join(err, err2)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// poll reads the history after its last head until the writers are done and
// nothing is new.
func (f *fixture) poll(done <-chan struct{}, commits int) error {
	last, seen := int64(0), 0
	for {
		over := false
		select {
		case <-done:
			over = true
		default:
		}
		var page store.Page
		err := f.store.View(f.ctx, func(r store.Reader) (err error) {
			page, err = r.History(store.HistoryQuery{Count: 1000})
			return err
		})
		if err != nil {
			return err
		}
		per := map[int64]int{}
		for _, v := range page.Versions {
			if v.Seq > last {
				per[v.Seq]++
			}
		}
		for seq := last + 1; seq <= page.UpTo; seq++ {
			if per[seq] != 2 {
				return fmt.Errorf("commit %d seen with %d of 2 resources", seq, per[seq])
			}
			seen++
		}
		last = page.UpTo
		if over {
			if seen != commits {
				return fmt.Errorf("saw %d of %d commits", seen, commits)
			}
			return nil
		}
	}
}

// A store that closes finishes what runs and begins nothing more.
func txClose(f *fixture) {
	began, closed := make(chan struct{}), make(chan error, 1)
	over := false
	go func() {
		<-began
		closed <- f.store.Close()
	}()
	require.NoError(f, f.store.Update(f.ctx, func(w store.Writer) error {
		close(began)
		for { // until Close has begun to refuse
			err := f.store.View(f.ctx, func(store.Reader) error { return nil })
			if err != nil {
				assert.ErrorIs(f, err, store.ErrUnavailable)
				break
			}
		}
		over = len(closed) > 0
		return f.writeAll(w, "x")
	}))
	assert.False(f, over, "closed while a transaction ran")
	require.NoError(f, <-closed)
	assert.ErrorIs(f, f.store.Update(f.ctx, func(store.Writer) error { return nil }), store.ErrUnavailable)
	require.NoError(f, f.store.Close(), "again")
}
