package meter_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"nailbridge/internal/meter"
	"nailbridge/internal/receive"
)

// scrape gives the lines of our metrics.
func scrape(t testing.TB, m *meter.Meter) []string {
	t.Helper()
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/metrics", nil))
	b, err := io.ReadAll(w.Body)
	require.NoError(t, err)
	var out []string
	for _, l := range strings.Split(string(b), "\n") {
		if strings.HasPrefix(l, "nailbridge_") {
			out = append(out, l)
		}
	}
	return out
}

// Every counter is there from the start, at zero, so that an alarm on its rise
// works from the first record on; then it counts.
func TestCountersStartAtZeroAndCount(t *testing.T) {
	m := meter.New("1.2.3")
	lines := scrape(t, m)
	for _, want := range []string{
		`nailbridge_answers_total{answer="stored"} 0`, `nailbridge_answers_total{answer="unchanged"} 0`,
		`nailbridge_answers_total{answer="superseded"} 0`, `nailbridge_answers_total{answer="waiting"} 0`,
		`nailbridge_answers_total{answer="conflict"} 0`, `nailbridge_answers_total{answer="held"} 0`,
		`nailbridge_answers_total{answer="refused"} 0`,
		"nailbridge_held_records_total 0", "nailbridge_held_records_with_red_flag_total 0",
		"nailbridge_refused_records_total 0", "nailbridge_refused_records_with_red_flag_total 0",
		"nailbridge_unavailable_total 0", "nailbridge_failed_folds_total 0", `nailbridge_build_info{version="1.2.3"} 1`,
	} {
		assert.Contains(t, lines, want)
	}
	m.Answered(receive.Held)
	m.HeldRecord(false)
	m.HeldRecord(true)
	m.RefusedRecord(true)
	m.RefusedRecord(false)
	m.RefusedRecord(false)
	m.Unavailable()
	m.FailedFold()
	lines = scrape(t, m)
	for _, want := range []string{
		`nailbridge_answers_total{answer="held"} 1`, "nailbridge_held_records_total 2", "nailbridge_held_records_with_red_flag_total 1",
		"nailbridge_refused_records_total 3", "nailbridge_refused_records_with_red_flag_total 1", "nailbridge_unavailable_total 1",
		"nailbridge_failed_folds_total 1",
	} {
		assert.Contains(t, lines, want)
	}
}
