package main

import (
	"context"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/oracles"
	"nailbridge/internal/store"
	"nailbridge/testdata"
)

// R-PROF-16: what the store of the demo holds after a tick, every version of every
// resource as a hub is served it, is valid to the outside validator, which holds each
// to the profiles that it claims.
func TestOracleDemoStore(t *testing.T) {
	oracles.Require(t)
	b := newBench(t, t.TempDir(), "2026-01-01T00:00:00Z")
	now, err := demoCommand{}.now(b.app)
	require.NoError(t, err)
	e := &env{ctx: context.Background(), stdout: io.Discard, stderr: b.log, clock: b.clock}
	require.NoError(t, b.app.load(e, testdata.Records(), now))
	b.app.clock = b.clock
	b.set(now.Format("2006-01-02T15:04:05Z07:00"))
	b.schedule()
	b.tick()

	docs := everyVersion(t, b)
	present, err := oracles.CountTypes(docs)
	require.NoError(t, err)
	assert.Len(t, present, 23, "types of the demo: %v", present)
	defs, err := oracles.OwnDefinitions()
	require.NoError(t, err)
	report, err := oracles.Validate(t.Context(), oracles.Options{Documents: docs, Definitions: defs})
	require.NoError(t, err)
	require.NoError(t, report.Err())
	assert.Equal(t, len(docs), report.Resources)
	assert.Equal(t, present, report.Types)
	t.Logf("%d versions of the demo: %v", len(docs), report)
}

// everyVersion reads the bodies of the system history, page by page.
func everyVersion(t *testing.T, b *bench) [][]byte {
	var docs [][]byte
	require.NoError(t, b.app.store.View(t.Context(), func(r store.Reader) error {
		total := 0
		for q := (store.HistoryQuery{Count: 500}); ; {
			page, err := r.History(q)
			if err != nil {
				return err
			}
			if q.After == nil {
				total = page.Total
			}
			for _, v := range page.Versions {
				if total--; !v.Deleted {
					docs = append(docs, v.Body)
				}
				q.After = &store.Key{Seq: v.Seq, Ref: v.Ref}
			}
			if !page.More {
				assert.Zero(t, total, "every version was read")
				return nil
			}
		}
	}))
	require.NotEmpty(t, docs)
	return docs
}
