package schedule_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	rt "nailbridge/internal/receive/receivetest"
	"nailbridge/internal/schedule"
)

// ticks remembers when it was called and fails as told.
type ticks struct {
	at   []time.Time
	fail error
}

func (t *ticks) Tick(_ context.Context, now time.Time) (int, error) {
	t.at = append(t.at, now)
	return 1, t.fail
}

// It ticks at once and at each beat, a failure keeps it from nothing, and it
// ends with its context.
func TestRunTicksAtOnceAndAtEachBeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		ctx, cancel := context.WithCancel(t.Context())
		now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
		beat, done := make(chan time.Time), make(chan struct{})
		tick := &ticks{}
		go func() {
			defer close(done)
			schedule.Run(ctx, tick, func() time.Time { return now }, beat, slog.New(slog.NewTextHandler(&log, nil)))
		}()
		synctest.Wait()
		require.Len(t, tick.at, 1, "at once, for windows that ended while it was stopped")
		now = now.Add(time.Minute)
		tick.fail = errors.New("store unavailable")
		beat <- time.Time{}
		synctest.Wait()
		tick.fail = nil
		beat <- time.Time{}
		synctest.Wait()
		require.Len(t, tick.at, 3)
		assert.Equal(t, now, tick.at[2], "the instant is that of the clock given")
		assert.Contains(t, log.String(), "store unavailable")
		cancel()
		<-done
	})
}

// Issue point 4: a window that ends shows within 60 s.
func TestIntervalIsWithinAMinute(t *testing.T) {
	assert.LessOrEqual(t, schedule.Interval, 60*time.Second)
}

// D1.6 with the real intake: with no save arriving, the overdue issue stands on
// the hub's side after the beat that follows the end of the window, and no later
// beat writes anything.
func TestD1_6_OverdueAppearsWithoutASave(t *testing.T) {
	w := rt.New(t)
	w.Send(rt.Surgery())
	w.At("2026-03-06T23:59:30Z")
	ctx, cancel := context.WithCancel(t.Context())
	beat, done := make(chan time.Time), make(chan struct{})
	ticked := make(chan struct{})
	go func() {
		defer close(done)
		schedule.Run(ctx, after{w, ticked}, func() time.Time { return w.Now }, beat, slog.New(slog.DiscardHandler))
	}()
	<-ticked
	assert.Empty(t, w.Issues("review-overdue"))
	w.Now = w.Now.Add(schedule.Interval * 2)
	beat <- w.Now
	<-ticked
	require.Len(t, w.Issues("review-overdue"), 1)
	seq := w.Seq()
	for range 3 {
		w.Now = w.Now.Add(schedule.Interval)
		beat <- w.Now
		<-ticked
	}
	assert.Equal(t, seq, w.Seq())
	cancel()
	<-done
}

// after says when a tick is over.
type after struct {
	*rt.World
	ticked chan struct{}
}

func (a after) Tick(ctx context.Context, now time.Time) (int, error) {
	n, err := a.World.Tick(ctx, now)
	a.ticked <- struct{}{}
	return n, err
}
