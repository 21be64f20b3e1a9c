// Package schedule commits what only the clock knows: that the window of a
// review ended and nothing was recorded. Nothing arrives when a review is
// missed, so a tick says it (D1.6).
package schedule

import (
	"context"
	"log/slog"
	"time"
)

// Interval is how often Run ticks: a window that ends shows as overdue within
// a minute.
const Interval = 20 * time.Second

// Ticker commits the overdue facts of one instant and says how many it stored.
type Ticker interface {
	Tick(ctx context.Context, now time.Time) (int, error)
}

// Run ticks at once, for windows that ended while the bridge was stopped, and
// then whenever beat fires, until ctx ends. The clock is an argument.
func Run(ctx context.Context, t Ticker, clock func() time.Time, beat <-chan time.Time, log *slog.Logger) {
	for {
		if n, err := t.Tick(ctx, clock()); err != nil && ctx.Err() == nil {
			log.Error("tick failed, trying again at the next", "error", err)
		} else if n > 0 {
			log.Info("windows ended without a review", "facts", n)
		}
		select {
		case <-ctx.Done():
			return
		case <-beat:
		}
	}
}
