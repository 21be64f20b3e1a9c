package crash_test

import (
	"encoding/json"
	"net/http"
	"net/url"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/conformance/running"
)

// kept is a delivery as the clinic finds it again. Its answer is that of the
// last time that it came, so it may differ by how often it was sent.
type kept struct {
	ContentHash string
	Counts      bool
}

// keptOf are the deliveries of a record, as they came.
func keptOf(t *testing.T, b *running.Bridge, id string) []kept {
	status, body, err := running.Get(t.Context(), b.Base+"/records/"+running.Clinic+"/"+url.PathEscape(id))
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, status, id)
	var found struct{ Deliveries []kept }
	require.NoError(t, json.Unmarshal(body, &found))
	return found.Deliveries
}

// compareKept asserts that two bridges keep the same deliveries of each record,
// each once and in the same order, and take the same one to count.
func compareKept(t *testing.T, broken, unbroken *running.Bridge, senders []*sender) {
	compared := map[string]bool{}
	for _, s := range senders {
		for _, e := range s.ledger {
			id := e.answer.Record
			if compared[id] {
				continue
			}
			compared[id] = true
			is := keptOf(t, broken, id)
			assert.NotEmpty(t, is, id)
			assert.Equal(t, keptOf(t, unbroken, id), is, id)
		}
	}
	require.NotEmpty(t, compared)
}
