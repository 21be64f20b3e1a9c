//go:build linux

package events_test

import (
	"context"
	"io/fs"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/events"
	"nailbridge/internal/fault"
	"nailbridge/internal/receive"
	"nailbridge/internal/receive/receivetest"
)

// filesBelow lists a folder and all below it.
func filesBelow(t *testing.T, dir string) (files []string) {
	require.NoError(t, filepath.WalkDir(dir, func(path string, _ fs.DirEntry, err error) error {
		files = append(files, path)
		return err
	}))
	return files
}

// While a kind of system call fails on the files of the embedded server nothing
// is acknowledged that is not there later. When the disk is well again the
// server works again by itself, and all that was acknowledged is answered.
func TestEmbeddedServerOutlivesASickDisk(t *testing.T) {
	fault.Need(t)
	for _, call := range []string{"pwrite64", "fsync"} {
		t.Run(call, func(t *testing.T) {
			c := newClinic(t)
			o := embedded(c, c.options(t))
			o.AckWait = 2 * time.Second
			s := start(t, o)
			defer stop(t, s)
			n := connect(t, s.ClientURL())
			n.ask("north", receivetest.Surgery())
			n.settled()
			n.relayed(c)
			acknowledged := map[uint64]bool{}
			failed := fault.All(t, filesBelow(t, filepath.Join(c.dir, "jetstream")), call, func() {
				for range 3 {
					ctx, cancel := context.WithTimeout(context.Background(), time.Second)
					if ack, err := n.js.Publish(ctx, events.RecordsSubject("north"), receivetest.Surgery()); err == nil {
						acknowledged[ack.Sequence] = true
					}
					cancel()
				}
			})
			t.Logf("%d calls failed; %d records acknowledged meanwhile", len(failed), len(acknowledged))
			require.NotEmpty(t, failed)
			// The first answer may be lost with its stream's last message; then it comes again (D9).
			assert.Contains(t, []receive.Kind{receive.Stored, receive.Unchanged}, n.ask("north", receivetest.Review()).Answer.Answer)
			n.settled()
			for seq := range acknowledged {
				n.answer(seq)
			}
			require.Eventually(t, func() bool { return s.Health() == nil }, patience, 20*time.Millisecond)
			assertRising(t, n.relayed(c), len(c.outbox(t)))
			assert.Len(t, c.deliveries(t, "S-1"), 1)
			assert.Len(t, c.deliveries(t, "R-1"), 1)
		})
	}
}
