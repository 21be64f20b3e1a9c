package events_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/events"
	"nailbridge/internal/receive/receivetest"
)

// D9: a stream that the server fails to read as it starts, and therefore deletes,
// is put back, and the same start takes it up. Here a folder stands where a block
// would be, which goes with the stream.
func TestD9_AStreamDeletedAtAStartIsPutBack(t *testing.T) {
	c := newClinic(t)
	s := start(t, embedded(c, c.options(t)))
	n := connect(t, s.ClientURL())
	before := n.ask("north", receivetest.Surgery())
	n.settled()
	stop(t, s)
	block := filepath.Join(c.dir, "jetstream", "north", "streams", events.RecordsStream, "msgs", "99.blk")
	require.NoError(t, os.Mkdir(block, 0o700))

	s = start(t, embedded(c, c.options(t)))
	defer stop(t, s)
	n = connect(t, s.ClientURL())
	assert.NoDirExists(t, block, "the server did not delete the stream")
	records, err := n.all(events.RecordsStream)
	require.NoError(t, err)
	require.Len(t, records, 1)
	assert.Equal(t, string(receivetest.Surgery()), string(records[0].Data))
	assert.Equal(t, before.raw, n.answer(before.StreamSequence).raw)
	assert.NoDirExists(t, filepath.Join(c.dir, "jetstream-kept"))
}
