package order_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"nailbridge/internal/store/order"
)

// R-DATA-28: lastUpdated rises with every commit, whatever the clock does.
func TestR_DATA_28_PlacesRise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var p order.Place
		for _, clock := range rapid.SliceOf(rapid.Int64Range(1, 20)).Draw(t, "clocks") {
			n := p.Next(clock)
			assert.Equal(t, p.Seq+1, n.Seq)
			assert.GreaterOrEqual(t, n.At, clock)
			if p.Seq > 0 {
				assert.Greater(t, n.At, p.At)
			}
			p = n
		}
	})
}

// D8.3: the place of a restore is later than every one given out since the
// backup, under the two conditions that Restored names, and no later than it
// must be. What was given out is played here commit by commit.
func TestD8_3_ARestoreIsLaterThanWhatWasGivenOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		step := rapid.Int64Range(1, 5) // at least a millisecond between two commits
		clock := rapid.Int64Range(1, 50).Draw(t, "start")
		var p order.Place
		for range rapid.IntRange(0, 4).Draw(t, "kept") {
			// Before the backup the clock may have been anywhere.
			p = p.Next(clock + rapid.Int64Range(-10, 40).Draw(t, "wrong clock"))
			clock += step.Draw(t, "step")
		}
		taken, kept := clock, p
		for range rapid.IntRange(0, 20).Draw(t, "lost") {
			clock += step.Draw(t, "step")
			p = p.Next(clock)
		}
		now := clock + rapid.Int64Range(0, 10).Draw(t, "pause")
		r := kept.Restored(taken, now)
		assert.Equal(t, kept.Seq+1, r.Seq)
		assert.Greater(t, r.At, p.At)
		assert.LessOrEqual(t, r.At, max(now, kept.At+now-taken)+1)
		for instant := kept.At - 1; instant <= r.At+1; instant++ {
			assert.Equal(t, instant > kept.At && instant < r.At, order.Lost(instant, kept, r))
		}
		assert.False(t, order.Lost(r.Next(now).At, kept, r), "what is given out from then on")
	})
}

// The clock at a restore stands behind what is known: the backup's own instants
// still hold.
func TestD8_3_ARestoreWithAClockThatIsBehind(t *testing.T) {
	kept := order.Place{Seq: 7, At: 1000}
	assert.Equal(t, order.Place{Seq: 8, At: 2001}, kept.Restored(2000, 500))
	assert.Equal(t, order.Place{Seq: 8, At: 1001}, kept.Restored(0, 500), "a backup that does not say when")
	assert.Equal(t, order.Place{Seq: 1, At: 2001}, order.Place{}.Restored(2000, 500), "of an empty store")
}

// R-PAGE-07: a walk keeps to the bound it began under, and no token reaches
// past the head.
func TestR_PAGE_07_Bound(t *testing.T) {
	for _, c := range []struct{ head, asked, want int64 }{{5, 0, 5}, {5, 3, 3}, {5, 5, 5}, {5, 9, 5}, {0, 0, 0}, {0, 4, 0}, {5, -1, 5}} {
		assert.Equal(t, c.want, order.Bound(c.head, c.asked))
	}
}
