//go:build unix

package events_test

import (
	"bytes"
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/events"
	"nailbridge/internal/fault"
	"nailbridge/internal/receive"
	"nailbridge/internal/receive/receivetest"
)

// A write that fails leaves a stream of the embedded server read-only for good.
// What was sent meanwhile is not acknowledged; when there is room again the
// server is started again by itself, and everything that was answered is there.
func TestEmbeddedServerOutlivesAFullDisk(t *testing.T) {
	c := newClinic(t)
	s := start(t, embedded(c, c.options(t)))
	defer stop(t, s)
	n := connect(t, s.ClientURL())
	first := n.ask("north", receivetest.Surgery())
	n.settled()
	n.relayed(c)
	large := append(receivetest.Surgery(), bytes.Repeat([]byte(" "), 300_000)...)

	free := fault.FillDisk(t, 1<<20-1)
	defer free() // before the service stops
	acknowledged := 0
	for range 5 { // to a clinic that nobody serves, so that only the stream grows
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		if _, err := n.js.Publish(ctx, events.RecordsSubject("south"), large); err == nil {
			acknowledged++
		}
		cancel()
	}
	assert.Less(t, acknowledged, 5)
	require.Eventually(t, func() bool { return s.Health() != nil }, patience, 20*time.Millisecond)
	assert.Equal(t, first.StreamSequence, n.answer(first.StreamSequence).StreamSequence, "what is there can be read")

	free()
	assert.Equal(t, receive.Stored, n.ask("north", receivetest.Review()).Answer.Answer)
	n.settled()
	require.Eventually(t, func() bool { return s.Health() == nil }, patience, 20*time.Millisecond)
	assertRising(t, n.relayed(c), len(c.outbox(t)))
	assert.Len(t, n.answers(), 2+acknowledged)
}
