package events

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Readers that are there are not wished again, unless the server or a stream is
// another by now, also while they were being made.
func TestReadersAreForgottenWithServerAndStream(t *testing.T) {
	r := newReaders(Options{Clock: time.Now}.orDefault())
	queued := func() (w *wish, times int) {
		r.letRead("k")
		return r.next()
	}
	w, times := queued()
	require.NotNil(t, w)
	r.forget()
	r.tried(w, times, nil)
	w, times = queued()
	require.NotNil(t, w, "forgotten while they were made")
	r.tried(w, times, assert.AnError)
	w, times = queued()
	require.NotNil(t, w, "not made")
	r.tried(w, times, nil)
	w, _ = queued()
	require.Nil(t, w, "there")
	r.forget()
	w, times = queued()
	require.NotNil(t, w, "forgotten")
	r.tried(w, times, nil)
	r.end("k")
	r.letRead("k")
	w, _ = r.next()
	assert.True(t, w.gone, "first what was wished first")
	assert.Len(t, r.queue, 2)
}
